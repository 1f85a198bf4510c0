"""Where an interlock says that it is calm, asking it of every sample changes nothing."""

from random import Random
from typing import Any

import pytest

from sequencer.interlocks.electrical import current_flows, current_follows
from sequencer.interlocks.panel import make_panel
from sequencer.interlocks.ranges import extremes
from sequencer.interlocks.rule import REMEMBERED
from sequencer.vocabulary.commands import Direction, Held
from sequencer.vocabulary.faults import Fault, FaultKind
from sequencer.vocabulary.intent import Intent
from sequencer.vocabulary.sample import NAN, OFF, ON, WELL, Host, Sample
from tests.builders import CHANNELS, LIMITS, S, sample
from tests.interlocks.judging import CHARGING, DISCHARGING, MAKE, RESTS, charging, interlock

CALM = [rule.id for rule in make_panel(LIMITS, CHANNELS).rules if rule.calm is not None]
HEALTHY = {one.state: (one, make) for one, make in MAKE.items()}
DRAWN = 500


def test_which_interlocks_can_be_calm():
    """The others are asked of every sample: they add up, or look at news only."""
    assert {*CALM} == {
        "cell opened", "circuit open", "current commanded", "current sign", "current too large",
        "loop late", "output state", "reading old", "step time", "surface temperature",
        "tab temperature", "total time", "voltage high", "voltage low", "voltage stuck",
        "voltages disagree",
    }  # fmt: skip


FIELDS = ("voltage_v", "supply_v", "load_v", "current_a", "surface_c", "tab_c")
SIZES = (0.0, 0.005, 0.03, 0.06, 0.1, 0.5, 1.5, 3.0)


def drawn(random: Random, intent: Intent, count: int, at_s: float, unruly: float) -> list[Sample]:
    """Samples one second apart: healthy ones, of which one or two values lie elsewhere and move;
    now and then one that stays away, is old, or differs."""
    make = HEALTHY[intent.state][1]
    moving = random.sample(FIELDS, random.randint(0, 2))
    bias = {name: random.choice((-1, 1)) * random.choice(SIZES) for name in moving}
    spans = {name: random.choice(SIZES) for name in moving}
    weak, gap = random.choice((0.0, 0.3)), range(*sorted(random.choices(range(2 * count), k=2)))
    made = []
    for number in range(count):
        one = make(at_s + number)
        moved: dict[str, Any] = {"host": WELL} | {
            name: getattr(one, name) + bias[name] + random.uniform(-1, 1) * spans[name]
            for name in moving
        }
        if number in gap and weak:
            moved["current_a"] = one.current_a * weak
        elif number in gap and number % 3:
            moved["current_a"] = 0.0
        if random.random() < unruly:
            moved[random.choice(FIELDS)] = random.choice((NAN, 0.0))
        if random.random() < unruly:
            moved[random.choice(("supply_at_ns", "current_at_ns"))] = one.at_ns - 4 * S
        if random.random() < unruly:
            moved["supply_on"] = 1 - one.supply_on
        if random.random() < unruly:
            moved["late_ns"] = 3 * S
        made.append(one._replace(**moved))
    return made


def far(random: Random, intent: Intent) -> Intent:
    """The same with time bounds that may be near."""
    return intent._replace(
        since_ns=random.choice((S, 96 * S, 99 * S, 105 * S)),
        step_ends_by_ns=random.choice((110, 130, 1000)) * S,
        run_ends_by_ns=random.choice((112, 1000)) * S,
    )


@pytest.mark.parametrize("name", CALM)
def test_a_calm_interlock_is_clear_and_remembers_only_the_last_samples(name: str):
    """Whatever it had seen, and whatever comes afterwards. Some draws of each are calm, others
    not."""
    seen = {True: 0, False: 0}
    for seed in range(DRAWN):
        random = Random(f"{name}/{seed}")
        intent, unruly = far(random, random.choice([*MAKE])), random.choice((0.0, 0.0, 0.01, 0.05))
        before, samples, after = (
            drawn(random, intent, count, at_s, far_off)
            for count, at_s, far_off in ((3, 97, 0.1), (20, 100, unruly), (6, 120, 0.1))
        )
        one, other = interlock(name), interlock(name)
        told = [rule.judge(sample, intent) for sample in before for rule in (one, other)]
        if any(told):
            continue
        assert one.calm is not None
        is_calm = one.calm(*extremes(samples), intent)
        seen[is_calm] += 1
        if is_calm:
            assert [one.judge(sample, intent) for sample in samples] == [""] * len(samples)
            for sample in samples[-REMEMBERED:]:
                assert other.judge(sample, intent) == ""
            assert [one.judge(each, intent) for each in after] == [
                other.judge(each, intent) for each in after
            ]
    assert min(seen.values()) > 3, seen


@pytest.mark.parametrize("name", ["cell opened", "circuit open"])
def test_a_doubt_is_over_after_what_a_calm_interlock_remembers(name: str):
    """One miss, a long time with current, then every other one: no sooner an opening than without
    the first."""
    one, other = interlock(name), interlock(name)
    miss, flows = charging(99, amps=0.0), [*map(charging, range(100, 120))]
    after = [charging(120, amps=0.0), charging(121), charging(122, amps=0.0)]
    for rule, seen in ((one, flows), (other, flows[-REMEMBERED:])):
        assert [rule.judge(sample, CHARGING) for sample in (miss, *seen, *after)].count("") == (
            len(seen) + 4
        )


def test_many_samples_at_once_are_judged_as_one_after_the_other():
    """Whatever part of them is clear, and whichever interlock trips first; any number at once."""
    tripped, at_once = set(), 0
    for seed in range(300):
        random = Random(f"panel/{seed}")
        intent = far(random, random.choice([*MAKE]))
        samples = drawn(random, intent, 60, 100, random.choice((0.0, 0.01, 0.05)))
        one, other = make_panel(LIMITS, CHANNELS), make_panel(LIMITS, CHANNELS)
        verdicts = [one.judge(sample, intent) for sample in samples]
        assert other.judge(samples[0], intent) == verdicts[0]
        at = 1
        while at < len(samples) and verdicts[at - 1].trip is None:
            some = samples[at : at + random.randint(1, 30)]
            clear = other.judge_each(some, intent)
            at, at_once = at + clear, at_once + clear
            if at < len(samples):
                assert other.judge(samples[at], intent) == verdicts[at]
                at += 1
        tripped.add(verdicts[-1].trip.interlock if verdicts[-1].trip else "")
    assert len(tripped) > 6, tripped
    assert at_once > 1000


def test_the_first_trip_counts_wherever_it_stands_among_the_interlocks():
    """A later one of the same samples, of an interlock that is asked afterwards, is not told."""
    samples = [charging(100 + number, host=WELL) for number in range(20)]
    samples[5] = samples[5]._replace(voltage_v=4.3)
    samples[10] = samples[10]._replace(late_ns=3 * S)
    panel = make_panel(LIMITS, CHANNELS)
    panel.judge(charging(99, host=WELL), CHARGING)
    assert panel.judge_each(samples, CHARGING) == 5
    trip = panel.judge(samples[5], CHARGING).trip
    assert trip is not None
    assert (trip.interlock, trip.at_ns) == ("voltage high", samples[5].at_ns)


def test_leads_explain_no_more_than_the_least_current_drops_in_them():
    """0.2 V between supply and meter: at 2.5 A the leads' drop, at 0.1 A a fault."""
    is_calm = interlock("voltages disagree").calm
    assert is_calm is not None
    strong, weak = (charging(100, 3.9, amps, supply_v=4.1) for amps in (2.5, 0.1))
    assert is_calm(*extremes([strong]), CHARGING)
    assert not is_calm(*extremes([strong, weak]), CHARGING)


def test_the_extremes_of_many_samples_are_those_of_each_value():
    """At the time of the last one: of readings' times the greatest and the least age there was, a
    value that is the sample's own time as new as the last, and no number where one is none."""
    first = sample(10, 3.75, amps=1.0, room_at_ns=4 * S, tab_c=NAN, contactor_closed=OFF)
    last = sample(12, 3.5, amps=2.0, room_at_ns=11 * S, contactor_closed=ON)
    least, most = extremes([first, last])
    assert (least.at_ns, most.at_ns) == (12 * S, 12 * S)
    assert (least.voltage_v, most.voltage_v) == (3.5, 3.75)
    assert (least.voltage_at_ns, most.voltage_at_ns) == (12 * S, 12 * S)
    assert (least.current_a, most.current_a) == (1.0, 2.0)
    assert (least.room_at_ns, most.room_at_ns) == (6 * S, 11 * S)
    assert [one.tab_c == one.tab_c for one in (least, most)] == [False, False]
    for name in set(Sample._fields) - {"faults", "host", "tab_c"}:
        values = sorted((getattr(first, name), getattr(last, name)))
        if not name.endswith("_at_ns") and name != "at_ns":
            assert [getattr(least, name), getattr(most, name)] == values, name


@pytest.mark.parametrize(
    ("intent", "least_a", "most_a", "is_calm"),
    [
        (CHARGING, 0.0, 51.0, True),
        (CHARGING, 0.0, 51.25, False),
        (DISCHARGING, -51.0, -49.0, True),
        (DISCHARGING, -51.25, -50.0, False),
        (DISCHARGING, -50.0, -48.75, False),
        (RESTS, -51.25, 51.25, True),
    ],
)
def test_a_current_within_two_per_cent_of_the_fixed_one_is_calm(intent, least_a, most_a, is_calm):
    """Of 50 A, to the edge; a charge may take less. One that is set anew each sample never is."""
    asked = intent._replace(drive=intent.drive._replace(current_a=50.0))
    least, most = sample(9, amps=least_a), sample(9, amps=most_a)
    assert current_follows(least, most, asked) is is_calm
    if intent is DISCHARGING:
        power = asked._replace(drive=asked.drive._replace(held=Held.POWER))
        assert power.drive.is_trimmed
        assert not current_follows(least, most, power)


def test_a_current_beyond_what_reads_as_none_is_calm():
    """The way that is driven, beyond that way's own zero; at rest nothing is asked."""
    is_calm = current_flows(CHANNELS)
    in_a, out_a = CHANNELS.zero_a(Direction.CHARGE), CHANNELS.zero_a(Direction.DISCHARGE)
    for intent, beyond, none in (
        (CHARGING, sample(9, amps=2.0 * in_a), sample(9, amps=in_a)),
        (DISCHARGING, sample(9, amps=-2.0 * out_a), sample(9, amps=-out_a)),
    ):
        assert is_calm(beyond, beyond, intent)
        assert not is_calm(none, none, intent)
        least, most = sorted((beyond, none), key=lambda one: one.current_a)
        assert not is_calm(least, most, intent)
    assert is_calm(sample(9), sample(9), RESTS)


def test_many_samples_are_judged_at_once_only_where_nothing_is_news():
    """Not before the first was judged by itself, not where the computer says something else, and
    not right after a fault."""
    samples = [charging(100 + number, host=WELL) for number in range(5)]
    panel = make_panel(LIMITS, CHANNELS)
    assert panel.judge_each(samples, CHARGING) == 0
    panel.judge(charging(99, host=WELL), CHARGING)
    assert panel.judge_each([], CHARGING) == 0
    assert panel.judge_each([one._replace(host=Host()) for one in samples], CHARGING) == 0
    assert panel.judge_each(samples, CHARGING) == 5
    fault = Fault(FaultKind.NO_REPLY, "supply", "voltage", "late")
    panel.judge(charging(105, host=WELL, faults=(fault,)), CHARGING)
    assert panel.judge_each([charging(106, host=WELL)], CHARGING) == 0

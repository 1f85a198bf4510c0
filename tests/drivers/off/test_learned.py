"""What a run teaches about its bench: zeros, the contact, shared leads, voltages under current."""

from math import isnan, nan

import pytest

from drivers.off.learned import Learned
from sequencer.documents.bench import Wiring
from sequencer.documents.safing import AnswerPart, Ask, Safed, SafingLink, SafingPlan
from sequencer.vocabulary.sample import OFF, ON, Sample

S = 1_000_000_000
WIRED = {
    "charge": "psu",
    "discharge": "eload",
    "voltage": {"by": "dmm"},
    "lead resistance": "40 mOhm",
    "supply sense": "two-wire",
    "load sense": "two-wire",
    "shared leads": "yes",
}


def wiring(**changes):
    """Supply and load on one pair of leads, a meter at the cell."""
    given = WIRED | {key.replace("_", " "): value for key, value in changes.items()}
    return Wiring.model_validate({key: value for key, value in given.items() if value is not None})


def instrument(name, role, **given):
    """Something that reads voltage and current."""
    ask = Ask("?", "x", (AnswerPart("voltage", "voltage"), AnswerPart("current", "current")))
    return Safed(name, (role,), SafingLink("tcp", name, 1), asks=(ask,), offset_v=0.002, **given)


PLAN = SafingPlan(
    "desk",
    (
        instrument("psu", "charge", visible_a=0.020),
        instrument("eload", "discharge", visible_a=0.006),
        instrument("dmm", "voltage"),
    ),
    3.0,
)


def at(second, volts=3.7, amps=0.0, *, drop=0.040, closed=ON, **changes):
    """A sample: supply or load drives ``amps``; both see the drop of the shared leads."""
    now = round(second * S)
    there = volts + drop * amps
    whole = {
        "voltage_v": volts,
        "voltage_at_ns": now,
        "current_a": amps,
        "current_at_ns": now,
        "supply_v": there,
        "supply_a": max(amps, 0.0),
        "supply_at_ns": now,
        "load_v": there,
        "load_a": max(-amps, 0.0),
        "load_at_ns": now,
        "supply_on": ON if amps > 0 else OFF,
        "load_on": ON if amps < 0 else OFF,
        "contactor_closed": closed,
        "contactor_at_ns": now,
    }
    return Sample(now, **(whole | changes))


def learned(*samples, drives=(), plan=PLAN, **changes):
    """What these rests, and then these samples under current of the supply, teach."""
    one = Learned(wiring(**changes), plan)
    for sample in samples:
        one.rest(sample)
    for sample in drives:
        one.drive(sample, "psu" if sample.current_a > 0 else "eload", is_on=True)
    return one


def by_name(plan):
    """The instruments of a plan."""
    return {one.name: one for one in plan.instruments}


def test_zeros_are_the_first_readings_with_everything_off():
    """Sixteen at most, never later ones, and none of an output that says that it is on."""
    first = [at(n, supply_a=0.010, load_a=-0.002) for n in range(1, 17)]
    later = [at(20, supply_a=1.0), at(21, supply_a=1.0)]
    told = by_name(learned(*first, *later).told(PLAN))
    assert (told["psu"].zero_a, told["eload"].zero_a) == (
        pytest.approx(0.010),
        pytest.approx(-0.002),
    )
    assert by_name(learned(at(1, supply_on=ON, supply_a=1.0)).told(PLAN))["psu"].zero_a is None
    assert by_name(learned(at(1, supply_a=nan)).told(PLAN))["psu"].zero_a is None


def test_an_output_that_comes_on_by_itself_at_rest_does_not_become_the_zero():
    """After something was driven no zero is taken any more."""
    one = learned(at(1), drives=[at(2, amps=1.0)])
    one.rest(at(30, supply_a=0.015))
    assert by_name(one.told(PLAN))["psu"].zero_a == 0.0


@pytest.mark.parametrize(
    ("open_v", "closed_v", "is_seen"),
    [(0.0, 3.7, True), (3.7, 3.7, False), (0.0, 0.0, False), (3.5, 3.7, False)],
)
def test_a_contact_counts_once_a_terminal_was_seen_to_part_and_to_join(open_v, closed_v, is_seen):
    """Open it must read another voltage than the cell, closed the same."""
    both = {"supply_v", "load_v"}
    samples = [
        at(1, closed=OFF, **dict.fromkeys(both, open_v)),
        at(2, closed=OFF, **dict.fromkeys(both, open_v)),
        at(3, closed=ON, **dict.fromkeys(both, closed_v)),
    ]
    assert learned(*samples, contactor="k").told(PLAN).contact_seen is is_seen


def test_a_reading_from_before_the_contact_moved_tells_nothing_of_it():
    """What is idle is read every other second: its old voltage is not that of the new state."""
    old = {"supply_at_ns": S, "load_at_ns": S}
    parted = at(1, closed=OFF, supply_v=0.0, load_v=0.0)
    assert not learned(parted, at(2, **old), contactor="k").told(PLAN).contact_seen
    assert learned(parted, at(2), contactor="k").told(PLAN).contact_seen


def test_a_terminal_with_its_output_on_tells_nothing_of_the_contact():
    """It reads what it drives."""
    driven = at(1, closed=OFF, supply_v=4.2, load_v=4.2, supply_on=ON)
    assert not learned(driven, at(2), contactor="k").told(PLAN).contact_seen


def test_a_terminal_that_cannot_see_the_cell_tells_nothing_of_the_contact():
    """A relay of its own reads zero with the contact welded."""
    blind = PLAN._replace(
        instruments=tuple(one._replace(sees_cell=False) for one in PLAN.instruments)
    )
    parted = at(1, closed=OFF, supply_v=0.0, load_v=0.0)
    assert not learned(parted, at(2), plan=blind, contactor="k").told(blind).contact_seen


RESTS = [at(n / 2, volts=3.7, load_v=3.703, supply_v=3.701) for n in range(1, 9)]


def test_shared_leads_get_their_zero_at_rest_and_their_resistance_under_current():
    """The least of the stated and the measured resistance bounds the current, the largest accuses;
    a tenth is taken off and added."""
    steady = [at(10 + n, amps=1.0, drop=0.030, load_v=3.703 + 0.030) for n in range(8)]
    (load,) = [one for one in learned(*RESTS, drives=steady).told(PLAN).leads if one.far == "eload"]
    assert (load.near, load.zero_v, load.at_v) == ("dmm", pytest.approx(0.003), 3.7)
    assert (load.ohm, load.most_ohm) == (pytest.approx(0.030 * 0.9), pytest.approx(0.040 * 1.1))


def test_a_supply_that_reads_half_of_its_current_makes_no_bound_smaller():
    """Then the leads seem to have twice their resistance; the stated one stands."""
    steady = [at(10 + n, amps=0.5, load_v=3.703 + 0.040) for n in range(8)]
    (load,) = [one for one in learned(*RESTS, drives=steady).told(PLAN).leads if one.far == "eload"]
    assert load.ohm == pytest.approx(0.040 * 0.9)


@pytest.mark.parametrize(
    ("changes", "far"),
    [
        ({}, ["psu", "eload"]),
        ({"shared_leads": None}, []),
        ({"shared_leads": "no"}, []),
        ({"supply_sense": "four-wire"}, ["eload"]),
        ({"voltage": {"by": "dmm", "sense": "two-wire"}}, []),
        ({"voltage": {"by": "psu"}}, []),
    ],
)
def test_only_two_voltmeters_at_the_two_ends_of_shared_leads_show_a_drop(changes, far):
    """The far one senses where the leads begin, the near one at the cell."""
    assert [one.far for one in learned(*RESTS, **changes).told(PLAN).leads] == far


def test_few_rests_and_unknown_leads_are_no_witness():
    """Four readings at least, and a resistance from somewhere."""
    assert learned(*RESTS[:3]).told(PLAN).leads == ()
    assert learned(*RESTS, lead_resistance=None).told(PLAN).leads == ()


def test_rests_soon_after_current_are_no_zero_of_the_leads():
    """The cell relaxes while the two are read one after the other."""
    one = learned(drives=[at(1, amps=1.0)])
    for sample in [at(n, load_v=3.75) for n in range(2, 8)]:
        one.rest(sample)
    assert one.told(PLAN).leads == ()


def test_what_a_voltage_read_under_current_is_kept_until_off_was_seen():
    """With the resistance that it saw when the current was switched on; not of the driver."""
    one = learned(at(1), drives=[at(2, volts=3.75, amps=1.0)])
    told = by_name(one.told(PLAN))
    assert told["psu"].before is None
    before = told["dmm"].before
    assert before is not None
    assert (before.volts, before.amps, before.ohm) == (3.75, 1.0, pytest.approx(0.05))
    assert one.told(PLAN).driver == "psu"
    one.forget()
    assert one.before() == {}


WRONG_SIGN = {"current_a": 1.0, "load_a": -1.0}


@pytest.mark.parametrize(
    ("changes", "ammeter", "amps"),
    [
        (WRONG_SIGN, None, -1.0),
        (WRONG_SIGN | {"current_a": 1.1, "supply_a": 0.1}, None, 1.1),
        (WRONG_SIGN, {"by": "shunt", "lead": "positive"}, 1.0),
        ({}, None, -1.0),
    ],
)
def test_what_a_load_alone_tells_is_taken_out_whatever_its_sign(changes, ammeter, amps):
    """Not so where something else adds to it, or an ammeter tells it: then it may be charged."""
    one = learned(at(1), current=ammeter)
    one.drive(at(2, volts=3.65, amps=-1.0, **changes), "eload", is_on=True)
    assert one.before()["dmm"].amps == amps
    fits = one.explains_off(at(4, volts=3.70), round(3 * S))
    assert fits is (amps < 0.0)


def test_a_lead_drop_under_a_load_of_the_wrong_sign_shows_the_same_resistance():
    """What the idle terminal reads is of the current that flows."""
    told = []
    for signs in ({}, WRONG_SIGN):
        one = learned(*(at(second) for second in range(20)))
        for second in range(20, 28):
            one.drive(at(second, amps=-1.0, **signs), "eload", is_on=True)
        told.append(one.told(PLAN).leads)
    assert told[0] == told[1] != ()


def test_a_supply_is_believed_its_sign():
    """One that has failed can draw."""
    one = learned(at(1))
    one.drive(at(2, volts=3.75, amps=1.0, current_a=-1.0, supply_a=-1.0), "psu", is_on=True)
    assert one.before()["dmm"].amps == -1.0
    assert one.explains_off(at(4, volts=3.70), round(3 * S)) is False


def test_a_step_across_a_contact_that_closed_tells_no_resistance_of_the_far_voltages():
    """They changed because the contact closed."""
    one = learned(at(1, closed=OFF), drives=[at(2, volts=3.75, amps=1.0)], contactor="k")
    assert {name: isnan(one_before.ohm) for name, one_before in one.before().items()} == {
        "dmm": False
    }


def test_an_output_that_went_off_by_itself_teaches_nothing():
    """Nor does one that is on without current: a lead that opened leaves no step to see."""
    one = learned(at(1))
    one.drive(at(2, amps=1.0), "psu", is_on=False)
    assert one.before() == {}
    one.drive(at(3, amps=1.0), "psu", is_on=True)
    one.drive(at(4, amps=0.001), "psu", is_on=True)
    assert one.before() == {}


def test_what_was_read_under_one_output_tells_nothing_of_the_next():
    """A load that is told to go on and says that it is off: the step of the charge before it is not
    its own (its bound was 0.375 A while 1.5 A flowed)."""
    one = learned(at(20), drives=(at(21, 3.72, 1.0), at(22, 3.72, 1.0)))
    assert one.before()
    one.rest(at(23))
    one.drive(at(24), "eload", is_on=False)
    assert one.driver == "eload"
    assert one.before() == {}


def test_whether_new_voltages_fit_off():
    """None while there is none newer than the command."""
    one = learned(at(1), drives=[at(2, volts=3.75, amps=1.0)])
    assert one.explains_off(at(3, volts=3.70), 2 * S) is True
    assert one.explains_off(at(3, volts=3.75), 2 * S) is False
    assert one.explains_off(at(3, volts=3.70), 3 * S) is None


@pytest.mark.parametrize(("warm_c", "fits"), [(25.78, True), (8.0, False), (nan, False)])
def test_a_cell_that_has_warmed_steps_by_less_at_off(warm_c, fits):
    """As read on the served bench in a cold room at 1.5 C: half the step of switching on.
    Where the cell has not warmed, or nobody knows, so small a step contradicts."""
    learned = Learned(wiring(), PLAN)
    learned.rest(at(0, 3.977, surface_c=8.13))
    learned.drive(at(1, 3.977 - 0.2724, -4.504, surface_c=8.13), "eload", is_on=True)
    learned.drive(at(2100, 2.997, -4.504, surface_c=warm_c), "eload", is_on=True)
    assert learned.explains_off(at(2101, 3.137), 2100 * S) is fits
    assert learned.explains_off(at(2101, 2.997), 2100 * S) is False


def test_the_zero_of_an_ammeter_is_taken_too():
    """Of one in series with the cell, by its own name."""
    ammeter = instrument("shunt", "current", visible_a=0.001)
    plan = PLAN._replace(instruments=(*PLAN.instruments, ammeter))
    one = learned(at(1, current_a=0.0004), plan=plan, current={"by": "shunt"})
    assert by_name(one.told(plan))["shunt"].zero_a == pytest.approx(0.0004)


def test_a_small_current_measures_no_lead_resistance():
    """Twenty times what can be told from zero, or the noise would be the resistance."""
    small = [at(10 + n, amps=0.3, drop=0.100, load_v=3.703 + 0.030) for n in range(8)]
    (load,) = [one for one in learned(*RESTS, drives=small).told(PLAN).leads if one.far == "eload"]
    assert load.ohm == pytest.approx(0.040 * 0.9)


def test_a_meter_that_is_not_in_the_plan_is_no_end_of_the_leads():
    """Nothing is known of its errors."""
    plan = PLAN._replace(instruments=PLAN.instruments[:2])
    assert learned(*RESTS, plan=plan).told(plan).leads == ()


def test_what_was_seen_of_the_contact_stays_seen():
    """One parting and one joining are enough."""
    parted = at(1, closed=OFF, supply_v=0.0, load_v=0.0)
    one = learned(parted, at(2), at(3, supply_v=0.0, load_v=0.0), contactor="k")
    assert one.told(PLAN).contact_seen


@pytest.mark.parametrize(
    ("missing", "names"), [("charge", {"dmm", "eload"}), ("discharge", {"dmm", "psu"})]
)
def test_a_bench_without_supply_or_load_has_the_other_channels(missing, names):
    """Nothing is read of what is not there."""
    one = Learned(wiring(**{missing: None}), PLAN)
    one.rest(at(1))
    one.drive(at(2, volts=3.75, amps=1.0), "nobody", is_on=True)
    assert set(one.before()) == names

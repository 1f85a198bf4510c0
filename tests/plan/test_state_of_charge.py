"""To a state of charge: what is planned, what is counted, what is refused, how far off it may be.

Numbers by hand, on the cell of round numbers: 2 Ah, so that 1 % is 20 mAh.
"""

import re
from math import isnan, nan
from typing import Any

import pytest

from sequencer.feasibility import charge_count
from sequencer.plan.against_cell import find_breaches
from sequencer.plan.counted_charge import (
    NOTHING_COUNTED,
    ChargeAccount,
    ChargeMoved,
    Measuring,
    Reference,
    account_from,
    plain_account,
)
from sequencer.plan.foreseen_charge import REPEATED, adjustments
from sequencer.plan.step import PlannedStep, Stop, StopKind
from sequencer.vocabulary.commands import Direction, Drive
from sequencer.vocabulary.faults import DocumentError
from sequencer.vocabulary.measuring_channels import Channel, MeasuringChannels
from tests.plan.documents import CELL, loaded, plan, profile

FULL = "{step: charge, current: 0.5 C, voltage: recommended, termination current: 0.05 C}"
EMPTY = "{step: discharge, current: 0.5 C, cut-off voltage: recommended}"
REST = "{step: rest, for: 10 min}"
PULSE = "{step: pulse, direction: discharge, current: 1 C, for: 10 s}"
HALF = "{step: adjust state of charge, to: 50 %}"
MEASURED = (FULL, REST, EMPTY, REST)
BENCH: Any = (None, {})
GAIN = MeasuringChannels(
    supply_a=Channel(True, gain=0.01, offset=0.0), load_a=Channel(True, gain=0.002, offset=0.0)
)


def steps(*written: str) -> str:
    """A list of steps as YAML."""
    return "\n".join(f"- {one}" for one in written)


def test_down_or_up_and_never_beyond_a_recommended_voltage():
    """Down leaves up out; the estimates are of the rated capacity."""
    *_, down, up = list(plan(steps(*MEASURED, FULL, HALF)))
    assert down.drive == Drive(Direction.DISCHARGE, 1.0, 3.0)
    assert down.stops == (
        Stop(StopKind.CHARGE, 1.0, leaves_out=1, state_of_charge=0.5),
        Stop(StopKind.VOLTAGE_BELOW, 3.0, 2),
    )
    assert up.drive == Drive(Direction.CHARGE, 1.0, 4.2)
    assert up.stops == (
        Stop(StopKind.CHARGE, 1.0, state_of_charge=0.5),
        Stop(StopKind.VOLTAGE_ABOVE, 4.2, 2),
    )
    assert down.sentence == (
        "Discharge at 1.00 A (0.5 C) until the count has come to 50 % of the capacity or the "
        "voltage has fallen to 3.000 V (skipped at 50 % or below)"
    )


@pytest.mark.parametrize(
    "before",
    [
        (*MEASURED, FULL),
        MEASURED,
        (*MEASURED, FULL, PULSE, REST),
        (*MEASURED, FULL, HALF, PULSE),
        (f"{{step: repeat, times: 3, steps: [{FULL}, {REST}, {EMPTY}, {REST}]}}",),
        (*MEASURED, FULL, PULSE, EMPTY),
        (FULL, "{step: discharge, current: 0.5 C, until charge: 0.5 Ah}", REST, EMPTY),
    ],
)
def test_what_may_be_counted(before):
    """From full or empty, also with something moved since."""
    assert find_breaches(profile(steps(*before, HALF)), CELL) == []


NOT_MEASURED = "is a share of the capacity that the run itself measures, and no step before it does"
NOT_KNOWN = "is counted from a full cell, or from one as empty as where its capacity was measured"


@pytest.mark.parametrize(
    ("before", "why"),
    [
        ((), NOT_MEASURED),
        ((FULL,), NOT_MEASURED),
        ((EMPTY, FULL), NOT_MEASURED),
        ((FULL.replace("0.05 C", "0.2 C"), EMPTY, FULL), NOT_MEASURED),
        ((FULL.replace("recommended", "4.1 V"), EMPTY, FULL), NOT_MEASURED),
        ((FULL.replace("}", ", for: 2 h}"), EMPTY, FULL), NOT_MEASURED),
        ((FULL, EMPTY.replace("0.5 C", "1 C"), FULL), NOT_MEASURED),
        ((FULL, EMPTY.replace("recommended", "3.2 V"), FULL), NOT_MEASURED),
        ((FULL, EMPTY.replace("}", ", for: 1 h}"), FULL), NOT_MEASURED),
        ((FULL, PULSE, PULSE.replace("discharge", "charge"), EMPTY, FULL), NOT_MEASURED),
        (("{step: charge, current: 0.5 C, until voltage: recommended}", EMPTY), NOT_MEASURED),
    ],
)
def test_what_cannot_be_counted_is_refused(before, why):
    """With place, rule and what to do."""
    (breach,) = find_breaches(loaded(steps(*before, HALF)).document, CELL)
    assert breach.path == ("steps", len(before), "to")
    assert why in breach.message
    assert "let a charge to 4.20 V" in breach.message


def test_a_loop_that_breaks_off_leaves_the_cell_nowhere():
    """Its cut-off ends it within a pass."""
    loop = (
        "{step: repeat, times: 20, until: {cut-off voltage: recommended}, steps: "
        "[{step: discharge, current: 0.2 C, until charge: 0.2 Ah}]}"
    )
    (breach,) = find_breaches(profile(steps(*MEASURED, FULL, loop, HALF)), CELL)
    assert NOT_KNOWN in breach.message


@pytest.mark.parametrize("to", ["0 %", "100 %"])
def test_what_the_step_does_not_take(to):
    """A share inside the cell."""
    with pytest.raises(DocumentError, match=re.escape("must be above 0 % and below 100 %")):
        loaded(steps(FULL, f"{{step: adjust state of charge, to: {to}}}"))


# -- how far off

WARMER = 0.05 * 1000 / 3600 * 0.05 * 5
"""What 0.05 C leaves out of the cell for a time constant of 1000 s, 5 % a K, and 5 K."""


@pytest.mark.parametrize(
    ("written", "points"),
    [
        # 50 % out at 0.2 %, 50 % of the capacity at 0.2 %
        ((*MEASURED, FULL, HALF), 0.5 * 0.002 + 0.5 * 0.002 + WARMER),
        # 50 % in at 1 % and 1 % not stored, and the capacity
        ((*MEASURED, HALF), 0.5 * 0.01 + 0.5 * 0.01 + 0.5 * 0.002),
        # 10 s at 2 A are 5.6 mAh out of 2 Ah; as much may have to be put in again
        (
            (*MEASURED, FULL, HALF, PULSE, HALF),
            (0.5 + 1 / 360) * 0.002 + 0.5 * 0.002 + 1 / 360 * 0.02 + WARMER,
        ),
    ],
)
def test_how_far_off_a_count_may_be(written, points):
    """By hand."""
    document = profile(steps(*written))
    last = adjustments(document, CELL)[-1]
    limits = plan(steps(*written)).limits
    assert last.known.error(last.to, GAIN, limits) == pytest.approx(points + REPEATED, rel=1e-6)


def test_offsets_count_for_as_long_as_current_flows():
    """10 mA: an hour of 1 A out (1 h), of a cell that gives half its rating, and 0.5 of 10 mA/1 A
    of its capacity: 0.01 + 0.005."""
    document = profile(steps(*MEASURED, FULL, HALF))
    bench = MeasuringChannels(load_a=Channel(True, offset=0.01))
    (one,) = adjustments(document, CELL)
    limits = plan(steps(*MEASURED, FULL, HALF)).limits
    assert one.known.error(0.5, bench, limits) == pytest.approx(0.015 + WARMER + REPEATED)


def test_another_end_of_the_charge_counts():
    """From 0.1 C to 0.05 C: 0.05 C for 1000 s are 1.4 % of the cell. In another warmth 0.1 C
    leaves out twice of what 0.05 C does."""
    written = (FULL.replace("0.05", "0.1"), EMPTY, FULL, HALF)
    (one,) = adjustments(profile(steps(*written)), CELL)
    limits = plan(steps(*written)).limits
    assert one.known.error(0.5, MeasuringChannels(), limits) == pytest.approx(
        0.05 * 1000 / 3600 + 2 * WARMER + REPEATED
    )


def test_repeats_add_up_until_they_are_refused(monkeypatch):
    """Sixty times some 5 % out and in again through 1 % + 0.2 % + 1 %: more than 3 %."""
    body = "[{step: discharge, current: 0.5 C, until charge: 0.1 Ah}, " + HALF + "]"
    few, many = (
        profile(steps(*MEASURED, FULL, HALF, f"{{step: repeat, times: {times}, steps: {body}}}"))
        for times in (3, 60)
    )
    monkeypatch.setattr(charge_count, "channels_of_bench", lambda *_: GAIN)
    assert list(charge_count.breaches(few, CELL, *BENCH)) == []
    assert [one.words for one in charge_count.findings(few, CELL, GAIN)] == [
        "50 % of the measured capacity within 1.1 % of the capacity."
    ]
    (breach, *_) = charge_count.breaches(many, CELL, *BENCH)
    assert breach.message.startswith("state of charge 50 % may be off by ")
    assert breach.path == ("steps", 6, "steps", 1, "to")


def test_what_cannot_be_counted_is_off_by_nothing_on_any_bench(monkeypatch):
    """What refuses it says why; how far off it may be is not told, and nothing is divided by."""
    monkeypatch.setattr(charge_count, "channels_of_bench", lambda *_: GAIN)
    for before in ((), (FULL,), (EMPTY,), (REST, EMPTY, REST)):
        nowhere = profile(steps(*before, HALF))
        assert list(charge_count.breaches(nowhere, CELL, *BENCH)) == []
        assert [*charge_count.findings(nowhere, CELL, GAIN)] == []


# -- what a run counts

LIMITS = plan(steps(*MEASURED, FULL, HALF)).limits
PLANNED = list(plan(steps(*MEASURED, FULL, HALF)))
CHARGING, RESTING, OUT, DOWN, UP = PLANNED[0], PLANNED[1], PLANNED[2], PLANNED[-2], PLANNED[-1]


def end(
    step: PlannedStep, into: float = 0.0, out: float = 0.0, crossed: float = 0.0, *, paused=False
) -> ChargeMoved:
    """Its first stop ended it; ``crossed``: what had flowed out by then, where that was less."""
    return ChargeMoved(step.stops[0], into, out, crossed or out, paused)


def after(*went: tuple[PlannedStep, ChargeMoved]) -> ChargeAccount:
    """What is counted after these."""
    account = NOTHING_COUNTED
    for step, ended in went:
        account = account.after(step, ended, LIMITS)
    return account


WHOLE = (CHARGING, end(CHARGING, into=1.0)), (OUT, end(OUT, out=1.8))


def test_a_run_counts_in_shares_of_what_it_measured():
    """1.8 Ah, not the rated 2 Ah: half of it is 0.9 Ah."""
    empty = after(*WHOLE)
    assert (empty.capacity_ah, empty.share) == (1.8, 0.0)
    full = empty.after(CHARGING, end(CHARGING, into=1.82), LIMITS)
    assert full.share == 1.0
    down = full.resolved(DOWN)
    assert [stop.value for stop in down.stops] == [pytest.approx(0.9), 3.0]
    assert down.sentence.endswith("; 0.900 Ah of 1.800 Ah, from 100.0 %")
    assert [stop.value for stop in full.resolved(UP).stops] == [0.0, 4.2]
    half = full.after(DOWN, end(DOWN, out=0.9), LIMITS)
    assert half.share == pytest.approx(0.5)


def test_what_flows_behind_the_cut_off_is_counted_too():
    """10 mAh more until the current was off."""
    beyond = after(WHOLE[0], (OUT, end(OUT, out=1.81, crossed=1.8)))
    assert beyond.capacity_ah == 1.8
    assert beyond.share == pytest.approx(-0.01 / 1.8)


def test_what_was_interrupted_is_no_capacity():
    """Nor does the one before it hold any longer."""
    paused = after(*WHOLE, WHOLE[0], (OUT, end(OUT, out=1.8, paused=True)))
    assert paused.capacity_ah == 0.0
    assert isnan(paused.share)
    assert "has measured that in one go" in paused.lacks(DOWN, 2.0)


def test_a_cell_far_below_its_rating_is_not_counted():
    """Less than half."""
    poor = after(WHOLE[0], (OUT, end(OUT, out=0.9)))
    assert "0.900 Ah were measured, less than 1.000 Ah" in poor.lacks(DOWN, 2.0)
    assert not poor.lacks(OUT, 2.0)


def test_an_interrupted_run_does_not_know_where_the_cell_is():
    """Until it is full again."""
    lost = after(*WHOLE).interrupted()
    assert "is not known" in lost.lacks(UP, 2.0)
    assert lost.resolved(UP) == UP
    again = lost.after(CHARGING, end(CHARGING, into=0.3), LIMITS)
    assert (again.share, again.lacks(UP, 2.0)) == (1.0, "")


def test_what_is_no_number_is_not_counted():
    """A current that was never read: neither a capacity nor a state of charge follows."""
    known = after(*WHOLE)
    for lost in (known._replace(capacity_ah=nan), known._replace(net_ah=nan)):
        assert "cannot be brought to 50 %" in lost.lacks(UP, 2.0)


def test_a_slower_discharge_ends_emptier():
    """At 0.25 C the cell is emptier at the same cut-off than where it was measured."""
    slow = OUT._replace(drive=OUT.drive._replace(current_a=0.5))
    full = after(*WHOLE, (CHARGING, end(CHARGING, into=1.8)), (DOWN, end(DOWN, out=0.9)))
    up = full.after(UP, end(UP, into=0.1), LIMITS)
    went = up.after(slow, end(slow, out=1.05), LIMITS)
    assert went.reference is Reference.FULL
    assert went.share == pytest.approx(1.0 - (0.9 - 0.1 + 1.05) / 1.8)
    alike = up.after(OUT, end(OUT, out=1.0), LIMITS)
    assert (alike.reference, alike.share) == (Reference.EMPTY, 0.0)


def test_what_pulses_took_out_of_the_full_cell_is_part_of_its_capacity():
    """0.05 Ah before the discharge, and 1.75 Ah by it."""
    pulsed = after(WHOLE[0], (DOWN, end(DOWN, out=0.05)), (OUT, end(OUT, out=1.75)))
    assert pulsed.capacity_ah == pytest.approx(1.8)
    assert (pulsed.measuring.step, pulsed.since) == (OUT.number, OUT.number)


def test_what_was_charged_between_adds_up_and_makes_it_no_capacity():
    """Twice 0.1 Ah in since the cell was full: none was measured, whatever came in last."""
    between = (UP, end(UP, into=0.1)), (UP, end(UP, into=0.1))
    account = after(WHOLE[0], (DOWN, end(DOWN, out=0.3)), *between)
    assert account.charged_ah == pytest.approx(0.2)
    assert account.net_ah == pytest.approx(-0.1)
    assert account.after(OUT, end(OUT, out=1.7), LIMITS).capacity_ah == 0.0


@pytest.mark.parametrize(
    ("share", "cut_off_v", "is_like"),
    [(1.0, 3.0, True), (1.099, 3.0, True), (1.101, 3.0, False), (0.91, 3.0, True),
     (0.9, 3.0, False), (1.0, 3.0009, True), (1.0, 2.9991, True), (1.0, 3.0011, False),
     (1.0, 2.9989, False)],
)  # fmt: skip
def test_which_discharge_leaves_the_cell_as_empty(share, cut_off_v, is_like):
    """Within a tenth of the current and a millivolt of the cut-off (our choice)."""
    amps = share * OUT.drive.current_a
    other = OUT._replace(drive=OUT.drive._replace(current_a=amps))
    by = Measuring(OUT.drive.current_a, 3.0)
    assert by.is_like(other, OUT.stops[0]._replace(value=cut_off_v)) is is_like


@pytest.mark.parametrize(("share", "moves"), [(0.5055, True), (0.5045, False), (0.4955, False)])
def test_a_cell_that_is_near_enough_is_left_alone(share, moves):
    """Within 0.5 % of its capacity (our choice)."""
    account = ChargeAccount(2.0, Measuring(1.0, 3.0), Reference.EMPTY, 2.0 * share)
    assert (account.resolved(DOWN).stops[0].value > 0.0) is moves


def test_rests_and_what_is_skipped_count_nothing():
    """Nothing flows."""
    full = after(*WHOLE, WHOLE[0])
    assert full.after(RESTING, end(RESTING), LIMITS) == full
    skipped = ChargeMoved(OUT.stops[0], 0.0, 0.0, 0.0, False, is_skipped=True)
    assert full.after(OUT, skipped, LIMITS) == full


def test_an_account_comes_back_from_a_record():
    """Through plain data; nothing counted is nothing kept."""
    account = ChargeAccount(1.8, Measuring(1.0, 3.0), Reference.FULL, -0.2, 0.1)
    assert account_from(plain_account(account)) == account
    assert plain_account(NOTHING_COUNTED) is None
    assert account_from(None) == NOTHING_COUNTED

"""Discharges that hold something else than their current: the drive, the words, what is refused."""

import pytest

from sequencer.machine.stops import is_already_met
from sequencer.plan.step import Stop, StopKind
from sequencer.vocabulary.commands import Direction, Drive, Held
from sequencer.vocabulary.faults import DocumentError
from tests.builders import sample
from tests.feasibility.benches import findings, with_capability
from tests.feasibility.test_against_bench import breaches
from tests.plan.documents import loaded, plan, told

OUT = Direction.DISCHARGE
POWER = "- {step: discharge, power: 6 W, cut-off voltage: recommended}"


def test_a_power_is_a_drive_whose_most_current_is_at_the_cut_off():
    """6 W at 3.0 V is 2 A; at 4.2 V it is 1.43 A, which bounds the time: 2 Ah and 30 %."""
    (step,) = plan(POWER)
    assert step.drive == Drive(OUT, 2.0, 3.0, Held.POWER, 6.0)
    assert step.words == "CP discharge"
    assert step.sentence == (
        "Discharge at 6.0 W at the cell (up to 2.00 A) until the voltage has fallen to 3.000 V"
    )
    assert step.bound_s == pytest.approx(2.0 * 1.3 / (6.0 / 4.2) * 3600 + 300)


def test_a_resistance_is_a_drive_whose_most_current_is_that_of_a_full_cell():
    """2 Ohm at 4.2 V are 2.1 A; at 3.0 V 1.5 A, which bounds the time."""
    (step,) = plan("- {step: discharge, resistance: 2 Ohm, cut-off voltage: 3 V}")
    assert step.drive == Drive(OUT, 2.1, 3.0, Held.RESISTANCE, 2.0)
    assert step.words == "CR discharge"
    assert step.sentence == (
        "Discharge at 2.00 Ohm at the cell (up to 2.10 A) until the voltage has fallen to 3.000 V"
    )
    assert step.bound_s == pytest.approx(2.0 * 1.3 / 1.5 * 3600 + 300)


@pytest.mark.parametrize(
    ("fine", "beyond", "message"),
    [
        (
            "- {step: discharge, current: 1 A, cut-off voltage: 3 V, termination current: 0.9 A}",
            "- {step: discharge, current: 1 A, cut-off voltage: 3 V, termination current: 1 A}",
            (
                "termination current 1.00 A is not below the discharge current of 1.00 A"
                " <profile: steps / 0 / current>"
            ),
        ),
        (  # 4.2 V / 525 mOhm = 8 A
            "- {step: discharge, resistance: 525 mOhm, for: 1 min}",
            "- {step: discharge, resistance: 500 mOhm, for: 1 min}",
            (
                "discharge current 8.40 A (0.500 Ohm at 4.200 V) is above the cell's absolute"
                " limit of 8.00 A <cell: absolute / discharge current>"
            ),
        ),
        (  # 24 W at 3.0 V are the 8 A of the cell
            "- {step: discharge, power: 24 W, for: 1 min}",
            "- {step: discharge, power: 25 W, for: 1 min}",
            (
                "discharge current 8.33 A (25.0 W at 3.000 V) is above the cell's absolute limit of"
                " 8.00 A <cell: absolute / discharge current>"
            ),
        ),
    ],
)
def test_the_most_current_is_compared_with_the_cells_limit(fine, beyond, message):
    """The number at the limit passes, the next one does not, and says where the current is from."""
    assert told(fine) == []
    assert [line.partition(": ")[2] for line in told(beyond)] == [message]


def test_the_load_must_have_the_current_at_both_ends_and_the_power():
    """At the cut-off the most, at a full cell the least."""
    assert breaches(POWER) == []
    amps = "[{{low: {}, high: {}, resolution: 1 mA, accuracy: {{offset: 1 mA}}}}]"
    short = with_capability("load", "set current", amps.format("0 A", "1.9 A"))
    assert [one.message for one in breaches(POWER, load=short)] == [
        "discharge current 2.00 A (6.0 W at 3.000 V) is beyond load, which can set at most 1.90 A"
    ]
    coarse = with_capability("load", "set current", amps.format("1.5 A", "9 A"))
    assert [one.message for one in breaches(POWER, load=coarse)] == [
        "discharge current 2.00 A (6.0 W at 3.000 V) is beyond load, which can set 1.50 A at least"
    ]


TAIL = """
- step: discharge
  current: 0.5 C
  cut-off voltage: 3 V
  termination current: 0.05 C
  for: 3 h
"""


def test_a_termination_current_makes_a_second_step_that_holds_the_cut_off():
    """0.5 V at 1 C of 2 Ah are 0.25 Ohm; what else ends the first leaves the second out."""
    first, second = plan(TAIL)
    assert (first.words, second.words) == ("CC discharge", "CV discharge")
    assert first.drive == Drive(OUT, 1.0, 3.0)
    assert [stop.leaves_out for stop in first.stops] == [0, 1]
    assert second.drive == Drive(OUT, 1.0, 3.0, Held.VOLTAGE, 0.25)
    assert second.drive.held_value == 3.0
    assert second.stops == (Stop(StopKind.CURRENT_BELOW, 0.1, 3, lasts_s=10.0),)
    assert second.sentence == (
        "Hold 3.000 V, at most 1.00 A, until the current has fallen to 0.100 A"
    )
    assert not second.bound_s < 3000 * 2.302


def test_a_cell_that_rests_at_its_cut_off_has_nothing_to_hold():
    """Neither step begins."""
    for step in plan(TAIL):
        assert is_already_met(step, sample(9, 2.99)) is not None
        assert is_already_met(step, sample(9, 3.01)) is None


def test_a_termination_current_that_reads_as_none_is_told_beforehand():
    """The shipped load may read 7 mA with nothing flowing (``test_below_resolution``)."""

    def unseen(steps: str) -> list[str]:
        return [line for line in findings(steps) if "cannot be told from an open" in line]

    assert len(unseen(TAIL.replace("0.05 C", "19 mA"))) == 1
    assert unseen(TAIL.replace("0.05 C", "20 mA")) == []


@pytest.mark.parametrize(
    ("keys", "rule"),
    [
        ("cut-off voltage: 3 V", "holds one thing: give 'current', 'power' or 'resistance'"),
        ("resistance: 1 Ohm, power: 6 W, for: 1 min", "a discharge holds one thing"),
        ("resistance: 0 Ohm, for: 1 min", "must be above zero"),
        ("power: 6 W, current: 1 A, for: 1 min", "a discharge holds one thing"),
        ("power: 6 W", "this discharge has no stop"),
        (
            "power: 6 W, cut-off voltage: 3 V, termination current: 0.1 A",
            "termination current '0.1 A': needs 'current' and 'cut-off voltage' beside it",
        ),
        (
            "current: 1 A, for: 1 h, termination current: 0.1 A",
            "termination current '0.1 A': needs 'current' and 'cut-off voltage' beside it",
        ),
        ("power: 0 W, for: 1 min", "must be above zero"),
        ("power: 6 A, for: 1 min", "unit A is not one for a power"),
        ("power: each rate, for: 1 min", "not a power"),
    ],
)
def test_a_discharge_that_holds_nothing_or_too_much_is_refused_where_it_stands(keys, rule):
    """Place, rule and value."""
    with pytest.raises(DocumentError) as refused:
        loaded(f"- {{step: discharge, {keys}}}")
    assert rule in str(refused.value)

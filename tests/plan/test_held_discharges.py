"""Discharges that hold something else than their current: the drive, the words, what is refused."""

import pytest

from sequencer.vocabulary.commands import Direction, Drive, Held
from sequencer.vocabulary.faults import DocumentError
from tests.feasibility.benches import with_capability
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


@pytest.mark.parametrize(
    ("keys", "rule"),
    [
        ("cut-off voltage: 3 V", "holds one thing: give 'current', 'power' or 'resistance'"),
        ("resistance: 1 Ohm, power: 6 W, for: 1 min", "a discharge holds one thing"),
        ("resistance: 0 Ohm, for: 1 min", "must be above zero"),
        ("power: 6 W, current: 1 A, for: 1 min", "a discharge holds one thing"),
        ("power: 6 W", "this discharge has no stop"),
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

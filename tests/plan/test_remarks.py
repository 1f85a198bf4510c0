"""What is allowed and told all the same."""

from sequencer.plan.remarks import remarks
from tests.plan.documents import CELL, cell, profile

FLAT = cell().model_copy(update={"chemistry": "LFP"})


def test_a_current_above_the_recommended_one_is_named_once_a_place():
    """Charges, discharges and pulses; the recommended current itself is nothing to tell."""
    steps = """
    - {step: charge, current: 1.2 C, until voltage: 4 V}
    - {step: discharge, current: 2 C, until charge: 10 %}
    - {step: repeat, times: 3, steps: [{step: discharge, current: 2.5 C, until charge: 10 %}]}
    - step: pulse
      direction: discharge
      levels: [{current: 1 C, for: 1 s}, {current: 6 A, for: 1 s}]
    """
    assert remarks(profile(steps), CELL) == [
        (
            "step 1: CC charge at 2.40 A is above the recommended 2.00 A "
            "(the absolute limit is 4.00 A)"
        ),
        (
            "step 3.1: CC discharge at 5.00 A is above the recommended 4.00 A "
            "(the absolute limit is 8.00 A)"
        ),
        (
            "step 4: discharge pulse at 6.00 A is above the recommended 4.00 A "
            "(the absolute limit is 8.00 A)"
        ),
    ]


def test_the_storage_voltage_of_a_flat_cell_is_told():
    """A full iron-phosphate cell that rests at its storage voltage is left full."""
    steps = "- {step: finish at storage charge}"
    assert remarks(profile(steps), CELL) == []
    (told,) = remarks(profile(steps), FLAT)
    assert told.startswith(
        "finish at storage charge: 3.800 V says next to nothing about how full a"
    )

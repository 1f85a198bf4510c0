"""A current whose sign is not the standard's is said, and nothing is told by it."""

import numpy as np
import pytest

from tests.analysis.foreign.telling import are_true, capacities, told
from tests.analysis.foreign.truth import REST, Do, carried_out, columns_of, every

WORDS = "the current's sign is doubtful: in {} of 4 steps"


@pytest.mark.parametrize("named", [True, False], ids=["steps named", "no step column"])
def test_a_record_that_counts_discharging_as_positive_tells_nothing_and_says_why(
    tmp_path, night, named
):
    """No figure of any step that charges or discharges, and the remedy."""
    logged = every(night)
    columns = columns_of(logged, night if named else ())
    columns["Current / A"] = -logged.amps
    found = told(tmp_path, columns)
    assert found.warnings[0].startswith(WORDS.format(4))
    assert "change the sign" in found.warnings[0]
    assert {one.key.partition(".")[0] for one in found.figures} <= {
        "open-circuit", "relaxed", "relaxation", "self-discharge",
    }  # fmt: skip
    assert not any("state_of_charge" in one.conditions for one in found.figures)


@pytest.mark.parametrize("named", [True, False], ids=["steps named", "no step column"])
def test_a_record_without_signs_tells_of_its_charges_alone(tmp_path, night, named):
    """Both discharges are left out and said; no capacity of them, no state of charge after them."""
    logged = every(night)
    columns = columns_of(logged, night if named else ())
    columns["Current / A"] = np.abs(logged.amps)
    found = told(tmp_path, columns)
    assert found.warnings[0].startswith(WORDS.format(2))
    assert not capacities(found)
    kept = {one.step for one in found.figures if one.key.startswith("charge-moved.")}
    assert kept == {2, 6}
    left_out = [one for one in found.excluded if "left out: by its sign" in one]
    assert [one.partition(" (")[0] for one in left_out] == ["step 4", "step 8"]
    # 1.7 % is known before the first discharge, nothing between it and the next full charge
    socs = {one.step: one.conditions.get("state_of_charge") for one in found.figures
            if one.key.startswith("resistance.start.")}  # fmt: skip
    assert set(socs) == {2, 6}
    assert socs[2] is not None
    assert socs[6] is None


@pytest.mark.parametrize("soc", [0.15, 0.4, 0.7, 0.95])
def test_a_voltage_that_recovers_in_a_smaller_discharge_is_not_doubted(tmp_path, soc):
    """Three rates down without a rest, and pulses both ways from a rest."""
    steps = carried_out(
        (
            REST,
            Do(-2.0, seconds=60.0),
            Do(-0.05, seconds=300.0),
            Do(0.5, seconds=60.0),
            REST,
            Do(-0.3, seconds=10.0),
            REST,
            Do(0.3, seconds=10.0),
            REST,
        ),
        soc=soc,
    )
    found = told(tmp_path, columns_of(every(steps, 1.0), steps))
    assert not any("doubtful" in one for one in found.warnings)


def test_a_step_of_another_name_than_its_current_is_told_by_its_current(tmp_path, night):
    """The last discharge is called a charge: said, and its capacity stands."""
    logged = every(night)
    columns = columns_of(logged, night)
    columns["Step Type"] = ["CC_CHG" if n == 8 else night[n - 1].do.word for n in logged.step]
    found = told(tmp_path, columns)
    assert are_true(found, night, 4, 8)
    assert any("it is called a charge, but its current is negative" in x for x in found.excluded)


def test_a_flat_discharge_of_the_right_sign_is_not_doubted(tmp_path):
    """Half a minute at a hundredth of a C moves the voltage by less than is looked at."""
    steps = carried_out((REST, Do(-0.01, seconds=30.0), REST), soc=0.6)
    found = told(tmp_path, columns_of(every(steps, 1.0), steps))
    assert not any("doubtful" in one for one in found.warnings)

"""Records that count steps and time in their own way: the same numbers, or a word."""

import numpy as np
import pytest

from sequencer.recording.tabulating import read_table
from sequencer.vocabulary.faults import UsageError
from tests.analysis.foreign.telling import are_true, told
from tests.analysis.foreign.truth import (
    CC,
    CCCV,
    CV,
    FAST,
    NIGHT,
    REST,
    SLOW,
    carried_out,
    columns_of,
    every,
    write,
)


def test_steps_that_are_counted_anew_in_every_cycle_stay_apart(tmp_path, night):
    """1 to 4, then 1 to 4 again: two steps of one number, and the capacity of each is its own."""
    logged = every(night)
    columns = columns_of(logged, night)
    columns["Step Count / 1"] = (logged.step - 1) % 4 + 1
    columns["Cycle Count / 1"] = (logged.step - 1) // 4 + 1
    found = told(tmp_path, columns)
    assert are_true(found, night, 4, 8)
    assert [round(one.conditions["rate_c"], 3) for one in found.figures
            if one.key.startswith("capacity.discharge.")] == [0.2, 1.0]  # fmt: skip
    assert any("step count falls back 2 times" in one for one in found.warnings)


def test_a_test_time_that_begins_anew_in_every_step_is_refused_with_a_remedy(tmp_path, night):
    """Line 182 is the first row of the second step."""
    logged = every(night)
    columns = columns_of(logged, night)
    begins = np.array([one.time_s[0] for one in night])
    columns["Test Time / s"] = logged.time_s - begins[logged.step - 1]
    with pytest.raises(UsageError, match=r"csv:182: Test Time / s falls back from 1800 to 10"):
        told(tmp_path, columns)
    columns["Unix Time / s"] = [f"{1.7e9 + one:.3f}" for one in logged.time_s]
    found = told(tmp_path, columns)
    assert are_true(found, night, 4, 8)
    assert any("Unix Time / s is used" in one for one in found.warnings)


def test_a_clock_that_falls_back_for_a_few_rows_is_damage_and_no_new_beginning(tmp_path, night):
    """Nine rows with times from the first minutes: left out and told, the rest stands."""
    logged = every(night)
    columns = columns_of(logged, night)
    times = logged.time_s.copy()
    times[2000:2009] = np.arange(5.0, 95.0, 10.0)
    columns["Test Time / s"] = times
    found = told(tmp_path, columns)
    assert any("9 damaged line(s)" in one for one in found.warnings)
    assert are_true(found, night, 4, 8, within=4e-3)


def test_a_file_with_unix_time_alone_is_read_by_it(tmp_path, night):
    """Test time counts from the first row, and that is said."""
    logged = every(night)
    columns = columns_of(logged, night)
    del columns["Test Time / s"]
    columns["Unix Time / s"] = [f"{1.7e9 + one:.3f}" for one in logged.time_s]
    found = told(tmp_path, columns)
    assert are_true(found, night, 4, 8)
    assert any("counted from the first Unix Time" in one for one in found.warnings)
    table = read_table(tmp_path / "record.csv")
    assert table.time_s[0] == 0.0


def test_two_rates_without_a_rest_are_two_steps_although_nobody_counted(tmp_path):
    """1 C to the cut-off and 0.2 C on; then 1 C half way and 0.2 C on, which is no capacity of
    either."""
    half = FAST._replace(until_v=3.6)
    steps = carried_out((REST, CCCV, REST, FAST, SLOW, REST, CCCV, REST, half, SLOW, REST))
    logged = every(steps)
    found = told(tmp_path, columns_of(logged))
    assert are_true(found, steps, 4)
    assert told(tmp_path, columns_of(logged, steps)).figure("capacity.discharge.4").value == (
        found.figure("capacity.discharge.4").value
    )
    assert any(one.startswith("step 10") and "no capacity" in one for one in found.excluded)
    assert any(one.startswith("step 9") and "no capacity" in one for one in found.excluded)


@pytest.mark.parametrize("period_s", [10.0, 60.0])
def test_a_taper_is_not_taken_for_a_staircase(tmp_path, night, period_s):
    """However coarse: as many steps as were carried out."""
    table = read_table(write(tmp_path / "record.csv", columns_of(every(night, period_s))))
    assert sorted(table.steps) == list(range(1, len(NIGHT) + 1))


@pytest.mark.parametrize("seed", range(3))
def test_a_noise_of_20_ma_makes_no_steps(tmp_path, night, seed):
    """Rests stay rests, a taper ends once, and capacities are as without noise."""
    logged = every(night)
    rng = np.random.default_rng(seed)
    for steps in ((), night):
        columns = columns_of(logged, steps)
        columns["Current / A"] = logged.amps + rng.normal(0.0, 0.02, len(logged.amps))
        found = told(tmp_path, columns)
        assert are_true(found, night, 4, 8, within=4e-3)
        assert len(read_table(tmp_path / "record.csv").steps) == len(NIGHT)


def test_a_charge_in_two_steps_is_read_as_steps(tmp_path):
    """Constant current and constant voltage under numbers of their own fill the cell too."""
    steps = carried_out((REST, CC, CV, REST, SLOW, REST))
    assert are_true(told(tmp_path, columns_of(every(steps), steps)), steps, 5)

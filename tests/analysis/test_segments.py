"""What may be integrated: edges, skewed clocks, gaps, holes, nonsense, and what is said of them."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.analysis import results
from sequencer.analysis.integrals import running
from sequencer.analysis.segments import segments
from sequencer.analysis.usable_rows import usable_rows
from sequencer.vocabulary.table import StepName
from tests.analysis import pretending
from tests.analysis.journaled import step_end
from tests.analysis.pretending import discharge, plain, pulse, ran, rest, steady

NAN = float("nan")


def split(table, **more):
    """The segments of a table."""
    return list(segments(results.Tested(table, **more)))


def night(*, ours: bool):
    """Rest, 100 s at 2 A, rest, 10 s at 4 A, rest; the voltage tells which step a reading is of."""
    parts = [
        rest(60.0, 4.0),
        discharge(2.0, 100.0, steady(3.6)),
        rest(60.0, 3.9),
        pulse("discharge", 4.0, pretending.every(0.1, 10.0), steady(3.5)),
        rest(60.0, 3.85),
    ]
    return ran(parts, ours=ours)


@pytest.mark.parametrize("ours", [True, False], ids=["readings before the edge", "after the edge"])
def test_each_step_gets_its_own_charge(ours):
    """Whichever way a recorder writes an edge: 200 C and 40 C, less one interval where the first
    sample of a step comes after its edge, for nobody recorded what flowed before it."""
    found = list(segments(night(ours=ours)))
    lost = (0.0, 0.0) if ours else (2.0, 0.4)
    for number, coulombs, less in ((1, 200.0, lost[0]), (3, 40.0, lost[1])):
        assert running(found[number]).whole().ah * 3600 == pytest.approx(coulombs - less)
        assert set(found[number].voltage_v) == {3.6 if number == 1 else 3.5}
    assert [one.kind for one in found] == ["rest", "discharge", "rest", "discharge", "rest"]


def test_what_was_before_an_edge_is_kept_beside_it():
    """The last reading of the rest, and no current."""
    found = list(segments(night(ours=True)))
    assert (found[3].before_v, found[3].before_a) == (3.9, 0.0)
    assert found[3].begins_inside
    assert found[3].time_s[0] == pytest.approx(220.0)
    assert (found[4].before_v, found[4].before_a) == (3.5, -4.0)


def test_skewed_readings_are_brought_to_common_times():
    """A voltage of 1 V/s read 0.3 s after the current: energy as if both were read at once.

    I = 1 + t, V = 3 + t from 0 to 10 s: the integral is 3 t + 2 t^2 + t^3 / 3 (closed form)."""
    ticks = np.arange(0.0, 12.0, 0.1)
    table = plain(ticks, 3.0 + ticks + 0.03, -(1.0 + ticks), np.ones(120), {})
    table = replace(table, voltage_time_s=ticks + 0.03, steps={1: StepName("discharge", "")})
    whole = running(split(table)[0]).whole()
    stop = float(table.voltage_time_s[-1])

    def energy(t):
        return 3.0 * t + 2.0 * t**2 + t**3 / 3.0

    # the first voltage is at 0.03 s; the last current is held for the last 0.03 s
    assert whole.wh * 3600 == pytest.approx(energy(stop) - energy(0.03), rel=5e-4)
    unskewed = running(split(replace(table, voltage_time_s=ticks))[0]).whole()
    assert abs(unskewed.wh * 3600 - (energy(11.9) - energy(0.0))) > 1.0


def test_skew_does_not_smear_an_edge():
    """The current is read 0.04 s after the voltage, and the jump between stays a jump."""
    base = night(ours=True)
    skewed = replace(base.table, current_time_s=base.table.time_s + 0.04)
    found = list(segments(replace(base, table=skewed)))
    assert set(found[1].current_a) == {-2.0}
    assert running(found[1]).whole().ah * 3600 == pytest.approx(200.0, rel=1e-3)


def test_a_gap_counts_as_what_may_have_flowed_and_is_said():
    """42 s without rows in a step of 1 s samples, and no journal: from nothing to 2 A."""
    base = night(ours=True).table
    keep = (base.time_s < 90.0) | (base.time_s > 130.0)
    columns = ["time_s", "voltage_v", "current_a", "voltage_time_s", "current_time_s"]
    columns += ["step", "cycle", "surface_c", "tab_c", "room_c"]
    table = replace(base, **{name: getattr(base, name)[keep] for name in columns})
    found = split(table)[1]
    assert found.gaps == ((89.0, 131.0, -2.0, 0.0),)
    assert "a gap of 42 s at 89 s is counted as 0 to 2 A" in found.troubles
    whole = running(found).whole()
    assert whole.ah * 3600 == pytest.approx(2.0 * (100.0 - 42.0) + 42.0)
    assert whole.open_ah * 3600 == pytest.approx(42.0)
    assert whole.open_wh * 3600 == pytest.approx(42.0 * 3.6)
    assert whole.bridged_hours == pytest.approx(42.0 / 3600.0)


def test_a_gap_in_a_commanded_current_is_known_to_what_the_readings_are_off():
    """2.01 A was read where 2 A was commanded: 42 s of 2.00 to 2.02 A."""
    base = night(ours=True)
    table = base.table
    keep = (table.time_s < 90.0) | (table.time_s > 130.0)
    names = ["time_s", "voltage_v", "current_a", "voltage_time_s", "current_time_s"]
    names += ["step", "cycle", "surface_c", "tab_c", "room_c"]
    kept = replace(table, **{name: getattr(table, name)[keep] for name in names})
    kept = replace(kept, current_a=kept.current_a * 1.005)
    whole = running(split(kept, step_ends=base.step_ends)[1]).whole()
    assert whole.ah * 3600 == pytest.approx(201.0)
    assert whole.open_ah * 3600 == pytest.approx(42.0 * 0.01)


def test_rows_lost_at_an_edge_are_held_until_the_journals_time():
    """The last 30 s of a discharge and the first 20 s of the rest are lost: 200 C all the same."""
    base = night(ours=True)
    ends = {n: replace(end, ended_s=t) for (n, end), t in zip(
        base.step_ends.items(), (60.0, 160.0, 220.0, 230.0, 290.0), strict=True)}  # fmt: skip
    table = base.table
    keep = (table.time_s < 130.0) | (table.time_s > 180.0)
    names = ["time_s", "voltage_v", "current_a", "voltage_time_s", "current_time_s"]
    names += ["step", "cycle", "surface_c", "tab_c", "room_c"]
    kept = replace(table, **{name: getattr(table, name)[keep] for name in names})
    found = split(kept, step_ends=ends)[1]
    assert running(found).whole().ah * 3600 == pytest.approx(200.0)
    assert found.voltage_v[-1] == 3.0, "the cut-off that the journal says ended it"


def test_a_row_that_is_written_twice_counts_once_and_is_said():
    """Also at an edge, where the second copy would be taken for the step's own reading."""
    base = night(ours=True)
    table = base.table
    rows = np.sort(np.concatenate((np.arange(len(table)), np.flatnonzero(np.diff(table.step)) + 1)))
    names = ["time_s", "voltage_v", "current_a", "voltage_time_s", "current_time_s"]
    names += ["step", "cycle", "surface_c", "tab_c", "room_c"]
    again = replace(table, **{name: getattr(table, name)[rows] for name in names})
    once = usable_rows(replace(base, table=again))
    assert len(once.table) == len(table)
    assert any("4 rows that repeat" in trouble for trouble in once.table.troubles)


def test_readings_that_are_missing_for_long_are_a_gap_and_single_ones_are_not():
    """Every third voltage is missing: interpolated. A minute of them is missing: a gap
    of which nobody knows what flowed."""
    base = night(ours=True).table
    volts = base.voltage_v.copy()
    volts[70:150:3] = np.nan
    found = split(replace(base, voltage_v=volts))[1]
    assert not found.gaps
    assert running(found).whole().ah * 3600 == pytest.approx(200.0)
    volts[90:140] = np.nan
    found = split(replace(base, voltage_v=volts))[1]
    assert len(found.gaps) == 1
    assert any("no usable reading" in trouble for trouble in found.troubles)
    whole = running(found).whole()
    assert whole.ah * 3600 == pytest.approx(2.0 * 75.0, abs=6.0)
    assert whole.open_ah * 3600 == pytest.approx(2.0 * 25.0, abs=3.0)


def test_a_channel_that_is_missing_altogether_is_said():
    """All NaN: an empty segment with words, and no exception."""
    base = night(ours=True).table
    for name, word in (("voltage_v", "no voltage"), ("current_a", "no current")):
        found = split(replace(base, **{name: np.full(len(base), np.nan)}))[1]
        assert len(found) == 0
        assert any(word in trouble for trouble in found.troubles)


def test_time_that_does_not_rise_is_left_out_and_said():
    """A clock that was set back for two samples."""
    base = night(ours=True).table
    times = base.time_s.copy()
    times[100:102] = times[90:92]
    table = replace(base, time_s=times, voltage_time_s=times, current_time_s=times)
    found = split(table)[1]
    assert "2 samples whose time does not rise are left out" in found.troubles
    assert running(found).whole().ah * 3600 == pytest.approx(200.0)


def test_what_is_recorded_after_an_output_went_off_is_not_the_step():
    """A trip after 40 s: the samples that follow within the step carry nothing and do not count."""
    time_s = np.arange(0.0, 100.0)
    amps = np.where(time_s < 40.0, -2.0, -0.001)
    volts = np.where(time_s < 40.0, 3.6, 3.8)
    table = plain(time_s, volts, amps, np.ones(100), {1: StepName("discharge", "")})
    found = split(table)[0]
    assert found.time_s[-1] == 39.0
    assert running(found).whole().ah * 3600 == pytest.approx(78.0)


def test_a_current_that_nothing_reads_after_a_trip_is_not_carried_on():
    """A load that was lost in a burst of 0.3 s; the voltmeter goes on for as long as one looks."""
    time_s = np.concatenate(([0.0, 10.0, 10.1, 10.2, 10.3, 10.4], np.arange(12.0, 40.0)))
    amps = np.concatenate(([0.0, 0.0, -7.5, -7.5, -7.5], np.full(len(time_s) - 5, NAN)))
    volts = np.concatenate(([4.18, 4.18], np.full(4, 3.91), np.full(len(time_s) - 6, 4.17)))
    step = np.where(time_s < 10.0, 1, 2)
    names = {1: StepName("rest", "rest"), 2: StepName("discharge", "discharge pulse")}
    tripped = results.RunEvent(10.4, "trip", "instrument fault: load: link lost")
    more = {"step_ends": {1: step_end(1, "Rest", "time")}, "events": (tripped,)}
    burst = split(plain(time_s, volts, amps, step, names), **more)[1]
    assert burst.duration_s == pytest.approx(0.4)
    assert burst.voltage_v[-1] == 3.91
    assert split(plain(time_s, volts, amps, step, names))[1].duration_s > 0.4


def test_a_taper_is_not_taken_for_an_output_that_went_off():
    """A charge that falls to a fiftieth keeps all its samples."""
    time_s = np.arange(0.0, 4000.0)
    table = plain(time_s, np.full(4000, 4.2), 2.0 * np.exp(-time_s / 1000), np.ones(4000), {})
    assert len(split(table)[0]) == 4000
    assert split(table)[0].kind == "charge"


def test_the_row_of_a_recorders_changeover_is_no_step():
    """Step 0 is what comes before the first; elsewhere step 0 may be a step, with a name."""
    table = plain([0.0, 1.0, 2.0], [3.7] * 3, [0.0] * 3, [0, 1, 1], {1: StepName("rest", "rest")})
    assert [one.step for one in split(table)] == [1]
    named = replace(table, steps={**table.steps, 0: StepName("rest", "first")})
    assert [one.step for one in split(named)] == [0, 1]


def test_empty_tables_and_single_rows_say_so():
    """Nothing gives nothing; one row gives an empty segment and a reason."""
    assert split(plain([], [], [], [], {})) == []
    found = split(plain([0.0], [3.7], [0.0], [1], {}))
    assert len(found[0]) == 0
    assert found[0].troubles


def test_a_kind_that_was_not_recorded_is_told_by_the_current():
    """By the sign of the mean."""
    for amps, kind in ((1.0, "charge"), (-1.0, "discharge"), (0.001, "rest")):
        table = plain(np.arange(9.0), np.full(9, 3.7), np.full(9, amps), np.ones(9), {})
        assert split(table)[0].kind == kind


def test_the_journals_word_goes_with_the_step():
    """Sentence and label are at hand; a step that the journal does not know is without."""
    end = step_end(2, "Discharge at 2.00 A (1 C)", "time 1 h", label="mine")
    found = split(night(ours=True).table, step_ends={2: end})
    assert (found[1].label, found[1].sentence) == ("mine", "Discharge at 2.00 A (1 C)")
    assert found[2].end is None
    assert found[2].has_journal


@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=60, deadline=None)
def test_nothing_in_a_table_raises(seed):
    """Any mixture of NaN, infinity, repeated times and step numbers: segments without NaN, whose
    times rise."""
    rng = np.random.default_rng(seed)
    rows = int(rng.integers(0, 60))

    def column():
        values = rng.normal(0.0, 3.0, rows)
        values[rng.random(rows) < 0.3] = rng.choice([np.nan, np.inf, -np.inf, 0.0])
        return values

    steps = np.sort(rng.integers(0, 5, rows))
    time_s = np.sort(rng.uniform(0.0, 100.0, rows))
    table = plain(time_s, column(), column(), steps, {1: StepName("charge", "")})
    table = replace(table, voltage_time_s=time_s + 0.01 * column(), current_time_s=column())
    for found in split(table):
        assert np.isfinite(found.time_s).all()
        assert np.isfinite(found.voltage_v).all()
        assert np.isfinite(found.current_a).all()
        assert (np.diff(found.time_s) > 0).all()
        running(found).whole()

"""Rows that lie as a logger wrote them: coarse, at no edge, few in a hold; cells of every size."""

import numpy as np
import pytest

from sequencer.analysis import results
from sequencer.analysis.analyse import analyse
from sequencer.recording.tabulating import read_table
from tests.analysis.foreign.telling import are_true, capacities, told, value
from tests.analysis.foreign.truth import (
    CC,
    CCCV,
    CV,
    FAST,
    NIGHT,
    R0_AH,
    R1_AH,
    REST,
    SLOW,
    TAU_S,
    Do,
    Logged,
    by_change,
    carried_out,
    columns_of,
    every,
)


def resistance(rated_ah: float, after_s: float) -> float:
    """What the equations say after a step of current (Ohm), the curve's slope left out."""
    return (R0_AH + R1_AH * (1.0 - np.exp(-after_s / TAU_S))) / rated_ah


@pytest.mark.parametrize("period_s", [1.0, 10.0, 60.0, 300.0])
def test_a_row_at_the_end_of_every_step_shows_where_the_next_one_began(tmp_path, night, period_s):
    """The first row of a step comes a whole period after its edge: up to a tenth of a discharge at
    1 C. Resistances count from the edge too."""
    found = told(tmp_path, columns_of(every(night, period_s), night))
    assert are_true(found, night, 4, 8)
    assert value(found, "capacity.charge.6") == pytest.approx(night[5].ah, rel=2e-3)
    assert value(found, "efficiency.coulombic.4") == pytest.approx(1.0, abs=2e-3)
    if period_s <= 10.0:
        measured = value(found, "resistance.recovery.3.10s")
        assert measured == pytest.approx(resistance(3.0, 10.0), rel=0.01)


def on_one_grid(steps, period_s: float, phase_s: float) -> Logged:
    """A logger that knows nothing of steps: a row each period, whatever happens."""
    times = np.concatenate([one.time_s[1:] for one in steps])
    volts = np.concatenate([one.volts[1:] for one in steps])
    amps = np.concatenate([one.amps[1:] for one in steps])
    number = np.repeat(np.arange(1, len(steps) + 1), [len(one.time_s) - 1 for one in steps])
    places = np.searchsorted(times, np.arange(phase_s, times[-1], period_s))
    return Logged(times[places], volts[places], amps[places], number[places])


@pytest.mark.parametrize("phase_s", [3.0, 21.0, 44.0, 58.0])
def test_a_logger_with_a_clock_of_its_own_errs_by_no_more_than_is_said(tmp_path, night, phase_s):
    """Rows each minute: what flowed in a discharge of an hour is open by a minute at each end."""
    logged = on_one_grid(night, 60.0, phase_s)
    found = told(tmp_path, columns_of(logged, night))
    for step in (4, 8):
        figure = found.figure(f"charge-moved.discharge.{step}")
        share = figure.conditions["unseen_share"]
        assert figure.value == pytest.approx(night[step - 1].ah, rel=share)
        assert share <= 61.0 / (night[step - 1].time_s[-1] - night[step - 1].time_s[0])


@pytest.mark.parametrize(("longest_s", "within"), [(120.0, 1e-3), (300.0, 2e-3), (600.0, 3e-3)])
def test_few_rows_in_a_hold_are_no_gaps(tmp_path, night, longest_s, within):
    """A row each 5 mV: hundreds while the voltage rises, three or more while it is held."""
    found = told(tmp_path, columns_of(by_change(night, 0.005, longest_s), night))
    assert are_true(found, night, 4, 8)
    figure = found.figure("capacity.charge.6")
    assert figure.value == pytest.approx(night[5].ah, rel=within)
    assert abs(figure.value - night[5].ah) <= figure.conditions["unseen_share"] * night[5].ah
    assert not any("a gap" in one for one in found.excluded)


def test_one_row_in_a_hold_is_a_gap_and_tells_no_efficiency(tmp_path, night):
    """Half an hour between rows of a hold of less than an hour: said; both discharges stand."""
    found = told(tmp_path, columns_of(by_change(night, 0.005, 1800.0), night))
    assert are_true(found, night, 4, 8)
    assert found.figure("capacity.charge.6") is None
    assert found.figure("efficiency.coulombic.4") is None
    assert any("no efficiency" in x and "not recorded" in x for x in found.excluded)


@pytest.mark.parametrize("period_s", [10.0, 60.0])
def test_constant_current_and_constant_voltage_under_two_numbers_are_one_charge(tmp_path, period_s):
    """The same parts, the same share and the same efficiency as of one step."""
    apart = carried_out((REST, CC, CV, REST, SLOW, REST, CC, CV, REST))
    found = told(tmp_path, columns_of(every(apart, period_s), apart))
    put = apart[6].ah + apart[7].ah
    assert value(found, "capacity.charge.7") == pytest.approx(put, rel=1e-3)
    assert value(found, "cv-charge.7") == pytest.approx(apart[7].ah, rel=5e-3)
    assert value(found, "efficiency.coulombic.5") == pytest.approx(apart[4].ah / put, rel=1e-3)
    assert found.figure("charge-moved.charge.7").label == "Charge put in, CC_CHG and CV_CHG"


@pytest.mark.parametrize("named", [True, False], ids=["steps named", "no step column"])
@pytest.mark.parametrize("rated_ah", [0.005, 3.0, 200.0])
def test_a_cell_of_any_size_tells_the_same(tmp_path, rated_ah, named):
    """5 mAh to 200 Ah: every capacity, as many resistances, mean voltages too."""
    steps = carried_out(NIGHT, rated_ah)
    columns = columns_of(every(steps), steps if named else ())
    found = told(tmp_path, columns, rated_ah=rated_ah)
    assert are_true(found, steps, 4, 8)
    measured = value(found, "resistance.recovery.3.10s")
    assert measured == pytest.approx(resistance(rated_ah, 10.0), rel=0.01)
    assert len([x for x in found.figures if x.key.startswith("resistance.")]) == 15
    mean = value(found, "mean-voltage.discharge.8")
    assert mean == pytest.approx(steps[7].wh / steps[7].ah, rel=1e-3)


def mixed(steps) -> Logged:
    """A row a second in short steps, one a minute in the others."""
    parts = [every([one], 1.0 if one.do.seconds < 100.0 else 60.0) for one in steps]
    number = np.repeat(np.arange(1, len(steps) + 1), [len(part.time_s) for part in parts])
    times, volts, amps, _ = (np.concatenate(x) for x in zip(*parts, strict=True))
    return Logged(times, volts, amps, number)


@pytest.mark.parametrize("named", [True, False], ids=["steps named", "no step column"])
def test_a_small_pulse_in_a_long_rest_is_a_pulse_and_costs_no_capacity(tmp_path, named):
    """0.1 C for 10 s, hours of rest on both sides, rows a minute apart there."""
    rest = REST._replace(seconds=3 * 3600.0)
    pulse = Do(-0.1, seconds=10.0, word="pulse")
    steps = carried_out((REST, CCCV, rest, pulse, rest, pulse, rest, SLOW, REST))
    found = told(tmp_path, columns_of(mixed(steps), steps if named else ()))
    assert are_true(found, steps, 8)
    flags = found.figure("capacity.discharge.8").flags
    assert any("took out 1.7 mAh besides" in flag for flag in flags)
    for step in (4, 6):
        measured = value(found, f"resistance.pulse.{step}.10s")
        assert measured == pytest.approx(resistance(3.0, 10.0), rel=0.02)


def test_a_pulse_between_two_rows_is_said(tmp_path):
    """10 s between rows a minute apart: one reading alone."""
    pulse = Do(-0.1, seconds=10.0, word="pulse")
    steps = carried_out((REST, CCCV, REST, pulse, REST, SLOW, REST))
    found = told(tmp_path, columns_of(every(steps, 60.0), steps))
    assert any(one.startswith("step 4 (pulse): one sample alone") for one in found.excluded)
    assert are_true(found, steps, 6)


def test_discharges_in_parts_are_no_capacity(tmp_path):
    """Four times a tenth, with rests: no capacity with a cell document or without, and why."""
    part = SLOW._replace(seconds=1800.0, until_v=np.nan)
    steps = carried_out((REST, CCCV, REST, *(part, REST) * 4))
    for has_cell in (True, False):
        found = told(tmp_path, columns_of(every(steps), steps), has_cell=has_cell)
        assert not capacities(found)
        assert len([x for x in found.excluded if "no capacity: it did not" in x]) == 4
        assert value(found, "charge-moved.discharge.8") == pytest.approx(0.3, rel=3e-3)


def test_a_discharge_that_nobody_calls_complete_is_said_to_be_so(tmp_path):
    """Half a discharge, no cell document: a number down to where it ended, with a word."""
    part = SLOW._replace(seconds=9000.0, until_v=np.nan)
    steps = carried_out((REST, CCCV, REST, part, REST))
    found = told(tmp_path, columns_of(every(steps), steps), has_cell=False)
    flags = found.figure("capacity.discharge.4").flags
    assert any("no document says that 3.73 V is a cut-off" in flag for flag in flags)
    assert "3.73 V" in found.figure("capacity.discharge.4").label


@pytest.mark.parametrize("rate", [FAST, SLOW])
def test_a_discharge_to_the_cut_off_without_a_document_is_whole(tmp_path, rate):
    """The lowest voltage of the record is taken as the cut-off."""
    steps = carried_out((REST, CCCV, REST, rate, REST))
    found = told(tmp_path, columns_of(every(steps), steps), has_cell=False)
    assert are_true(found, steps, 4, within=3e-3)


def test_nothing_of_this_touches_a_record_with_a_journal(night, tmp_path):
    """The pattern of rows is looked for only where no journal tells."""
    from sequencer.analysis.segments import segments
    from tests.analysis.pretending import ends_of, rest

    table = read_table_of(tmp_path, night)
    ends = ends_of([rest(1800.0, 3.7)] * len(night))
    for one in segments(results.Tested(table, step_ends=ends)):
        assert np.isnan(one.open_s).all()
        assert one.coarse == ()
    assert analyse(results.Tested(table)).figures


def read_table_of(path, steps):
    """The table of the night's record."""
    from tests.analysis.foreign.truth import write

    return read_table(write(path / "record.csv", columns_of(every(steps), steps)))

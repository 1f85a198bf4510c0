"""Sums of the journal and of the record are set beside the samples, and never used."""

from dataclasses import replace

import numpy as np
import pytest

from sequencer.analysis import results
from sequencer.analysis.analyse import analyse
from sequencer.vocabulary.table import StepName
from tests.analysis.journaled import step_end
from tests.analysis.pretending import cell, ran
from tests.analysis.test_analyse import empty, full, value


def test_sums_that_do_not_agree_are_warned_of_and_not_used():
    """The journal says 2.0 Ah where the samples add up to 2.5."""
    given_ = ran([*full(), *empty()], cell=cell())
    end = replace(given_.step_ends[3], charge_out_ah=2.0, energy_out_wh=8.75)
    found = analyse(replace(given_, step_ends={**given_.step_ends, 3: end}))
    assert any("the journal says 2 Ah" in words for words in found.warnings)
    assert not any("Wh" in words for words in found.warnings)
    assert value(found, "capacity.discharge.3") == pytest.approx(2.5, rel=1e-3)


@pytest.mark.parametrize(("record_ah", "is_told"), [(2.5, False), (2.0, True), (np.nan, False)])
def test_the_record_s_own_sums_are_set_beside(record_ah, is_told):
    """Where the current ended the record's sum has its highest value; NaN tells nothing."""
    given_ = ran([*full(), *empty()], cell=cell())
    table = given_.table
    ah = np.full(len(table), 9.9)
    ah[table.step == 3] = record_ah
    labels = ("Step Discharging Capacity / Ah", "Step Charging Capacity / Ah")
    energies = ("Step Discharging Energy / Wh", "Step Charging Energy / Wh")
    gone = np.full(len(table), np.nan)
    channels = {labels[0]: ah, labels[1]: gone, **dict.fromkeys(energies, gone)}
    found = analyse(replace(given_, table=replace(table, channels=channels)))
    assert any("the record's own sum says 2 Ah" in words for words in found.warnings) == is_told


def _short_hold() -> results.Tested:
    """A hold of ten seconds at 2 A, a reading a second, and a rest; the journal ends it in time."""
    rows = 20
    time_s = np.arange(float(rows))
    step = np.where(time_s < 10, 1, 2)
    amps = np.where((time_s > 0) & (time_s <= 10), 2.0, 0.0)
    sums = np.where(step == 1, 2.0 * time_s / 3600, 0.0)
    gone = np.full(rows, np.nan)
    labels = {"Step Charging Capacity / Ah": sums, "Step Charging Energy / Wh": 4.0 * sums}
    others = ("Step Discharging Capacity / Ah", "Step Discharging Energy / Wh")
    table = replace(
        ran([*full(), *empty()], cell=cell()).table,
        time_s=time_s,
        voltage_v=np.full(rows, 4.0),
        current_a=amps,
        voltage_time_s=time_s,
        current_time_s=time_s,
        step=step,
        cycle=np.ones(rows, int),
        surface_c=gone,
        tab_c=gone,
        room_c=gone,
        steps={1: StepName("CV charge", "charge"), 2: StepName("rest", "rest")},
        channels={**labels, **dict.fromkeys(others, gone)},
    )
    end = step_end(
        1, "Hold", "termination current 2.0 A", (20 / 3600, 0.0, 80 / 3600, 0.0), ended_s=10.0
    )
    return results.Tested(table, cell=cell(), step_ends={1: end})


@pytest.mark.parametrize("lost_s", [0.0, 2.0], ids=["whole", "two seconds lost"])
def test_a_short_hold_is_compared_at_the_instant_of_each(lost_s: float):
    """The journal counts to the end, the rows' own sums to the row before it: neither is told of;
    two seconds that the journal has left out are."""
    given_ = _short_hold()
    end = given_.step_ends[1]
    less = 1.0 - lost_s / 10.0
    end = replace(end, charge_in_ah=end.charge_in_ah * less, energy_in_wh=end.energy_in_wh * less)
    found = analyse(replace(given_, step_ends={1: end}))
    told = [words for words in found.warnings if "the samples add up" in words]
    assert any("the journal says" in words for words in told) == (lost_s > 0.0)
    assert not any("own sum" in words for words in told)


def test_a_journal_that_ends_a_step_earlier_is_compared_there():
    """What it counts until 7 s is set beside what the samples add up to until 7 s."""
    given_ = _short_hold()
    end = replace(given_.step_ends[1], charge_in_ah=14 / 3600, energy_in_wh=56 / 3600, ended_s=7.0)
    found = analyse(replace(given_, step_ends={1: end}))
    assert not [words for words in found.warnings if "the samples add up" in words]

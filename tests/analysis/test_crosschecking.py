"""Sums of the journal and of the record are set beside the samples, and never used."""

from dataclasses import replace

import numpy as np
import pytest

from sequencer.analysis.analyse import analyse
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

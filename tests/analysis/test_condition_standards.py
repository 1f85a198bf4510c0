"""What an instrument read of the conditions is told with its own standard uncertainty."""

from math import sqrt

import pytest

from sequencer.analysis.analyse import analyse
from tests.analysis.uncertainty.benches import draw


def test_a_discharge_tells_how_well_its_conditions_are_known():
    """A thermometer good to 0.4 K (rectangular: 0.4 / sqrt(3) K, and a hundredth of rounding), a
    charge voltage and two currents by the data sheets of a drawn bench."""
    drawn = draw(3)
    found = analyse(drawn.tested).figure("capacity.discharge.5")
    assert found is not None
    standards = found.condition_standards
    assert standards["room_c"] == pytest.approx(0.4 / sqrt(3.0), rel=0.01)
    volts = drawn.tested.definitions["meter"].capabilities["measure voltage"].ranges[0]
    limit = (volts.gain * 4.2 + volts.offset) / sqrt(3.0)
    assert 0.5 * limit <= standards["charge_voltage_v"] <= 2.0 * limit + 0.001
    assert 0.0 < standards["termination_a"] < 0.05
    assert 0.0 < standards["current_a"] < 0.05
    assert "cut_off_v" not in standards  # the capacity itself carries that

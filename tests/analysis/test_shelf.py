"""A drift on the shelf: worked values, a flat curve, a thousand shelves of known truth."""

from math import inf, isinf
from pathlib import Path
from random import Random

import numpy as np
import pytest

from sequencer.analysis.shelf import ENTROPIC_V_PER_K, SLOPE_SHARE, drift
from sequencer.documents.open_circuit import OpenCircuitPoint
from sequencer.documents.simulation import SimulatedCellDocument
from sequencer.documents.specimen import Reading
from sequencer.source.loading import load

ROOT = Path(__file__).parents[2]
AH = 2.85


def curve(name: str):
    """The curve of a simulated cell that ships."""
    path = ROOT / f"sim_configs/cells/{name}-truth.yaml"
    return load(path, SimulatedCellDocument).document.open_circuit


POUCH, PHOSPHATE = curve("lamp-pouch"), curve("lfp-cylinder")


def read(volts: float, on: str, within: float = 0.0005, celsius: float | None = 20.0) -> Reading:
    """One reading."""
    return Reading.model_construct(
        voltage=volts, on=on, within=within, by="meter", temperature=celsius
    )


def at(points, share: float) -> float:
    """The voltage at that charge."""
    return float(np.interp(share, [one.at for one in points], [one.voltage for one in points]))


def test_nine_millivolts_in_118_days_of_the_demonstration_pouch():
    """9.9 mV a percent at 65 %: 9 / 9.9 = 0.909 %, of 2.85 Ah 25.9 mAh, in 2,832 h 9.15 uA (worked
    here by hand)."""
    start = at(POUCH, 0.65)
    found = drift([read(start, "2026-03-05"), read(start - 0.009, "2026-07-01")], POUCH)
    assert found.days == 118
    assert found.share == pytest.approx(0.00909, abs=2e-5)
    assert found.charge_ah(AH)[0] == pytest.approx(0.0259, abs=1e-4)
    assert found.current_a(AH)[0] == pytest.approx(9.15e-6, abs=2e-8)
    assert found.is_seen
    # 0.5 mV twice and 1 mV, rectangular: 0.71 mV; 20 % of the slope, rectangular
    assert found.lost_half_v == pytest.approx(1.96 * 0.000707, rel=0.01)
    assert found.share_half == pytest.approx(1.96 * np.hypot(0.000707 / 0.99, 0.00105), rel=0.02)


def test_on_an_iron_phosphate_plateau_nothing_can_be_told():
    """Also not of the same nine millivolts: there a millivolt is more than a percent."""
    start = at(PHOSPHATE, 0.5)
    found = drift([read(start, "2026-03-05"), read(start - 0.009, "2026-07-01")], PHOSPHATE)
    assert not found.is_seen
    assert isinf(found.wait_days)


def test_a_drift_below_its_uncertainty_says_when_to_return():
    """At the present rate the loss is above its uncertainty by then."""
    start = at(POUCH, 0.65)
    found = drift([read(start, "2026-03-05"), read(start - 0.0005, "2026-04-04")], POUCH)
    assert not found.is_seen
    assert 0 < found.wait_days < inf
    later = found.days + found.wait_days
    assert found.share * later / found.days >= found.share_half


def test_a_change_of_temperature_is_corrected_by_the_curve_s_coefficient():
    """The pouch at 15 %: -0.08 mV/K; ten kelvin warmer reads 0.8 mV less and is no loss."""
    start = at(POUCH, 0.15)
    readings = [read(start, "2026-03-05"), read(start - 0.0008, "2026-07-01", celsius=30.0)]
    assert drift(readings, POUCH).lost_v == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("readings", [[], [read(3.8, "2026-03-05")], [read(3.8, "2026-03-05")] * 2])
def test_one_reading_or_one_day_is_no_drift(readings):
    """None, never a division by nothing."""
    assert drift(readings, POUCH) is None


def test_of_a_thousand_shelves_at_least_930_have_the_truth_inside():
    """Leaks, days, temperatures, meters and cells whose slope and coefficient are not as stated."""
    chance, inside, seen = Random(11), 0, 0
    for _ in range(1000):
        share, days = chance.uniform(0.1, 0.95), chance.randint(5, 365)
        lost = min(chance.uniform(0.0, 0.0004) * days, share - 0.05)
        steeper = 1.0 + chance.uniform(-SLOPE_SHARE, SLOPE_SHARE)
        within, celsius = chance.choice((0.0002, 0.001)), chance.uniform(10.0, 30.0)
        begin = at(POUCH, share)
        entropic = float(np.interp(share, [o.at for o in POUCH], [o.entropic for o in POUCH]))
        entropic += chance.uniform(-ENTROPIC_V_PER_K, ENTROPIC_V_PER_K)
        own = chance.uniform(-0.001, 0.001)
        end = begin + own - steeper * (begin - at(POUCH, share - lost))
        end += entropic * (celsius - 20.0)
        day = np.datetime64("2026-01-01") + np.timedelta64(days, "D")
        readings = [
            read(begin + chance.uniform(-within, within), "2026-01-01", within),
            read(end + chance.uniform(-within, within), str(day), within, celsius),
        ]
        found = drift(readings, POUCH)
        inside += abs(found.share - lost) <= found.share_half
        seen += found.is_seen
    assert inside >= 930
    assert seen >= 300


def test_a_curve_is_a_list_of_points():
    """Nothing but these is asked of it."""
    flat = [OpenCircuitPoint.model_construct(at=a, voltage=3.3) for a in (0.0, 1.0)]
    found = drift([read(3.3, "2026-01-01"), read(3.3, "2026-02-01")], flat)
    assert isinf(found.wait_days)

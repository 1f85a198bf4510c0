"""What instruments show and set: resolution, range, errors within the maker's limits."""

from math import inf, isclose

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.displays import Display, SimulatedSetting
from sequencer.documents.capability import Capability


def _capability(*ranges: tuple[str, str, str], gain: str = "0.1 %", offset: str = "5 mA"):
    return Capability.model_validate(
        {
            "source": "invented",
            "ranges": [
                {
                    "low": low,
                    "high": high,
                    "resolution": resolution,
                    "accuracy": {"of reading": gain, "offset": offset},
                }
                for low, high, resolution in ranges
            ],
        }
    )


AMMETER = _capability(("0 A", "5 A", "1 mA"))


@given(st.floats(0.0, 4.9), st.integers(0, 1000))
def test_errors_stay_within_the_makers_limits(true, seed):
    """Gain, offset, noise and rounding together stay within the stated limits, for every seed."""
    shown = Display(AMMETER, seed, "load", "current", overloads=False).read(true)
    assert abs(shown - true) <= 0.001 * true + 0.005 + 0.001


@given(st.floats(0.0, 4.9))
def test_a_reading_is_a_whole_number_of_counts(true):
    """1 mA resolution shows three decimals, and the float nearest to them."""
    shown = Display(AMMETER, 1, "load", "current", overloads=False).read(true)
    assert shown == round(shown, 3)


def test_odd_resolutions_round_too():
    """A resolution of 3 mA counts in threes."""
    gauge = Display(_capability(("0 A", "5 A", "3 mA")), 1, "x", overloads=False)
    for true in (0.1, 1.0, 2.345):
        counts = gauge.read(true) / 0.003
        assert isclose(counts, round(counts), abs_tol=1e-6)


def test_beyond_the_range_it_sticks_or_overloads():
    """A supply's meter sticks at its end; a multimeter says that it cannot tell."""
    assert Display(AMMETER, 1, "x", overloads=False).read(7.0) == 5.0
    assert Display(AMMETER, 1, "x", overloads=False).read(-1.0) == 0.0
    assert Display(AMMETER, 1, "x", overloads=True).read(7.0) == inf
    assert Display(AMMETER, 1, "x", overloads=True).read(-1.0) == -inf


def test_the_finest_range_that_holds_the_value_is_used():
    """Automatic ranging: small currents on the small range."""
    both = _capability(("0 A", "0.1 A", "10 uA"), ("0 A", "5 A", "1 mA"), offset="0 A")
    gauge = Display(both, 1, "x", overloads=False)
    small = {round(gauge.read(0.05) * 1e5) % 100 for _ in range(50)}
    assert len(small - {0}) > 0
    coarse = gauge.read(2.0)
    assert coarse == round(coarse, 3)


def test_same_seed_same_readings_and_other_seed_others():
    """Errors and noise come from seed and names alone."""

    def readings(seed: int, name: str) -> list[float]:
        gauge = Display(AMMETER, seed, name, overloads=False)
        return [gauge.read(1.2345) for _ in range(1100)]

    assert readings(1, "load") == readings(1, "load")
    assert readings(1, "load") != readings(2, "load")
    assert readings(1, "load") != readings(1, "supply")


def test_noise_moves_the_last_digit():
    """A steady value is not shown as perfectly steady for ever."""
    gauge = Display(AMMETER, 1, "load", overloads=False)
    assert 1 < len({gauge.read(1.2345) for _ in range(200)}) < 6


def test_a_setting_is_quantised_and_clipped():
    """Read-back tells what was taken, as instruments do."""
    setting = SimulatedSetting(_capability(("0 A", "5 A", "10 mA")), 1, "supply")
    for wanted, shown in ((1.234, 1.23), (9.0, 5.0), (-1.0, 0.0), (0.04, 0.04)):
        setting.set(wanted)
        assert setting.shown == shown


@given(st.floats(0.0, 5.0), st.integers(0, 200))
def test_a_setting_errs_within_its_limits(wanted, seed):
    """What it brings about differs from what is set by no more than the maker allows."""
    setting = SimulatedSetting(AMMETER, seed, "supply")
    setting.set(wanted)
    assert abs(setting.true - setting.value) <= 0.001 * setting.value + 0.005


def test_a_fault_may_alter_what_is_shown():
    """The hook for faults comes last and sees what would have been shown."""
    gauge = Display(AMMETER, 1, "x", overloads=False)
    gauge.alter = lambda shown: -shown
    assert gauge.read(1.0) == pytest.approx(-1.0, abs=0.007)

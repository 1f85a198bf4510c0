"""Pulses whose voltage nobody saw, or whose current went off: nothing is told of them that was not
seen, and why stands in the report."""

from dataclasses import replace

import numpy as np
import pytest

from sequencer.analysis.analyse import analyse
from tests.analysis.pretending import cell, every, pulse, ran, rest, steady

STILL = "the voltage reads digit for digit what it read before the current changed"


def excluded(found) -> str:
    """Everything that was left out."""
    return "\n".join(found.excluded)


def test_a_meter_that_stood_still_tells_no_resistance_and_no_current():
    """A burst of 7.5 A for 1 s under a meter that stands still was told as 0.0 Ohm, and its claim
    as supported: nobody saw the cell's voltage. The reasons are said."""
    burst = pulse("discharge", 7.5, every(0.1, 1.1), steady(4.1856))
    night = [rest(600, 4.1856), burst, rest(60, 4.1856)]
    found = analyse(ran(night, cell=cell(rated_ah=3.0)))
    assert [one.key for one in found.figures if one.key.startswith("resistance")] == []
    assert [one.key for one in found.figures if one.key.startswith("highest-current")] == []
    assert f"step 2 (discharge pulse): no resistance after 0.1 s and 1 s: {STILL}" in excluded(
        found
    )
    assert "step 2 (discharge pulse): no current that was held: its voltage" in excluded(found)


def test_a_meter_that_moves_tells_both():
    """The same burst with the voltage of a cell."""
    burst = pulse("discharge", 7.5, every(0.1, 1.1), steady(4.1856 - 7.5 * 0.03))
    found = analyse(ran([rest(600, 4.1856), burst, rest(60, 4.1856)], cell=cell(rated_ah=3.0)))
    assert found.figure("resistance.pulse.2.1s").value == pytest.approx(0.03)
    assert found.figure("highest-current.discharge").value == pytest.approx(7.5)
    assert STILL not in excluded(found)


def test_a_meter_that_stands_still_at_first_tells_what_it_saw_later():
    """For half a second a slow meter shows what it showed before."""
    volts = lambda t: np.where(t < 0.55, 4.1856, 4.1856 - 0.225)  # noqa: E731
    burst = pulse("discharge", 7.5, every(0.1, 1.1), volts)
    found = analyse(ran([rest(600, 4.1856), burst, rest(60, 4.1856)], cell=cell(rated_ah=3.0)))
    assert found.figure("resistance.pulse.2.0.1s") is None
    assert f"no resistance after 0.1 s: {STILL}" in excluded(found)
    assert found.figure("highest-current.discharge") is not None


def test_no_resistance_over_two_levels_of_a_meter_that_stood_still():
    """Neither by the way of IEC 61960."""
    low = pulse("discharge", 0.6, every(1.0, 10.0), steady(3.68))
    high = pulse("discharge", 3.0, every(1.0, 2.0), steady(3.68))
    found = analyse(ran([rest(600, 3.7), low, high, rest(60, 3.68)], cell=cell(rated_ah=3.0)))
    assert [one.key for one in found.figures if ".two-level." in one.key] == []
    assert f"step 3 (discharge pulse): no two-level resistance: {STILL}" in excluded(found)


def test_a_current_that_went_off_before_its_step_ended_is_said():
    """A contact that opened 0.3 s into a second and denied it."""
    burst = pulse("discharge", 7.5, every(0.1, 1.1), lambda t: np.where(t < 0.35, 3.95, 4.18))
    burst = burst._replace(amps=lambda t: np.where(t < 0.35, -7.5, 0.0))
    tested = ran([rest(600, 4.1856), burst, rest(60, 4.18)], cell=cell(rated_ah=3.0))
    ends = {**tested.step_ends, 2: replace(tested.step_ends[2], ended_s=601.1)}
    found = analyse(replace(tested, step_ends=ends))
    assert "step 2 (discharge pulse): its current went off 0.8 s before the step ended" in excluded(
        found
    )
    assert found.figure("highest-current.discharge") is None


def test_what_an_output_that_is_off_seems_to_carry_is_no_current_that_was_held():
    """1.6 mA of 3 A, for a train of pulses behind an open contact."""
    part = pulse("discharge", 3.0, every(0.1, 1.1), steady(4.18))
    part = part._replace(amps=lambda t: 0.0 * t - 0.0016)
    tested = ran([rest(600, 4.1801), part, rest(60, 4.18)], cell=cell(rated_ah=3.0))
    ends = {**tested.step_ends, 2: replace(tested.step_ends[2], current_a=3.0)}
    found = analyse(replace(tested, step_ends=ends))
    assert found.figure("highest-current.discharge") is None


@pytest.mark.parametrize(("last_a", "is_told"), [(1.0, False), (7.4, True)])
def test_a_current_that_changed_in_a_pulse_tells_no_resistance_after_that(last_a, is_told):
    """Somebody turned a knob 0.3 s into a burst: what the larger current left behind stood in the
    voltage, and 46 mOhm were told of a cell that has 38."""
    volts = lambda t: np.where(t < 0.35, 4.18 - 7.5 * 0.036, 4.18 - 1.0 * 0.046)  # noqa: E731
    flows = lambda t: np.where(t < 0.35, -7.5, -last_a)  # noqa: E731
    burst = pulse("discharge", 7.5, every(0.1, 1.1), volts)._replace(amps=flows)
    found = analyse(ran([rest(600, 4.18), burst, rest(60, 4.18)], cell=cell(rated_ah=3.0)))
    assert found.figure("resistance.pulse.2.0.1s").value == pytest.approx(0.036)
    assert (found.figure("resistance.pulse.2.1s") is not None) is is_told
    why = "no pulse resistance at 1 s: the pulses last 0.3 s at most"
    assert (why in found.excluded) is not is_told


@pytest.mark.parametrize(("begins_a", "ends_a"), [(3.0, 7.5), (3.0, 3.3)])
def test_a_current_that_comes_slowly_or_grows_is_one_current(begins_a, ends_a):
    """A load that takes two readings to get there; a power whose current rises a little."""
    flows = lambda t: -np.minimum(ends_a, begins_a * t / 0.1)  # noqa: E731
    part = pulse("discharge", 7.5, every(0.1, 1.1), steady(3.9))._replace(amps=flows)
    found = analyse(ran([rest(600, 4.18), part, rest(60, 4.18)], cell=cell(rated_ah=3.0)))
    assert found.figure("resistance.pulse.2.1s") is not None


def recovering(froze_s: float, count_v: float, decade_v: float = 0.01):
    """A voltage that comes back by so much in each tenfold time, as a meter of that count shows it
    that freezes then."""

    def volts(t):  # the first reading of a rest stands at its edge (``Segment.begins_inside``)
        seen = 3.9 + decade_v * np.log10(np.clip(t - 1.0, 0.5, froze_s))
        return np.round(np.round(seen / count_v) * count_v, 6)

    return volts


def after_pulse(volts) -> list[str]:
    """What is told of the recovery from a pulse, and what is left out of it for a meter that
    stood still."""
    part = pulse("discharge", 3.0, every(1.0, 30.0), lambda t: 3.85 - 0.005 * np.log10(t))
    found = analyse(ran([rest(600, 4.0), part, rest(120, volts)], cell=cell(rated_ah=3.0)))
    told = [one.key for one in found.figures if one.key.startswith("resistance.recovery.3.")]
    return [one.removeprefix("resistance.recovery.3.") for one in told] + [
        one for one in found.excluded if "its meter stood still" in one and "step 3" in one
    ]


def test_a_meter_that_freezes_within_a_recovery_tells_no_resistance_from_then_on():
    """At 30 s it told what it had read at 10 s. What it saw stands; why the other does not, too."""
    *told, why = after_pulse(recovering(10.0, 0.0001))
    assert told == ["1s", "10s"]
    assert why == (
        "step 3 (rest): no resistance after 30 s: the voltage reads digit for digit what it read"
        " 10 s after the current changed, and had moved until then: its meter stood still"
    )
    assert after_pulse(recovering(1000.0, 0.0001)) == ["1s", "10s", "30s"]


@pytest.mark.parametrize(
    ("froze_s", "count_v", "is_told"),
    [(19.0, 0.0001, False), (20.0, 0.0001, True), (10.0, 0.0009, False), (10.0, 0.002, True)],
)
def test_what_a_meter_repeats_for_a_short_time_or_moved_by_few_counts_is_told(
    froze_s, count_v, is_told
):
    """A third of the time is nearly of that time. From 3.3 s to 10 s it moves by 4.8 mV: two
    counts of 2 mV are too few to tell that it stands still."""
    assert ("30s" in after_pulse(recovering(froze_s, count_v))) is is_told


def test_a_slow_meter_repeats_for_three_seconds():
    """A new reading every 3 s tells a resistance."""
    slow = lambda t: recovering(1000.0, 0.0001)(3.0 * np.floor((t - 1.0) / 3.0) + 2.0)  # noqa: E731
    assert after_pulse(slow) == ["1s", "10s", "30s"]

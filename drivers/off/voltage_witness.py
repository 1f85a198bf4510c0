"""What voltages show of a current that nobody admits: pure.

Two witnesses. *The step*: with the charging current gone the cell voltage cannot rise, with the
discharging current gone not fall, and it steps by most of what the same current made it step when
switched on. *The lead drop*: two voltmeters at both ends of a pair of leads differ by what the
current drops there, at rest too.
"""

from math import exp, inf
from statistics import fmean, stdev

from sequencer.documents.safing import LEAST_SHARE, Before, LeadDrop, Safed

_WARMS_K = 4800.0
"""How a cell's resistance falls as it warms: exp(4800 K x the change of 1/T), an activation energy
of 40 kJ/mol. Real ones lie between 20 and 60 (from memory); the step of the demonstration cell at
1.5 C from 8 to 26 degC fell to 0.51 of that at switching on (measured on its twin)."""
_ZERO_C_K = 273.15
MOST_RISE = 2.0
"""How much more the cell may step at switching off than at switching on without it being a fault:
resistance rises towards empty and in the cold (our choice)."""
GONE_V = 0.5
"""Below this no cell is behind the leads any more (its own protection or a lead opened), so nothing
flows out of it; our choice, far under any cell's floor."""
SIGMAS = 3.0
"""Standard deviations of a lead drop's scatter that its bound takes in."""
_MARGIN_V = 0.005
"""What a voltage may move the wrong way between two readings, beyond the meter's own offset and
counts, before it contradicts (our choice)."""


def margin_v(one: Safed) -> float:
    """What two readings of the same voltage by this instrument may differ by (V)."""
    return _MARGIN_V + 2.0 * one.offset_v


def least_share(on_c: float, off_c: float) -> float:
    """What is left of ``LEAST_SHARE`` where the cell has warmed since it was switched on, from
    ``on_c`` to ``off_c`` (degC); where nobody knows, nothing is taken off."""
    warmed = 1.0 / (on_c + _ZERO_C_K) - 1.0 / (off_c + _ZERO_C_K)
    return LEAST_SHARE * exp(-_WARMS_K * warmed) if warmed > 0.0 else LEAST_SHARE


def off_between(before: Before) -> tuple[float, float]:
    """Low and high (V) between which a voltage must lie once the current is gone: it steps by at
    least ``before.share`` of what that current made it step when switched on, where that is
    visible, and never moves the other way."""
    step_v, margin = before.share * before.ohm * abs(before.amps), before.margin_v
    least_v = step_v - margin if step_v > 2.0 * margin else -margin
    if before.amps > 0.0:
        return -inf, before.volts - least_v
    return before.volts + least_v, inf


def fits_off(before: Before, volts: float) -> bool:
    """Whether a voltage lies where off puts it, or no cell is to be seen there any more."""
    low, high = off_between(before)
    return low <= volts <= high or volts < GONE_V


def left_by_step(before: Before, volts: float) -> float:
    """The largest current (A) that may still flow when the voltage stepped from ``before`` to
    ``volts``; infinite where the step at switching on was not seen."""
    if not before.ohm > 0.0:
        return inf
    back_v = before.volts - volts if before.amps > 0.0 else volts - before.volts
    gone_a = (back_v - before.margin_v) / (MOST_RISE * before.ohm)
    return abs(before.amps) - max(0.0, min(gone_a, abs(before.amps)))


def lead_drop(
    far: Safed,
    near: Safed,
    rested: list[tuple[float, float]],
    driven: list[tuple[float, float, float]],
    stated_ohm: float,
) -> LeadDrop | None:
    """What this run has taught about one pair of leads; None while that is too little.

    ``rested``: readings (V) of ``far`` and ``near`` without current; ``driven``: the same and the
    current (A, positive charges). The resistance is taken between the stated one and the measured
    one, so that neither a wrong document nor an output that lies about its current makes the
    bound too small.
    """
    if len(rested) < _LEAST_READINGS:
        return None
    differences = [one - other for one, other in rested]
    zero_v = fmean(differences)
    measured = [(one - other - zero_v) / amps for one, other, amps in driven]
    known = [ohm for ohm in (stated_ohm, *measured) if ohm > 0.0]
    if not known:
        return None
    least_v = (far.offset_v + near.offset_v) * _LEAST_SCATTER
    scatter_v = max(stdev(differences), least_v)
    at_v = fmean(other for _, other in rested)
    gain = far.gain_v + near.gain_v
    ohm, most = min(known) * (1.0 - _OHM_ERROR), max(known) * (1.0 + _OHM_ERROR)
    return LeadDrop(far.name, near.name, zero_v, at_v, scatter_v, gain, ohm, most)


_LEAST_READINGS = 4
_LEAST_SCATTER = 0.05
"""A scatter below this part of the stated offsets and counts is taken for that: few readings on
coarse displays may all be equal."""
_OHM_ERROR = 0.1
"""How far a stated or measured lead resistance is taken to be off (our choice)."""


def current_by_drop(lead: LeadDrop, far_v: float, near_v: float) -> tuple[float, float]:
    """The current (A, positive charges) that a lead drop shows: least and most in magnitude."""
    drop_v = abs(far_v - near_v - lead.zero_v)
    unsure_v = SIGMAS * lead.scatter_v + lead.gain * abs(near_v - lead.at_v)
    return max(0.0, drop_v - unsure_v) / lead.most_ohm, (drop_v + unsure_v) / lead.ohm

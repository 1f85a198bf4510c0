"""A resistance above its claim told apart: what the conditions account for, and what the cell.

Owns the estimates of those parts, as ``splitting`` does for what a discharge gives. They sum to
``claimed - measured`` to the last bit, so that what made the resistance larger is below zero.
Verdicts rest on bounds, never on these.
"""

from dataclasses import replace
from math import exp, hypot, log2
from typing import Final

from sequencer.analysis.claims.kinds import number_in
from sequencer.analysis.claims.splitting import Shortfall, exactly, leads, uniform
from sequencer.analysis.results import VerdictPart
from sequencer.vocabulary import units

ACTIVATION_J_PER_MOL: Final = (20e3, 50e3)
"""Of a cell's resistance (usual: 20 to 50 kJ/mol; memory)."""
GROWTH_PER_DOUBLING: Final = (0.02, 0.15)
"""Share by which a resistance grows when the time doubles (0.1 to 30 s; worked on cells that gain
18 % from 10 s to 30 s, the least of them hardly anything)."""
PER_SHARE: Final = 0.5
"""Share of the resistance per share of charge, either way, between 20 and 80 % (common practice).
"""
_GAS: Final = 8.314462618
_ZERO_C: Final = 273.15
_WARMTH: Final = ("surface_start_c", "surface_c", "room_c")


def split_resistance(short: Shortfall) -> tuple[VerdictPart, ...]:
    """The parts of ``claimed - figure.value`` (Ohm): positive what a condition took off the
    resistance, negative what it added; the last is the cell's."""
    known = [_warmth(short), _after(short), _state_of_charge(short), leads(short)]
    values = exactly([part.value for part in known], short.claimed - short.figure.value)
    standard = hypot(short.figure.standard_uncertainty, *(p.standard_uncertainty for p in known))
    parts = [replace(part, value=value) for part, value in zip(known, values, strict=False)]
    return (*parts, VerdictPart("cell", values[-1], standard, "what no condition accounts for"))


def _part(name: str, short: Shortfall, low: float, high: float, words: str) -> VerdictPart:
    """By which share the resistance would change on the claim's terms, between two bounds."""
    value, standard = uniform(low * short.figure.value, high * short.figure.value)
    return VerdictPart(name, value, standard, words)


def _warmth(short: Shortfall) -> VerdictPart:
    seen = (number_in(short.figure, name) for name in _WARMTH)
    measured, wanted = (
        next((one for one in seen if one is not None), None),
        short.terms.temperature_c,
    )
    if measured is None:
        return VerdictPart("temperature", 0.0, 0.0, "not measured, in the cell's part")
    if abs(wanted - measured) < 0.5:
        return VerdictPart("temperature", 0.0, 0.0, "the same")
    inverse = 1.0 / (wanted + _ZERO_C) - 1.0 / (measured + _ZERO_C)
    low, high = (exp(one / _GAS * inverse) - 1.0 for one in ACTIVATION_J_PER_MOL)
    words = f"{measured:.1f} degC instead of {wanted:g} degC: 20 to 50 kJ/mol"
    return _part("temperature", short, low, high, words)


def _after(short: Shortfall) -> VerdictPart:
    measured, wanted = number_in(short.figure, "pulse_s"), short.terms.after_s
    if measured is None or abs(wanted / measured - 1.0) <= 0.01:
        return VerdictPart("time", 0.0, 0.0, "the same" if measured is not None else "not known")
    low, high = (one * log2(wanted / measured) for one in GROWTH_PER_DOUBLING)
    words = f"{measured:.3g} s instead of {wanted:.3g} s: 2 to 15 % for each doubling"
    return _part("time", short, low, high, words)


def _state_of_charge(short: Shortfall) -> VerdictPart:
    measured, wanted = number_in(short.figure, "state_of_charge"), short.terms.state_of_charge
    if measured is None or abs(measured - wanted) <= 0.01:
        return VerdictPart("charge", 0.0, 0.0, "the same" if measured is not None else "not known")
    most = PER_SHARE * abs(measured - wanted)
    words = f"{units.percent(measured)} instead of {100 * wanted:g} %: either way"
    return _part("charge", short, -most, most, words)

"""What a journal would say of a step, from the plan's own sentence and the reason that it ended."""

import re
from math import nan

from sequencer.analysis.results import JournaledStop, StepEnd

_NUMBER = r"([0-9]+(?:\.[0-9]+)?) (m?)"
_AT = re.compile(rf"(?:\bat|at most) {_NUMBER}A\b")
_HELD = re.compile(rf"\bhold {_NUMBER}V", re.IGNORECASE)
_STOPS = (
    ("voltage_below", re.compile(rf"voltage (?:has fallen to|at or below) {_NUMBER}V")),
    ("voltage_above", re.compile(rf"voltage (?:has risen to|at or above) {_NUMBER}V")),
    ("current_below", re.compile(rf"(?:current has fallen to|termination current) {_NUMBER}A")),
    ("charge", re.compile(rf"(?:or|until|charge) {_NUMBER}Ah")),
    ("energy", re.compile(rf"(?:or|until|energy) {_NUMBER}Wh")),
    ("time", re.compile(r"time ([0-9.]+)()|([0-9.]+)() (?:s|min|h) have passed")),
)
_DIRECTIONS = (("discharge", "discharge"), ("charge", "charge"), ("hold", "charge"))


def step_end(
    number: int,
    sentence: str,
    reason: str,
    moved: tuple[float, float, float, float] = (nan, nan, nan, nan),
    *,
    label: str = "",
    ended_s: float = nan,
) -> StepEnd:
    """``moved``: charge in and out (Ah), energy in and out (Wh)."""
    low = sentence.lower()
    direction = next((kind for word, kind in _DIRECTIONS if low.startswith(word)), "")
    ended_by = _stops(reason)
    stops = (*_stops(sentence), *ended_by)
    is_held = direction == "charge" and all(stop.kind != "voltage_above" for stop in stops)
    return StepEnd(
        number,
        sentence,
        label,
        reason,
        *moved,
        ended_s=ended_s,
        direction=direction,
        current_a=_value(_AT.search(sentence)),
        voltage_v=_value(_HELD.search(sentence)),
        held="voltage" if is_held else "current",
        stops=stops,
        stopped_by=ended_by[0] if ended_by else None,
        is_skipped=reason.startswith("skipped"),
    )


def _stops(words: str) -> list[JournaledStop]:
    found = [(kind, pattern.search(words)) for kind, pattern in _STOPS]
    return [JournaledStop(kind, _value(match)) for kind, match in found if match is not None]


def _value(match: re.Match[str] | None) -> float:
    if match is None:
        return nan
    number, milli = (group for group in match.groups() if group is not None)
    return float(number) * (1e-3 if milli else 1.0)

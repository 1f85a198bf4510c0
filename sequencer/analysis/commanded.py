"""What a step was told to do and how it ended, read from the journal's words.

Owns the reading of the plan's sentences; where there is no journal everything here is NaN or
``unknown`` and the data must speak.
"""

import math
import re
from dataclasses import dataclass
from enum import Enum

from sequencer.analysis.results import StepEnd

_NUMBER = r"([0-9]+(?:\.[0-9]+)?)"
_CURRENT = re.compile(rf"\bat {_NUMBER} (m?)A \(|at most {_NUMBER} (m?)A\b")
_HELD = re.compile(rf"\bhold {_NUMBER} V", re.IGNORECASE)
_CUT_OFF = re.compile(rf"voltage has fallen to {_NUMBER} V|voltage at or below {_NUMBER} V")
_TERMINATION = re.compile(rf"current has fallen to {_NUMBER} (m?)A|current {_NUMBER} (m?)A")


class Ended(Enum):
    """What stopped a step."""

    VOLTAGE = "voltage"
    TERMINATION = "termination current"
    COUNTED = "time, charge, energy or temperature"
    UNFINISHED = "unfinished"
    UNKNOWN = "unknown"


_WORDS = (
    ("voltage at or", Ended.VOLTAGE),
    ("termination current", Ended.TERMINATION),
    ("time", Ended.COUNTED),
    ("charge", Ended.COUNTED),
    ("energy", Ended.COUNTED),
    ("temperature at or", Ended.COUNTED),
)


@dataclass(frozen=True, slots=True)
class Commanded:
    """The wanted current (A, positive), held voltage, cut-off (V), termination current (A), each
    NaN where nothing says it, and what ended the step. ``is_again``: begun again after a break."""

    current_a: float = math.nan
    held_v: float = math.nan
    cut_off_v: float = math.nan
    termination_a: float = math.nan
    ended: Ended = Ended.UNKNOWN
    reason: str = ""
    is_again: bool = False


def commanded(end: StepEnd | None, *, has_journal: bool) -> Commanded:
    """What the journal says of a step; a step of a journal that never ended is unfinished."""
    if end is None:
        return Commanded(ended=Ended.UNFINISHED if has_journal else Ended.UNKNOWN)
    both = f"{end.sentence}; {end.reason}"
    return Commanded(
        current_a=_amps(_CURRENT.search(end.sentence)),
        held_v=_first(_HELD.search(end.sentence)),
        cut_off_v=_first(_CUT_OFF.search(both)),
        termination_a=_amps(_TERMINATION.search(both)),
        ended=ending(end.reason),
        reason=end.reason,
        is_again="begun again" in end.sentence,
    )


def ending(reason: str) -> Ended:
    """What the journal's reason means; a reason that is no planned stop is an unfinished step."""
    word = reason.strip().lower()
    if not word:
        return Ended.UNKNOWN
    return next((kind for start, kind in _WORDS if word.startswith(start)), Ended.UNFINISHED)


def _first(found: re.Match[str] | None) -> float:
    if found is None:
        return math.nan
    return float(next(group for group in found.groups() if group))


def _amps(found: re.Match[str] | None) -> float:
    if found is None:
        return math.nan
    return _first(found) * (1e-3 if "m" in found.groups() else 1.0)

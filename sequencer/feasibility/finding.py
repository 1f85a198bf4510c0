"""One thing that a bench can, can barely or cannot do, in plain words, with what to do about it."""

from enum import Enum
from typing import NamedTuple


class Ability(Enum):
    """How well; the value is the word shown."""

    CAN = "can"
    BARELY = "can barely"
    CANNOT = "cannot"


class Finding(NamedTuple):
    """``subject`` is what it is about, ``words`` what was found, ``advice`` what to do."""

    ability: Ability
    subject: str
    words: str
    advice: str = ""

    def __str__(self) -> str:
        advice = f" {self.advice}" if self.advice else ""
        return f"{self.ability.value}: {self.subject}: {self.words}{advice}"


def graded(ratio: float, barely: float, cannot: float) -> Ability:
    """CAN below ``barely``, CANNOT from ``cannot`` on; NaN is CANNOT."""
    if ratio < barely:
        return Ability.CAN
    return Ability.BARELY if ratio < cannot else Ability.CANNOT

"""The word that was meant, where a person wrote one that is not known."""

from collections.abc import Iterable
from difflib import SequenceMatcher, get_close_matches

ALIKE = 0.05
"""Two names that are as close as this are both no guess: ``4-wire`` may be either."""


def closest(word: str, names: Iterable[str]) -> str:
    """The one of ``names`` that is close to ``word``, whatever its case; or nothing, also where two
    are as close."""
    lower = {name.lower(): name for name in names}
    close = get_close_matches(word.lower(), list(lower), n=2)
    if len(close) > 1 and _apart(word.lower(), *close) < ALIKE:
        return ""
    return lower[close[0]] if close else ""


def _apart(word: str, first: str, second: str) -> float:
    return SequenceMatcher(a=first, b=word).ratio() - SequenceMatcher(a=second, b=word).ratio()


def did_you_mean(word: str, names: Iterable[str]) -> str:
    """``: did you mean 'x'?`` when one of ``names`` is close; or nothing."""
    meant = closest(word, names)
    return f": did you mean '{meant}'?" if meant else ""

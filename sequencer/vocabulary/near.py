"""The word that was meant, where a person wrote one that is not known."""

from collections.abc import Iterable
from difflib import get_close_matches


def closest(word: str, names: Iterable[str]) -> str:
    """The one of ``names`` that is close to ``word``, whatever its case; or nothing."""
    lower = {name.lower(): name for name in names}
    close = get_close_matches(word.lower(), list(lower), n=1)
    return lower[close[0]] if close else ""


def did_you_mean(word: str, names: Iterable[str]) -> str:
    """``: did you mean 'x'?`` when one of ``names`` is close; or nothing."""
    meant = closest(word, names)
    return f": did you mean '{meant}'?" if meant else ""

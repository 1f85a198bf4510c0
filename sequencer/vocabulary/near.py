"""The word that was meant, where a person wrote one that is not known."""

from collections.abc import Iterable
from difflib import get_close_matches


def closest(word: str, names: Iterable[str], like: float = 0.6) -> str:
    """The one of ``names`` that is close to ``word``, whatever its case; or nothing. ``like``: how
    close, as difflib counts it (1 is the same)."""
    lower = {name.lower(): name for name in names}
    close = get_close_matches(word.lower(), list(lower), n=1, cutoff=like)
    return lower[close[0]] if close else ""


def did_you_mean(word: str, names: Iterable[str], like: float = 0.6) -> str:
    """``: did you mean 'x'?`` when one of ``names`` is close; or nothing."""
    meant = closest(word, names, like)
    return f": did you mean '{meant}'?" if meant else ""

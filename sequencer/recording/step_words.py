"""Words for a kind of step: those of the open standard's column ``Step Type``, and back; pure."""

COMMON_WORDS = {
    "rest": "REST",
    "CC charge": "CC_CHG",
    "CV charge": "CV_CHG",
    "CC-CV charge": "CCCV_CHG",
    "CC discharge": "CC_DCH",
}
"""The values that the standard names, by the trade word for the step."""
_DIRECTIONS = {"REST": "rest", "OCV": "rest", "EIS": "rest"}


def step_type(kind: str, name: str) -> str:
    """The standard's common word for a row's kind of step, else plain words.

    ``kind`` is which way charge flows, ``name`` the step in trade terms. ``direction_of`` gives
    the kind back.
    """
    if kind == "rest":
        return COMMON_WORDS["rest"]
    word = COMMON_WORDS.get(name, name or kind)
    return word if direction_of(word) == kind else kind


def direction_of(word: str) -> str:
    """``rest``, ``charge`` or ``discharge``, or nothing when a step's type does not say."""
    if word in _DIRECTIONS:
        return _DIRECTIONS[word]
    low = word.lower()
    if low.endswith("_dch") or "discharg" in low:
        return "discharge"
    if low.endswith("_chg") or "charg" in low:
        return "charge"
    return "rest" if "rest" in low.split() else ""

"""A text that a pattern matches: the shortest that has all its groups. No input or output.

Reads the tree of Python's own regular expression parser, so that a pattern means one thing whether
a reply is read by it or made of it.
"""

import re
from functools import lru_cache
from re import _parser  # type: ignore[attr-defined] # the only reader of this grammar that there is
from typing import Any

_PREFERRED = "0" + "".join(map(chr, range(32, 127)))
_CATEGORIES = {
    "CATEGORY_DIGIT": r"\d",
    "CATEGORY_NOT_DIGIT": r"\D",
    "CATEGORY_SPACE": r"\s",
    "CATEGORY_NOT_SPACE": r"\S",
    "CATEGORY_WORD": r"\w",
    "CATEGORY_NOT_WORD": r"\W",
}


@lru_cache(maxsize=1000)
def specimen(pattern: str) -> str | None:
    """A text that the whole pattern matches; None when none is found (of assertions the text that
    they want is not looked for)."""
    text = _walked(_parser.parse(pattern, re.ASCII), {})
    return text if re.fullmatch(pattern, text, re.ASCII) is not None else None


def _walked(tree: Any, said: dict[int, str]) -> str:
    return "".join(_piece(what.name, of, said) for what, of in tree)


def _piece(what: str, of: Any, said: dict[int, str]) -> str:
    match what:
        case "LITERAL":
            return chr(of)
        case "NOT_LITERAL":
            return next(one for one in _PREFERRED if ord(one) != of)
        case "ANY":
            return _PREFERRED[0]
        case "IN":
            return next((one for one in _PREFERRED if _is_in(one, of)), "")
        case "BRANCH":
            return _walked(of[1][0], said)
        case "SUBPATTERN":
            said[of[0]] = _walked(of[-1], said)
            return said[of[0]]
        case "ATOMIC_GROUP":
            return _walked(of, said)
        case "MAX_REPEAT" | "MIN_REPEAT" | "POSSESSIVE_REPEAT":
            least, most, tree = of
            times: int = max(least, min(most, _has_groups(tree)))
            return _walked(tree, said) * times
        case "GROUPREF":
            return said.get(of, "")
    return ""


def _is_in(letter: str, members: Any) -> bool:
    found = any(_is_member(letter, what.name, of) for what, of in members)
    is_denied: bool = members[0][0].name == "NEGATE"
    return found != is_denied


def _is_member(letter: str, what: str, of: Any) -> bool:
    match what:
        case "LITERAL":
            return bool(ord(letter) == of)
        case "RANGE":
            return bool(of[0] <= ord(letter) <= of[1])
        case "CATEGORY":
            return re.fullmatch(_CATEGORIES[of.name], letter, re.ASCII) is not None
    return False


def _has_groups(tree: Any) -> bool:
    """Whether something in it is captured: what is optional is said then."""
    return any(
        (what.name == "SUBPATTERN" and (of[0] is not None or _has_groups(of[-1])))
        or (what.name.endswith("REPEAT") and _has_groups(of[2]))
        for what, of in tree
    )

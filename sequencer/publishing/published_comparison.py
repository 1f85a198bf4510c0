"""Numbers that were published, beside those of now: who made them, and whether a digit differs.

Owns what is compared. It trusts neither side: it says which numbers are not the same.
"""

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

NUMBERS = "report.json"
_MOST = 10
_VALUES = ("value", "standard_uncertainty", "low_95", "high_95")


def compared(folder: Path, data: Mapping[str, Any]) -> list[str]:
    """In words, how the numbers in ``data`` (as ``report --json`` gives them) differ from those
    that the bundle in ``folder`` was published with; empty when there are none published."""
    then = _published(folder / NUMBERS)
    if then is None:
        return []
    by_then, by_now = str(then.get("analysed_by", "unknown")), str(data.get("analysed_by", ""))
    differences = [*_differences(then, data)]
    who = by_then if by_then == by_now else f"{by_then}, now {by_now}"
    if not differences:
        return [f"published numbers (by {who}): the same now, to the last digit"]
    shown = [f"  {one}" for one in differences[:_MOST]]
    more = len(differences) - _MOST
    return [
        f"published numbers (by {who}): {len(differences)} differ now",
        *shown,
        *([f"  and {more} more"] if more > 0 else []),
    ]


def _published(path: Path) -> Mapping[str, Any] | None:
    try:
        found = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _differences(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[str]:
    before, after = _numbers(then), _numbers(now)
    for key in {**before, **after}:
        if key not in after:
            yield f"{key}: {before[key]} then, no longer told"
        elif key not in before:
            yield f"{key}: not told then, {after[key]} now"
        elif before[key] != after[key]:
            yield f"{key}: {before[key]} then, {after[key]} now"


def _numbers(data: Mapping[str, Any]) -> dict[str, Any]:
    """Every number and word of a verdict by its name; a name that comes again gets a number."""
    found: dict[str, Any] = {}
    for kind, names in (("figures", _VALUES), ("verdicts", ("word", "measured", "probability"))):
        listed = data.get(kind)
        for one in listed if isinstance(listed, list) else ():
            if isinstance(one, Mapping):
                stem = str(one.get("key") or f"claim {one.get('number', '')}")
                for name in names:
                    found[_free(found, f"{stem} {name}")] = one.get(name)
    return found


def _free(found: Mapping[str, Any], key: str) -> str:
    number, free = 2, key
    while free in found:
        free, number = f"{key} ({number})", number + 1
    return free

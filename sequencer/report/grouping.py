"""Sentences that say the same of many steps, said once with all of their steps.

Owns the grouping for a reader alone; JSON keeps every sentence.
"""

import re
from collections.abc import Sequence
from typing import Final

_OF_A_STEP: Final = re.compile(r"step (\d+)(?: (\([^)]*\)))?: (.+)", re.DOTALL)
_MOST_NAMED: Final = 5


def grouped(sentences: Sequence[str]) -> list[str]:
    """``steps 4, 8, 12, 16, 20 and 35 more (CC discharge): ...``; the rest as it stands."""
    found: dict[tuple[str, str], list[str]] = {}
    for one in sentences:
        match = _OF_A_STEP.fullmatch(one)
        key = (match[2] or "", match[3]) if match else ("", one)
        found.setdefault(key, []).append(match[1] if match else "")
    return [_said(*key, steps) for key, steps in found.items()]


def _said(name: str, what: str, steps: Sequence[str]) -> str:
    if not steps[0]:
        return what
    named = ", ".join(steps[:_MOST_NAMED])
    more = f" and {len(steps) - _MOST_NAMED} more" if len(steps) > _MOST_NAMED else ""
    plural = "s" if len(steps) > 1 else ""
    return f"step{plural} {named}{more}{f' {name}' if name else ''}: {what}"

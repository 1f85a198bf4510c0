"""What a command answers: an exit code, lines for a person, data for ``--json``."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple, Self

from sequencer.vocabulary.verdict import Exit

Say = Callable[[str], None]
"""Tells a person one line now, before the answer is complete."""


class Answer(NamedTuple):
    """``data`` is what ``--json`` shows; the exit code is added to it."""

    exit: Exit
    lines: Sequence[str] = ()
    data: Mapping[str, Any] = {}

    @classmethod
    def wrong(cls, code: Exit, lines: Sequence[str], data: Mapping[str, Any] | None = None) -> Self:
        """An answer that says what is wrong, one fault a line."""
        return cls(code, lines, {"errors": list(lines), **(data or {})})

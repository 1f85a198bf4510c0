"""What the process of a run tells at its end, and what becomes of a bug of our own."""

import tempfile
import traceback
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

from sequencer.vocabulary.verdict import Exit

BUG_FILE: Final = "bug.txt"


class RunResult(NamedTuple):
    """The exit code, the ``lines`` for a person, the same as data, and whether nothing is left on
    (``off``); ``brief``: the lines where a screen has shown the ending already."""

    exit: Exit
    lines: Sequence[str]
    data: Mapping[str, Any]
    off: bool = True
    brief: Sequence[str] | None = None


def bug(error: BaseException, folder: Path | None) -> RunResult:
    """Our own bug: a short message, and the traceback in a file of the run folder, or elsewhere
    when that takes none."""
    lines = [f"a bug of nightbench's own: {type(error).__name__}: {error}"]
    text = "".join(traceback.format_exception(error))
    for place in (folder, None):
        try:
            path = (place or Path(tempfile.mkdtemp(prefix="nightbench-"))) / BUG_FILE
            path.write_text(text, encoding="utf-8")
        except OSError:
            continue
        lines.append(f"details: {path}")
        break
    return RunResult(Exit.BUG, lines, {"errors": lines})

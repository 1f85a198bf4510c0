"""How wide the terminal is that a person reads; a process that answers through another one is told.

Owns the environment variables for that (POSIX: COLUMNS; Python: PYTHONIOENCODING, so that no sign
is lost between the two).
"""

import os
import shutil
import sys
from collections.abc import Mapping

_LEAST = 20


def columns() -> int | None:
    """The columns of the terminal; None where no person reads."""
    if not sys.stdout.isatty() and not os.environ.get("COLUMNS", "").isdigit():
        return None
    return max(shutil.get_terminal_size().columns, _LEAST)


def told_columns() -> Mapping[str, str]:
    """The environment of a process whose words this one will print."""
    found = columns()
    told = {} if found is None else {"COLUMNS": str(found)}
    return {**os.environ, "PYTHONIOENCODING": "utf-8", **told}

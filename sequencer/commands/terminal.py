"""How wide the terminal is that a person reads; a process that answers through another one is told.

Owns the environment variable for that (POSIX: COLUMNS).
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
    return os.environ if found is None else {**os.environ, "COLUMNS": str(found)}

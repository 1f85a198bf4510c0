"""The command line as on a system that is not POSIX, in a process of its own.

`python -m tests.systems.elsewhere FOLDER COMMANDS`: COMMANDS is a JSON list of lists of words; what
each one says is written to FOLDER/NUMBER.out and .err, in the code page of a console without most
signs (cp1252); the exit codes come on standard output, as JSON.

Modules and names that only POSIX has are gone (`posix_names`); Python's library and the libraries
of others, which know other systems themselves, are imported before. Text without a named encoding
is an error. The file system refuses what that of Windows refuses: names with its reserved letters
and words, opening a folder, and moving or removing a file that is open or read-only.

Sources: reserved words as `pathlib.PureWindowsPath.is_reserved` says them; reserved letters as
`ntpath.isreserved` of Python 3.13 (from memory); open files: "PermissionError … on Windows" in the
library reference of `os.remove` and `os.rename` (from memory).
"""

import contextlib
import errno
import importlib
import json
import os
import shutil
import stat
import sys
import warnings
from pathlib import Path, PureWindowsPath
from typing import Any

from tests.systems.posix_names import LOOKED_AT, posix_modules, posix_names

CODE_PAGE = "cp1252"
LIBRARIES = (
    "asyncio",
    "concurrent.futures",
    "ctypes",
    "curses",
    "getpass",
    "jinja2",
    "multiprocessing",
    "numpy",
    "polars",
    "pydantic",
    "pyvisa",
    "pyvisa_py",
    "rich.console",
    "rich.live",
    "serial",
    "serial.tools.list_ports",
    "socketserver",
    "subprocess",
    "tempfile",
    "uncertainties",
    "uuid",
    "xml.sax",
    "yaml",
    "zipfile",
)
_LETTERS = frozenset('<>:"|?*') | frozenset(map(chr, range(32)))


def main() -> None:
    """Take away what is not there, then be the command line, once for each command."""
    for library in LIBRARIES:
        importlib.import_module(library)
    shutil._copyxattr = lambda *_, **_named: None  # type: ignore[attr-defined]
    shutil._USE_CP_SENDFILE = False  # type: ignore[attr-defined]  # both as that library defines it
    warnings.filterwarnings("error", category=EncodingWarning, module=r"(sequencer|drivers)(\..*)?")
    take_away()
    sys.addaudithook(_refuse)
    folder = Path(sys.argv[1])
    codes = [
        _carried_out(folder / str(number), words)
        for number, words in enumerate(json.loads(sys.argv[2]))
    ]
    print(json.dumps(codes))


def _carried_out(place: Path, words: list[str]) -> int:
    from sequencer.cli import entry

    with (
        place.with_suffix(".out").open("w", encoding=CODE_PAGE) as out,
        place.with_suffix(".err").open("w", encoding=CODE_PAGE) as errors,
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(errors),
    ):
        sys.argv[1:] = words
        try:
            entry()
        except SystemExit as end:
            return int(end.code or 0)


def take_away() -> None:
    """Modules and names that only POSIX has."""
    for module in posix_modules() - {"posix"}:  # the library's own `os` stands on it
        sys.modules[module] = None  # type: ignore[assignment]
    for module in LOOKED_AT:
        there = importlib.import_module(module)
        for name in posix_names(module):
            if hasattr(there, name):
                delattr(there, name)


def _refuse(event: str, given: tuple[Any, ...]) -> None:
    match event, given:
        case "open", (str() as path, mode, int() as flags):
            _named_right(path, is_made=bool(flags & os.O_CREAT))
            if mode is None and Path(path).is_dir():  # of `os.open`; others refuse a folder anyway
                raise PermissionError(errno.EACCES, "a folder cannot be opened", path)
        case "os.mkdir", (path, *_):
            _named_right(os.fspath(path), is_made=True)
        case "os.rename", (old, new, *_):
            _named_right(os.fspath(new), is_made=True)
            _closed(os.fspath(old))
            _closed(os.fspath(new))
        case "os.remove", (path, *_):
            _closed(os.fspath(path))
            if Path(path).is_file() and not Path(path).stat().st_mode & stat.S_IWUSR:
                raise PermissionError(errno.EACCES, "the file is read-only", path)


def _named_right(path: str, *, is_made: bool) -> None:
    for part in Path(path).parts[1:] if is_made else ():
        reserved = PureWindowsPath(part).is_reserved() or part[-1] in ". "
        if reserved or _LETTERS & set(part):
            raise OSError(errno.EINVAL, "not a file name there", path)


def _closed(path: str) -> None:
    if not Path(path).is_file():
        return
    for handle in os.listdir("/proc/self/fd"):
        try:
            is_open = os.path.samefile(f"/proc/self/fd/{handle}", path)
        except OSError:
            continue
        if is_open:
            raise PermissionError(errno.EACCES, "the file is open", path)


if __name__ == "__main__":
    main()

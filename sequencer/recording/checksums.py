"""``SHA256SUMS``: what a published folder held, in the form that ``sha256sum -c`` reads."""

import hashlib
import re
from collections.abc import Iterator
from pathlib import Path

from sequencer.recording.medium import write_whole

SUMS = "SHA256SUMS"
_LINE = re.compile(r"([0-9a-f]{64})  (\S.*)")
_PIECE = 1 << 20


def write_sums(folder: Path) -> None:
    """Sum up every file under ``folder``, in the order of their names.

    Raises:
        RecordError: it cannot be written.
    """
    files = sorted(one for one in folder.rglob("*") if one.is_file() and one.name != SUMS)
    lines = (f"{digest(one)}  {one.relative_to(folder).as_posix()}\n" for one in files)
    write_whole(folder / SUMS, "".join(lines).encode())


def changed(folder: Path) -> Iterator[str]:
    """In words, what is not as it was summed up; nothing when there are no sums."""
    try:
        lines = (folder / SUMS).read_text(encoding="utf-8").splitlines()
    except FileNotFoundError:
        return
    except (OSError, UnicodeDecodeError):
        yield f"{SUMS}: cannot be read"
        return
    for number, line in enumerate(lines, 1):
        found = _LINE.fullmatch(line)
        if found is None:
            yield f"{SUMS}:{number}: not a checksum and a name"
            continue
        words = _compared(folder, found[1], found[2])
        if words:
            yield words


def _compared(folder: Path, wanted: str, name: str) -> str:
    inside = (folder / name).resolve().is_relative_to(folder.resolve())
    if not inside:
        return f"{SUMS}: {name} is not in the folder"
    try:
        return "" if digest(folder / name) == wanted else f"{name}: changed since it was published"
    except OSError:
        return f"{name}: was published and is missing"


def digest(path: Path) -> str:
    """SHA-256 over the bytes of a file, hexadecimal. Raises OSError as the system does."""
    running = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(_PIECE):
            running.update(piece)
    return running.hexdigest()

"""Files to documents: bounded reading, validation, and every fault of every document at once.

Owns the file side of a document (path, hash, places); knows nothing of what a document means.
"""

import os
import stat
from difflib import get_close_matches
from pathlib import Path
from typing import Generic, TypeVar

from pydantic import BaseModel, ValidationError

from sequencer.documents.fields import key_of
from sequencer.source import fault_messages
from sequencer.source.locating import refusals
from sequencer.source.nodes import MAX_BYTES, MAX_FAULTS, Loc, Tree, grow, printable
from sequencer.source.salvage import salvage
from sequencer.source.writing_out import parameter_name, write_out
from sequencer.vocabulary.faults import DocumentError, DocumentFault

D = TypeVar("D", bound=BaseModel)


class Loaded(Generic[D]):
    """A document, where it came from, and where in it everything stands."""

    def __init__(self, document: D, path: Path, text: str, tree: Tree) -> None:
        self.document, self.path, self.text, self._tree = document, path, text, tree

    def with_document(self, document: D) -> "Loaded[D]":
        """The same file, with a document that was completed from another one."""
        return Loaded(document, self.path, self.text, self._tree)

    @property
    def is_sound(self) -> bool:
        """Whether no fault was found in it; otherwise parts of the document are ``UNKNOWN``."""
        return not self._tree.faults

    def place(self, *loc: str | int) -> tuple[str, int, int]:
        """File, line and column of a path of keys (as in the document, or field names) and indices.

        What is not written in the document is placed at the nearest thing above it that is.
        """
        place = self._tree.place(self._path_of(loc))
        return self._tree.file, place.line, place.column

    def fault(self, loc: Loc, message: str) -> DocumentFault:
        """A fault at the place of ``loc``."""
        return DocumentFault(*self.place(*loc), printable(message))

    def words(self, *loc: str | int) -> str:
        """A path's last key and its text, as messages name them: ``charge voltage '4.2 V'``."""
        return fault_messages.subject(self._tree, self._path_of(loc))

    def said(self, *loc: str | int) -> str:
        """``file:line`` of a path, for the culprit at the end of a message."""
        file, line, _ = self.place(*loc)
        return f"{file}:{line}"

    def parameter(self, *loc: str | int) -> str:
        """The name of the parameter that was written at a path; empty where none was."""
        return parameter_name(self._tree.written.get(self._path_of(loc), ""))

    def beside(self, reference: str) -> Path:
        """A path written in this document, relative to the document's folder."""
        return self.path.parent / reference

    def _path_of(self, loc: Loc) -> Loc:
        path: Loc = ()
        for part in loc:
            node = self._tree.at(path)
            spelt = isinstance(part, str) and isinstance(node, dict) and part not in node
            path = (*path, key_of(str(part).rstrip("_")) if spelt else part)
        return path


class Intake:
    """Takes in several documents and keeps the faults of all, to be told together."""

    def __init__(self) -> None:
        self.faults: list[DocumentFault] = []

    def load(self, path: Path, model: type[D]) -> Loaded[D] | None:
        """The document in ``path``, or None with its faults kept."""
        found = self.look(path, model)
        return found if found is not None and found.is_sound else None

    def look(self, path: Path, model: type[D], last_line: str = "") -> Loaded[D] | None:
        """The document in ``path`` with its faults kept and ``UNKNOWN`` where they are; None when
        nothing can be made of it. ``last_line`` is read, and kept, as if it stood at its end; it is
        what ``--set`` gave, and its faults are told as that."""
        try:
            own = _read(path)
            found, faults = _examine(_with(own, last_line), str(path), model, path.parent)
            if last_line:
                faults = [_of_set(one, str(path), len(own.splitlines())) for one in faults]
        except DocumentError as error:
            self.faults += error.faults
            return None
        self.faults += _bounded(faults)
        return found

    def tell(self, *faults: DocumentFault) -> None:
        """Keep further faults."""
        self.faults += faults

    def settle(self) -> None:
        """Raise DocumentError with every fault kept, if there is one."""
        if self.faults:
            raise DocumentError(self.faults)


def load(path: Path, model: type[D]) -> Loaded[D]:
    """Read, parse and check one document.

    Raises:
        DocumentError: with every fault found.
    """
    return load_text(_read(path), str(path), model, path.parent)


def load_text(text: str, file_name: str, model: type[D], folder: Path | None = None) -> Loaded[D]:
    """Parse and check a document already read; ``file_name`` is what faults are placed in,
    ``folder`` where the files lie that it names (None: it has them in itself).

    Raises:
        DocumentError: with every fault found.
    """
    found, faults = _examine(text, file_name, model, folder)
    if found is None or faults:
        raise DocumentError(_bounded(faults))
    return found


def _examine(
    text: str, file_name: str, model: type[D], folder: Path | None
) -> tuple[Loaded[D] | None, list[DocumentFault]]:
    """What stands of a document, and its faults; None when it holds no keys and values."""
    tree = grow(text, file_name)
    if not isinstance(tree.root, dict) or fault_messages.tell_other_kind(tree, model):
        return None, tree.faults
    read = _absent if folder is None else lambda name: _read(folder / name)
    kept = write_out(tree, model, read)
    text = _with(text, kept)
    if kept and not tree.faults:
        tree.faults += grow(text, file_name).faults  # a record reads it again
    try:
        document = model.model_validate(tree.root)
    except ValidationError as error:
        found = refusals(tree, model, error)
        fault_messages.tell(tree, found)
        document, broken = salvage(tree, model, found)
        fault_messages.tell_rules(tree, broken)
    return Loaded(document, Path(file_name), text, tree), tree.faults


def _absent(name: str) -> str:
    raise _refuse(Path(name), "does not stand in this document")


def _with(text: str, last_line: str) -> str:
    between = "" if text.endswith("\n") or not last_line else "\n"
    return text + between + last_line


def _of_set(fault: DocumentFault, file: str, lines: int) -> DocumentFault:
    """A fault behind the last of so many lines of ``file`` stands in none."""
    if fault.file != file or fault.line <= lines:
        return fault
    return fault._replace(line=0, column=0, message=f"--set: {fault.message}")


def _bounded(faults: list[DocumentFault]) -> list[DocumentFault]:
    """The first faults by place, and how many more there are: a terminal holds no thousands."""
    told = sorted(set(faults))  # what is wrong in a part is found wherever the part is used
    if len(told) <= MAX_FAULTS:
        return told
    kept = told[:MAX_FAULTS]
    rest = f"{len(told) - MAX_FAULTS} further faults are not shown"
    return [*kept, kept[-1]._replace(message=rest, column=kept[-1].column + 1)]


def _refuse(path: Path, message: str, line: int = 0, column: int = 0) -> DocumentError:
    return DocumentError([DocumentFault(printable(str(path)), line, column, message)])


def _read(path: Path) -> str:
    """The text of a small regular file; never more than the bound is read."""
    try:
        kind = path.stat().st_mode
        if stat.S_ISDIR(kind):
            raise _refuse(path, "is a folder, not a document")
        if not stat.S_ISREG(kind):
            raise _refuse(path, "is a device or a pipe, not a document")
        with path.open("rb") as file:
            size = os.fstat(file.fileno()).st_size
            raw = file.read(MAX_BYTES + 1) if size <= MAX_BYTES else b""
    except FileNotFoundError as error:
        raise _refuse(path, f"no such file{_near_file(path)}") from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "not a file name"
        raise _refuse(path, f"cannot be read: {str(reason).lower()}") from error
    if size > MAX_BYTES or len(raw) > MAX_BYTES:
        found = f"{size / 1024:.0f} KiB" if size > MAX_BYTES else "more"
        raise _refuse(path, f"too large: {found}, a document has at most {MAX_BYTES // 1024} KiB")
    return decoded(path, raw)


def _near_file(path: Path) -> str:
    try:
        names = [one.name for one in path.parent.iterdir() if one.is_file()]
    except OSError:
        return ""
    close = get_close_matches(path.name, names, n=1)
    return f": did you mean '{printable(close[0])}'?" if close else ""


def decoded(path: Path, raw: bytes) -> str:
    """The text of a file, which is UTF-8.

    Raises:
        DocumentError: it is not, with the place of the first byte that is none.
    """
    if raw.startswith(b"\xef\xbb\xbf"):
        raise _refuse(path, "begins with a byte-order mark: save it as UTF-8 without one", 1, 1)
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise _refuse(path, "is UTF-16 text: save it as UTF-8", 1, 1)
    nul = raw.find(b"\0")
    if nul >= 0:
        line, column = _place_in(raw, nul)
        raise _refuse(path, "a NUL byte: this is not a text file", line, column)
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        line, column = _place_in(raw, error.start)
        found = f"the byte 0x{raw[error.start]:02X} is not UTF-8 text: save the file as UTF-8"
        raise _refuse(path, found, line, column) from error


def _place_in(raw: bytes, at: int) -> tuple[int, int]:
    start = raw.rfind(b"\n", 0, at) + 1
    return raw.count(b"\n", 0, at) + 1, len(raw[start:at].decode("utf-8", "replace")) + 1

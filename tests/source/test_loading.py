"""Files to documents: bounded reading, one clear line for each bad file, all faults together."""

import os
from pathlib import Path

import pytest

from sequencer.documents.cell import CellDocument
from sequencer.documents.specimen import SpecimenDocument
from sequencer.source.loading import Intake, load, load_text
from sequencer.source.nodes import MAX_BYTES
from sequencer.vocabulary.faults import DocumentError
from tests.source.samples import CELL, SPECIMEN


def refusal(path: Path) -> str:
    """The one line with which a file is refused, its folder left out."""
    with pytest.raises(DocumentError) as error:
        load(path, CellDocument)
    (fault,) = error.value.faults
    return str(fault).removeprefix(f"{path.parent}/")


@pytest.fixture
def cell(tmp_path):
    """A cell document on disk."""
    path = tmp_path / "cell.yaml"
    path.write_text(CELL, encoding="utf-8")
    return path


def test_a_document_knows_its_file_its_bytes_and_its_places(cell):
    """What messages and the record need: path, bytes, places of keys."""
    loaded = load(cell, CellDocument)
    assert loaded.document.absolute.charge_voltage == 4.25
    assert loaded.path == cell
    assert loaded.text.encode() == cell.read_bytes()
    assert loaded.place("absolute", "charge voltage") == (str(cell), 12, 19)
    assert loaded.place("absolute", "charge_voltage") == (str(cell), 12, 19)
    assert loaded.place("absolute", "cut_off_voltage") == (str(cell), 13, 20)
    assert loaded.place("claims", 1, "mass") == (str(cell), 32, 11)
    assert loaded.place("claims", 7, "mass") == (str(cell), 27, 1)
    assert loaded.said("absolute", "charge voltage") == f"{cell}:12"
    assert loaded.words("absolute", "charge_voltage") == "charge voltage '4.25 V'"
    fault = loaded.fault(("storage_voltage",), "too low")
    assert str(fault) == f"{cell}:18:18: too low"


def test_a_reference_is_relative_to_the_document(cell):
    """A document may be loaded from anywhere; what it names lies beside it."""
    loaded = load(cell, CellDocument)
    assert loaded.beside("../other.yaml") == cell.parent / "../other.yaml"
    assert loaded.beside("/abs/other.yaml") == Path("/abs/other.yaml")


def test_line_ends_of_other_systems_are_read(tmp_path):
    """CR LF changes neither values nor places, and the text stays that of the file."""
    path = tmp_path / "cell.yaml"
    path.write_bytes(CELL.replace("\n", "\r\n").encode())
    loaded = load(path, CellDocument)
    assert loaded.place("absolute", "charge voltage")[1:] == (12, 19)
    assert loaded.text.encode() == path.read_bytes()


@pytest.mark.parametrize(
    ("raw", "line"),
    [
        (b"", "cell.yaml:1:1: the document is empty"),
        (
            b"\xef\xbb\xbfcell: x",
            "cell.yaml:1:1: begins with a byte-order mark: save it as UTF-8 without one",
        ),
        ("cell: x".encode("utf-16"), "cell.yaml:1:1: is UTF-16 text: save it as UTF-8"),
        (b"cell: x\nmass: \x00", "cell.yaml:2:7: a NUL byte: this is not a text file"),
        (
            b"cell: x\nm\xc3\xa9: \xb5",
            "cell.yaml:2:5: the byte 0xB5 is not UTF-8 text: save the file as UTF-8",
        ),
        (bytes(range(256)), "cell.yaml:1:1: a NUL byte: this is not a text file"),
        (
            b"#" * (MAX_BYTES + 1),
            "cell.yaml: too large: 256 KiB, a document has at most 256 KiB",
        ),
    ],
)
def test_what_is_no_text_document_is_refused_in_one_line(tmp_path, raw, line):
    """Empty, marked, binary, in another encoding or too large: place and rule."""
    path = tmp_path / "cell.yaml"
    path.write_bytes(raw)
    assert refusal(path) == line


def test_a_huge_file_is_refused_without_being_read(tmp_path, monkeypatch):
    """50 MB are measured, not read."""
    path = tmp_path / "cell.yaml"
    with path.open("wb") as file:
        file.truncate(50_000_000)
    taken: list[int] = []
    opened = Path.open

    def watched(self, *arguments, **named):
        return Watched(opened(self, *arguments, **named), taken)

    monkeypatch.setattr(Path, "open", watched)
    assert refusal(path) == "cell.yaml: too large: 48828 KiB, a document has at most 256 KiB"
    assert taken == []


class Watched:
    """A file whose reads are counted in ``taken``."""

    def __init__(self, file, taken):
        self._file, self._taken = file, taken

    def fileno(self):
        """The file's own number."""
        return self._file.fileno()

    def read(self, size=-1):
        """What the file gives, and a mark that it was asked."""
        self._taken.append(size)
        return self._file.read(size)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._file.close()


def test_a_missing_file_is_told_with_a_near_name(cell):
    """What was probably meant is named."""
    wrong = cell.parent / "cel.yaml"
    assert refusal(wrong) == "cel.yaml: no such file: did you mean 'cell.yaml'?"
    assert refusal(cell.parent / "none" / "x.yaml") == "x.yaml: no such file"
    (cell.parent / "lamps").mkdir()
    assert refusal(cell.parent / "lamp.csv") == "lamp.csv: no such file"  # a folder is none


def test_what_is_no_file_is_refused(tmp_path, cell):
    """Folders, pipes, devices, names that cannot be: one line, and nothing waits for ever."""
    os.mkfifo(tmp_path / "pipe.yaml")
    assert refusal(tmp_path / "pipe.yaml") == "pipe.yaml: is a device or a pipe, not a document"
    assert refusal(Path("/dev/zero")) == "zero: is a device or a pipe, not a document"
    (tmp_path / "folder.yaml").mkdir()
    assert refusal(tmp_path / "folder.yaml") == "folder.yaml: is a folder, not a document"
    assert refusal(cell / "x.yaml") == "x.yaml: cannot be read: not a directory"
    (tmp_path / "loop.yaml").symlink_to("loop.yaml")
    assert refusal(tmp_path / "loop.yaml").startswith("loop.yaml: cannot be read: ")
    assert refusal(tmp_path / ("x" * 300)).endswith("cannot be read: file name too long")
    assert refusal(tmp_path / "a\0b").endswith("a\\u0000b: cannot be read: not a file name")


def test_what_may_not_be_read_is_refused(cell, monkeypatch):
    """A file of somebody else: the system's reason, in one line."""

    def refuse(self, *_):
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", refuse)
    assert refusal(cell) == "cell.yaml: cannot be read: permission denied"


def test_the_faults_of_several_documents_come_together(tmp_path, cell):
    """One error for a whole set, sorted by place; a sound document is still returned."""
    bad = tmp_path / "bad.yaml"
    bad.write_text(CELL.replace("4.2 V", "4.2", 1).replace("3.8 V", "3.8"), encoding="utf-8")
    intake = Intake()
    sound = intake.load(cell, CellDocument)
    assert intake.load(bad, CellDocument) is None
    assert intake.load(tmp_path / "none.yaml", SpecimenDocument) is None
    assert sound is not None
    intake.tell(sound.fault(("mass",), "of another cell"))
    with pytest.raises(DocumentError) as error:
        intake.settle()
    assert [Path(fault.file).name for fault in error.value.faults] == [
        "bad.yaml",
        "bad.yaml",
        "cell.yaml",
        "none.yaml",
    ]


def test_an_intake_without_faults_settles():
    """Nothing wrong, nothing raised."""
    Intake().settle()


def test_text_loads_as_a_file_does():
    """A document made in memory has the same places under the name it is given."""
    loaded = load_text(SPECIMEN, "specimens/a.yaml", SpecimenDocument)
    assert loaded.place("weighings", 0, "mass") == ("specimens/a.yaml", 6, 12)
    assert loaded.path == Path("specimens/a.yaml")

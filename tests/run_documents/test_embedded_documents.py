"""Documents that a manifest keeps: found by role, held to their hash, whatever else is there."""

import hashlib
from pathlib import Path

import pytest

from sequencer.documents.cell import CellDocument
from sequencer.run_documents.embedded_documents import DEFINITION, Kept, documents_of
from sequencer.vocabulary.faults import DocumentError
from tests.cli.places import CELL

TEXT = CELL.read_text(encoding="utf-8")


def kept(role="cell", text=TEXT, sha256=None, path="cells/mine.yaml"):
    """One document as a manifest has it."""
    digest = hashlib.sha256(text.encode()).hexdigest() if sha256 is None else sha256
    return {"role": role, "path": path, "text": text, "sha256": digest}


def found(*documents):
    """The documents of a manifest."""
    return Kept(Path("run"), {"documents": list(documents)})


def test_a_document_is_read_from_its_own_text():
    """No file beside it is needed; it says where it came from."""
    one = found(kept()).find("cell", CellDocument)
    assert one is not None
    assert one.document.cell == "Lamp pouch 3 Ah"


def test_a_text_that_does_not_fit_its_hash_is_told_and_still_read():
    """Somebody changed it, or its hash: whoever reports says so."""
    changed = kept(text=TEXT.replace("3.0 Ah", "3.1 Ah"), sha256=kept()["sha256"])
    documents = found(changed, kept("specimen"))
    assert documents.unsound == ["manifest.json: the text of the cell does not fit its hash"]
    assert documents.find("cell", CellDocument) is not None


def test_a_role_without_a_text_is_not_there():
    """Only its path was kept (an older record): there is nothing to read."""
    documents = found({"role": "cell", "path": "x.yaml"}, kept(f"{DEFINITION}load"))
    assert documents.roles == [f"{DEFINITION}load"]
    assert documents.find("cell", CellDocument) is None


def test_a_faulty_text_is_a_document_error_that_names_its_path():
    """This version finds fault with it: the caller decides what follows."""
    with pytest.raises(DocumentError, match=r"cells/mine\.yaml:"):
        found(kept(text="cell: [")).find("cell", CellDocument)


@pytest.mark.parametrize("manifest", [{}, {"documents": None}, {"documents": [1, "x", None]}])
def test_what_is_no_list_of_documents_holds_none(manifest):
    """Damage is passed by."""
    assert list(documents_of(manifest)) == []
    assert Kept(Path("run"), manifest).roles == []

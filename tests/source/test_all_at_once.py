"""All faults of a document come in one go, whatever their kind, and none only follows from another.

Beside each document in ``all_wrong``, which has one mistake of every kind, lies what is said of it.
"""

from pathlib import Path

import pytest

from sequencer.documents.bench import BenchDocument
from sequencer.documents.cell import CellDocument
from sequencer.documents.profile import ProfileDocument
from sequencer.source.loading import Intake, load, load_text
from sequencer.source.schemas.generation import KINDS
from sequencer.source.sets import look_at_bench
from sequencer.vocabulary.faults import DocumentError, UsageError
from tests.house.tree import ROOT
from tests.source.samples import BENCH, CELL, PROFILE

FOLDER = Path(__file__).parent / "all_wrong"
DEFINITIONS = ROOT / "drivers" / "definitions"


def expected(kind):
    """What is to be said of the document of that kind, line by line."""
    return (FOLDER / f"{kind}.txt").read_text(encoding="utf-8").splitlines()


def said(text, model):
    """The faults of a text as shown, without the file's name."""
    with pytest.raises(DocumentError) as error:
        load_text(text, "x", model)
    return [str(fault).removeprefix("x:") for fault in error.value.faults]


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "bench"])
def test_one_mistake_of_every_kind_is_told_at_once(kind):
    """Shapes, units, keys and rules between keys, in one document, in one list."""
    with pytest.raises(DocumentError) as error:
        load(FOLDER / f"{kind}.yaml", KINDS[kind])
    assert str(error.value).replace(f"{FOLDER}/", "").splitlines() == expected(kind)


def shipped(name):
    """The file of a shipped definition."""
    if not (DEFINITIONS / f"{name}.yaml").is_file():
        raise UsageError("ships with nobody")
    return DEFINITIONS / f"{name}.yaml"


def test_a_bench_is_told_with_all_that_it_names():
    """Definitions that are not there, roles that do not fit and files that are missing are told
    together with wrong shapes."""
    intake = Intake()
    look_at_bench(FOLDER / "bench.yaml", shipped, intake)
    with pytest.raises(DocumentError) as error:
        intake.settle()
    told = str(error.value).replace(f"{FOLDER}/", "").replace(f"{ROOT}/", "")
    assert told.splitlines() == expected("bench")


def test_what_is_wrong_itself_is_judged_by_no_other_rule():
    """A recommended cut-off above its charge voltage is told once, not again beside the storage
    voltage and the absolute limits."""
    text = CELL.replace("cut-off voltage: 3 V", "cut-off voltage: 4.21 V")
    assert said(text, CellDocument) == [
        "6:20: cut-off voltage '4.21 V': is not below the charge voltage, 4.20 V"
    ]


@pytest.mark.parametrize("spoilt", ["absolute", "recommended", "claims", "current limits"])
def test_a_section_that_is_no_section_is_told_alone(spoilt):
    """Nothing is said of what a missing section would have held."""
    lines = CELL.splitlines(keepends=True)
    start = lines.index(f"{spoilt}:\n")
    inside = [n for n in range(start + 1, len(lines)) if not lines[n].startswith(" ")]
    end = inside[0] if inside else len(lines)
    text = "".join([*lines[:start], f"{spoilt}: x\n", *lines[end:]])
    assert len(said(text, CellDocument)) == 1


def test_a_missing_key_causes_no_further_fault():
    """Without its instruments nothing is said of a bench's wiring."""
    text = BENCH.replace("instruments:", "instrumnts:")
    assert said(text, BenchDocument) == [
        "2:1: unknown key 'instrumnts': did you mean 'instruments'?",
    ]


def test_a_misspelt_key_is_not_also_a_key_left_out():
    """The charge has a stop, only its name is misspelt."""
    text = PROFILE.replace("termination current", "terminaton current")
    assert said(text, ProfileDocument) == [
        "8:5: unknown key 'terminaton current': did you mean 'termination current'?"
    ]


def test_a_list_is_not_called_too_short_because_of_its_entries():
    """The curve has its two points, of which one is wrong."""
    text = (FOLDER / "simulated-cell.yaml").read_text(encoding="utf-8")
    told = said(text, KINDS["simulated-cell"])
    assert not [one for one in told if "needs at least" in one]
    assert [one for one in told if one.startswith("6:25: voltage '3': no unit")]

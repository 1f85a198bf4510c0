"""Mistakes that engineers make in profiles, each with the whole of what is said of it.

The cases stand as pairs in the files of ``broken_profiles``: after ``=== title`` the profile, as it
would lie in ``night.yaml``, and after ``> `` each line that its author reads. They are read beside
the cell documents there; those of ``BENCHES`` on that bench. ``NIGHTBENCH_WRITE_BROKEN=1`` writes
what is said anew, to be read before it is committed.
"""

import os
from pathlib import Path
from typing import NamedTuple, get_args

import pytest

from sequencer.documents.profile import Step
from sequencer.documents.symbolic_values import Form, SymbolicValue
from sequencer.run_documents.reading import RunOptions, read_run_documents
from sequencer.vocabulary.faults import DocumentError
from tests.house.tree import ROOT

FOLDER = Path(__file__).parent / "broken_profiles"
BENCHES = {"demonstration-bench": "demonstration", "bare-bench": "bare"}
"""Files of cases that are read on a bench, with a cell that stands more than it gives."""


class Case(NamedTuple):
    """A broken profile and what is said of it."""

    file: Path
    title: str
    profile: bytes
    said: list[str]


def cases(file: Path) -> list[Case]:
    """The pairs of one file, in order."""
    found = []
    for block in file.read_text(encoding="utf-8").split("=== ")[1:]:
        title, *lines = block.removesuffix("\n").split("\n")
        said = [line.removeprefix("> ") for line in lines if line.startswith("> ")]
        text = "".join(f"{line}\n" for line in lines if not line.startswith("> "))
        found.append(Case(file, title, text.encode(), said))
    return found


CASES = [case for file in sorted(FOLDER.glob("*.txt")) for case in cases(file)]
BYTES = {
    "a byte-order mark": (
        b"\xef\xbb\xbfprofile: test\n",
        "night.yaml:1:1: begins with a byte-order mark: save it as UTF-8 without one",
    ),
    "UTF-16": (
        "profile: test\n".encode("utf-16"),
        "night.yaml:1:1: is UTF-16 text: save it as UTF-8",
    ),
    "Latin-1": (
        "profile: test\npurpose: für die Lampe\n".encode("latin-1"),
        "night.yaml:2:11: the byte 0xFC is not UTF-8 text: save the file as UTF-8",
    ),
    "a blank that is none": (
        "profile: test\nsteps:\n  - {step: rest, for: 10\u00a0min}\n".encode(),
        "night.yaml:3:23: for '10\\u00a0min': not a time: write a plain blank in place of U+00A0",
    ),
    "a mark that nobody sees": (
        "profile: test\nsteps:\n  - {step: rest, for: 10\u200b min}\n".encode(),
        "night.yaml:3:25: the invisible character U+200B: remove it",
    ),
    "no line ends but returns": (
        b"profile: test\rsteps:",
        "night.yaml:1:14: the invisible character U+000D: remove it",
    ),
    "a zip archive": (b"PK\x03\x04\x00\x00", "night.yaml:1:5: a NUL byte: this is not a text file"),
    "nothing": (b"", "night.yaml:1:1: the document is empty"),
}


def said_of(case: Case, folder: Path) -> list[str]:
    """Every line that the author of the profile reads."""
    path = folder / "night.yaml"
    path.write_bytes(case.profile)
    bench = BENCHES.get(case.file.stem)
    cell = FOLDER / ("strong-cell.yaml" if bench else "cell.yaml")
    place = ROOT / "sim_configs" / "benches" / f"{bench}.yaml" if bench else None
    with pytest.raises(DocumentError) as error:
        read_run_documents(RunOptions(path, cell, place))
    told = str(error.value)
    for one in (folder, FOLDER, ROOT):
        told = told.replace(f"{one}/", "")
    return told.splitlines()


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.file.stem}: {case.title}")
def test_a_broken_profile_is_told_as_it_stands_there(case, tmp_path):
    """The place, the rule and the value, and nothing else."""
    assert said_of(case, tmp_path) == case.said


@pytest.mark.parametrize("name", BYTES)
def test_a_file_that_holds_other_bytes_is_told(name, tmp_path):
    """What an editor or a spreadsheet may leave in a file."""
    raw, told = BYTES[name]
    assert said_of(Case(FOLDER / "text.txt", name, raw, []), tmp_path) == [told]


def test_there_are_hundreds_and_each_is_another():
    """No two cases are the same profile in the same setting."""
    assert len(CASES) > 280
    assert len({(case.file, case.profile) for case in CASES}) == len(CASES)
    assert len({(case.file, case.title) for case in CASES}) == len(CASES)


def test_every_kind_of_step_and_every_form_of_value_is_among_them():
    """Each kind of step is broken somewhere, and each word and form that stands for a quantity."""
    text = "".join(case.profile.decode() for case in CASES)
    kinds = [one.model_fields["step"] for one in get_args(get_args(Step)[0])]
    words = [get_args(kind.annotation)[0] for kind in kinds]
    assert [word for word in words if f"step: {word}" not in text and word != "part"] == []
    forms = [one.value for one in (*SymbolicValue, *Form)]
    assert [form for form in forms if form not in text] == []


if os.environ.get("NIGHTBENCH_WRITE_BROKEN"):

    def test_what_is_said_is_written_anew(tmp_path):
        """The files as they would have to be."""
        for file in sorted(FOLDER.glob("*.txt")):
            blocks = [
                f"=== {case.title}\n{case.profile.decode()}"
                + "".join(f"> {line}\n" for line in said_of(case, tmp_path))
                for case in cases(file)
            ]
            file.write_text("".join(blocks), encoding="utf-8")

"""``init``: what is copied is whole, says where things are, and is a first bench that works."""

import re
import stat
import tomllib
from pathlib import Path

import pytest

from sequencer.assembly.shipped import definitions_folder
from sequencer.commands.init import BENCH, FOLDERS, UNITS, shipped_root
from sequencer.source.schemas.copying import SHIPPED
from tests.house.tree import ROOT


@pytest.fixture
def mine(ask, tmp_path, monkeypatch):
    """A folder as ``init`` makes it, and the lines that it said."""
    monkeypatch.chdir(tmp_path)
    told = ask("init", "mine")
    assert told.exit == 0, told.err
    return tmp_path / "mine", told.out


def test_everything_that_ships_is_copied(mine):
    """Every document, byte for byte below the line that tells an editor its schema; writable."""
    target, _ = mine
    folders = {shipped_root() / name: target / name for name in FOLDERS}
    folders[ROOT / "drivers" / "definitions"] = target / "definitions"
    for source, copied in folders.items():
        for path in source.rglob("*.yaml"):
            copy = (
                target / BENCH.name
                if path.name == BENCH.name
                else copied / path.relative_to(source)
            )
            assert copy.read_bytes().split(b"\n")[1:] == path.read_bytes().split(b"\n")[1:]
            assert copy.stat().st_mode & stat.S_IWUSR


def test_a_wheel_holds_all_that_is_copied():
    """The folders lie in it where ``shipped_root`` looks for them; definitions, schemas and units
    are files of packages that it holds whole."""
    made = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    wheel = made["tool"]["hatch"]["build"]["targets"]["wheel"]
    assert wheel["force-include"] == {name: f"sequencer/shipped/{name}" for name in FOLDERS}
    packages = {ROOT / name for name in wheel["packages"]}
    for folder in (definitions_folder(), SHIPPED, UNITS):
        assert packages & set(folder.parents), folder
    assert (ROOT / BENCH).is_file()


def test_nothing_is_overwritten(ask, mine):
    """A second time is refused."""
    told = ask("init", "mine")
    assert (told.exit, "is not empty" in told.err) == (2, True)


@pytest.mark.parametrize(
    ("target", "said"),
    [
        ("file", "file: is a file; name a new or empty folder\n"),
        ("file/in", "file/in: cannot be written: not a directory\n"),
    ],
)
def test_what_cannot_be_written_to_is_told(ask, tmp_path, monkeypatch, target, said):
    """In one plain line."""
    monkeypatch.chdir(tmp_path)
    Path("file").write_text("mine", encoding="utf-8")
    told = ask("init", target)
    assert (told.exit, told.err) == (2, said)


def test_every_document_finds_its_schema(mine):
    """An editor is led to a file that is there."""
    target, _ = mine
    documents = [path for path in target.rglob("*.yaml") if "visa" not in path.parts]
    assert len(documents) > 40
    for path in documents:
        first = path.read_text(encoding="utf-8").partition("\n")[0]
        match = re.fullmatch(r"# yaml-language-server: \$schema=(\S+)", first)
        assert match is not None, path
        assert (path.parent / match.group(1)).is_file(), path


def test_every_link_leads_somewhere(mine):
    """The copied texts point to what was copied with them."""
    target, _ = mine
    texts = list(target.rglob("*.md"))
    assert {path.parent.name for path in texts} >= {"profiles", "definitions"}
    for path in texts:
        for link in re.findall(r"\]\(([^)#]+)[^)]*\)", path.read_text(encoding="utf-8")):
            assert (path.parent / link).exists(), (path, link)


def test_what_is_said_next_works_as_it_stands(ask, mine, monkeypatch):
    """Both commands, in the folder that they change into."""
    target, out = mine
    said = re.findall(r"cd (\S+) && nightbench (.+)", out)
    assert [folder for folder, _ in said] == ["mine", "mine"]
    monkeypatch.chdir(target)
    for _, command in said:
        told = ask(*command.split())
        assert told.exit == 0, told.err


def test_the_current_folder_needs_no_change(ask, tmp_path, monkeypatch):
    """``nightbench init .`` says no ``cd``."""
    monkeypatch.chdir(tmp_path)
    told = ask("init", ".")
    assert told.exit == 0
    assert "cd " not in told.out


def test_a_copied_definition_is_the_one_that_counts(ask, mine, monkeypatch):
    """A mistake in ``definitions/`` is told there: the first bench reads those copies."""
    target, _ = mine
    monkeypatch.chdir(target)
    own = Path("definitions/generic-scpi-load.yaml")
    own.write_text(own.read_text(encoding="utf-8").replace("kind: load", "kind: lod"), "utf-8")
    cell = "profiles/cells/lamp-pouch.yaml"
    told = ask("check", "profiles/first-look.yaml", "--cell", cell, "--bench", "my-desk.yaml")
    assert told.exit == 2
    assert "definitions/generic-scpi-load.yaml:4:7: kind 'lod'" in told.err

"""The shelf of profiles: what each says of itself, in one form, and the index of them all."""

import re
from pathlib import Path

import pytest

from sequencer.documents.profile import ProfileDocument
from sequencer.source.loading import load
from sequencer.vocabulary.units import duration

ROOT = Path(__file__).parents[2]
PROFILES = sorted((ROOT / "profiles").glob("*.yaml"))
REFERENCE = (ROOT / "profiles/README.md").read_text(encoding="utf-8")
ABOUT = ["profile", "purpose", "needs", "duration", "shows"]
STANDARD = re.compile(r"\b(IEC|ISO|UN|ICAO|IATA|DOE) ?\d*")


def row(path: Path) -> str:
    """A profile's line in the index, as its own document says it."""
    made = load(path, ProfileDocument).document
    lasts = duration(made.duration) if made.duration else ""
    name, picture = f"[{path.stem}]({path.name})", f"[picture](pictures/{path.stem}.svg)"
    return f"| {name} | {lasts} | {picture} | {made.shows} | {made.source} |"


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_a_profile_begins_with_what_it_is(path: Path):
    """The same keys in the same order, a source last where there is one, and none is empty."""
    keys = re.findall(r"^([a-z]+):", path.read_text(encoding="utf-8"), re.MULTILINE)
    about = [*ABOUT, *(["source"] if "source" in keys else [])]
    assert keys[: len(about)] == about
    made = load(path, ProfileDocument).document
    assert all([made.purpose, made.needs, made.duration, made.shows])


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_a_standard_is_named_in_the_source_with_how_it_is_known(path: Path):
    """Whoever names a standard says whether it was read or remembered."""
    made = load(path, ProfileDocument).document
    written = re.sub(r"(?m)^#.*$", "", path.read_text(encoding="utf-8"))
    if STANDARD.search(written):
        assert STANDARD.search(made.source)
        assert re.search(r"\((seen|from memory)", made.source)


def test_the_index_has_every_profile_as_it_is():
    """A profile that is changed, added or taken away is changed there too."""
    start = REFERENCE.index("| profile |")
    rows = REFERENCE[start : REFERENCE.index("\n\n", start)].splitlines()[2:]
    assert sorted(rows) == sorted(row(path) for path in PROFILES)

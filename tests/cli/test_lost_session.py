"""A night over real wires in which a session is lost: what its journal says, and its replay."""

import pytest

from sequencer.recording.journal import decode
from tests.cli.places import BENCH, CELL, SHORT

FAULT = """\
fault: a session is lost
kind: {kind}
instrument: {instrument}
counted from: charging
at: 20 s
"""


def night(ask, tmp_path, more, **fault):
    """How a night of two minutes with that fault ended, and every fault in its journal."""
    for name, text in (("short", SHORT), ("fault", FAULT.format(**fault) + more)):
        (tmp_path / f"{name}.yaml").write_text(text, encoding="utf-8")
    run = tmp_path / "run"
    named = ("--cell", CELL, "--bench", BENCH, "--fault", tmp_path / "fault.yaml")
    ways = ("--yes", "--no-screen", "--no-report", "--json", "--folder", run)
    told = ask("run", tmp_path / "short.yaml", *named, *ways)
    entries = map(decode, (run / "journal.jsonl").read_bytes().splitlines())
    found = [one for entry in entries if entry.kind == "fault" for one in entry.entry["faults"]]
    return told, ask("replay", run), found


@pytest.mark.parametrize(
    ("instrument", "kind", "more"),
    [
        ("meter", "killed", "for: 1 s\n"),
        ("load", "killed", "for: 1 s\n"),
        ("logger", "garbage", "times: 1\n"),
    ],
)
def test_a_lost_session_of_what_drives_nothing_ends_no_night(ask, tmp_path, instrument, kind, more):
    """Told as awaited, told as opened anew, done; the replay compares every line."""
    told, replayed, found = night(ask, tmp_path, more, kind=kind, instrument=instrument)
    assert told.exit == 0, told.out
    kinds = [(one["kind"], one["culprit"]) for one in found]
    assert kinds[0] == ("answer awaited", instrument)
    assert kinds[-1] == ("session opened anew", instrument)
    assert found[-1]["detail"] == "1 of the 3 that may be lost in one run"
    assert replayed.exit == 0, replayed.out


def test_a_lost_session_of_what_drives_ends_the_night_safe(ask, tmp_path):
    """The supply's: exit 6, off proven by the contactor."""
    told, replayed, found = night(ask, tmp_path, "for: 1 s\n", kind="killed", instrument="supply")
    assert told.exit == 6
    assert ("link lost", "supply") in [(one["kind"], one["culprit"]) for one in found]
    assert replayed.exit == 0, replayed.out


def test_one_garbled_identity_ends_no_night_and_another_instrument_does(ask, tmp_path):
    """Noise is asked again in a new session; another one that answers twice is a change."""
    told, _, found = night(
        ask,
        tmp_path,
        "text: another,instrument,0,0\n",
        kind="identity",
        instrument="meter",
    )
    assert told.exit == 6
    assert ("identity changed", "meter") in [(one["kind"], one["culprit"]) for one in found]

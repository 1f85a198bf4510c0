"""What is missing from a folder is said and is no difference; what was changed is one."""

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from sequencer.recording.folder import JOURNAL, SAMPLES
from sequencer.recording.journal import JournalEntry, decode, encode
from sequencer.recording.run import read_run
from sequencer.replaying.decisions import DUE, ROW
from sequencer.vocabulary.intent import State
from tests.replaying.recorded import WATCHED, RoundedBench, again, go

TRIPS_AT_S = 60.0


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Path:
    """A run that was done."""
    return go(tmp_path_factory.mktemp("whole") / "run", RoundedBench()).folder


@pytest.fixture(scope="module")
def tripped(tmp_path_factory) -> Path:
    """A run that was tripped by its cell's temperature."""
    bench = RoundedBench()
    bench.broken.append((TRIPS_AT_S, _hot_at_once))
    return go(tmp_path_factory.mktemp("tripped") / "run", bench).folder


def _hot_at_once(seen):
    """Too hot for one sample; the cell is cool again afterwards."""
    return seen._replace(surface_c=60.0) if seen.at_ns == TRIPS_AT_S * 1e9 else seen


@pytest.fixture
def copy(request, tmp_path: Path) -> Path:
    """A copy that may be spoilt."""
    return Path(shutil.copytree(request.getfixturevalue(request.param), tmp_path / "copy"))


both = pytest.mark.parametrize("copy", ["whole", "tripped"], indirect=True)
on_whole = pytest.mark.parametrize("copy", ["whole"], indirect=True)
on_tripped = pytest.mark.parametrize("copy", ["tripped"], indirect=True)


@both
@pytest.mark.parametrize("name", [JOURNAL, SAMPLES])
def test_a_file_cut_anywhere_is_no_difference(copy, name):
    """Cut at some fifty places: the rest is replayed, and what is not there is said."""
    raw = (copy / name).read_bytes()
    for cut in range(0, len(raw) - 1, max(1, len(raw) // 50)):
        (copy / name).write_bytes(raw[:cut])
        replayed = again(copy)
        assert replayed.differences == (), cut
        assert replayed.unfollowed or read_run(copy).missing, cut


@both
@pytest.mark.parametrize(("name", "most"), [(JOURNAL, 60), (SAMPLES, 40)])
def test_a_line_that_is_lost_is_no_difference(copy, name, most):
    """Each line of the journal, and some rows of samples, taken away alone."""
    lines = (copy / name).read_bytes().splitlines(keepends=True)
    for number in range(1 if name == SAMPLES else 0, len(lines), max(1, len(lines) // most)):
        (copy / name).write_bytes(b"".join([*lines[:number], *lines[number + 1 :]]))
        replayed = again(copy)
        assert replayed.differences == (), number
        if number < len(lines) - 10:
            assert replayed.unfollowed, number


@on_whole
def test_the_replay_goes_as_far_as_the_record(copy):
    """A folder cut after half its samples is replayed up to there."""
    raw = (copy / SAMPLES).read_bytes()
    whole = again(copy)
    (copy / SAMPLES).write_bytes(raw[: len(raw) // 2])
    half = again(copy)
    assert 0.4 * whole.rows < half.rows < 0.6 * whole.rows
    assert 5 < half.lines < whole.lines
    assert half.state is State.CHARGING
    assert "the samples end before what led to entry" in half.unfollowed[-1]


def change(folder: Path, kind: str, nth: int, **fields: Any) -> JournalEntry:
    """Change the n-th entry of a kind, its CRC-32 made to fit; the entry as it was."""
    lines = (folder / JOURNAL).read_bytes().splitlines()
    found = [number for number, line in enumerate(lines) if decode(line).kind == kind][nth]
    was = decode(lines[found])
    changed = was._replace(entry={**was.entry, **fields})
    lines[found] = encode(changed)[:-1]
    (folder / JOURNAL).write_bytes(b"\n".join(lines) + b"\n")
    return was


def test_every_number_of_every_entry_is_compared(whole, tripped, tmp_path):
    """One field changed in one line of the journal is exactly one difference, and which one."""
    compared = {"state", "step ended", "command", "end", "trip", "left"}
    inputs = {"end": {"at_ns"}, "left": {"at_ns", "since_ns"}, "trip": {"by"}}
    tried = 0
    for source in (whole, tripped):
        entries = [decode(line) for line in (source / JOURNAL).read_bytes().splitlines()]
        for number, one in enumerate(entries):
            if one.kind not in compared:
                continue
            nth = sum(other.kind == one.kind for other in entries[:number])
            key = sorted(set(one.entry) - inputs.get(one.kind, set()))
            field = key[number % len(key)]
            copy = Path(shutil.copytree(source, tmp_path / f"{source.name}-{tried}"))
            change(copy, one.kind, nth, **{field: "changed"})
            differences = again(copy).differences
            assert [diff.kind for diff in differences] == [one.kind], (one, field)
            assert differences[0].recorded is not None
            assert differences[0].recorded[field] == "changed"
            tried += 1
    assert tried > 25


def without(folder: Path, kind: str, nth: int) -> None:
    """Take an entry away and close the gap behind it."""
    entries = [decode(line) for line in (folder / JOURNAL).read_bytes().splitlines()]
    entries.remove([one for one in entries if one.kind == kind][nth])
    renumbered = [one._replace(sequence=n) for n, one in enumerate(entries, 1)]
    (folder / JOURNAL).write_bytes(b"".join(map(encode, renumbered)))


@on_tripped
def test_a_trip_that_is_hidden_is_shown(copy):
    """The panel trips where the journal no longer says so."""
    without(copy, "trip", 0)
    replayed = again(copy)
    (difference,) = replayed.differences
    assert (difference.kind, difference.recorded) == ("trip", None)
    assert difference.replayed is not None
    assert difference.replayed["interlock"] == "surface temperature"
    assert difference.at_ns == TRIPS_AT_S * 1e9


@on_whole
def test_a_step_end_that_is_hidden_is_shown(copy):
    """Exactly the lines that are not there any more differ."""
    without(copy, "step ended", 2)
    (difference, *further) = again(copy).differences
    assert difference.replayed is not None
    assert difference.replayed["step"] == 3
    assert len(further) <= 2


def spoil(folder: Path, number: int, label: str, text: str) -> None:
    """Change one field of the row with that number."""
    lines = (folder / SAMPLES).read_text(encoding="utf-8").split("\n")
    fields = lines[number].split(",")
    fields[lines[0].split(",").index(label)] = text
    lines[number] = ",".join(fields)
    (folder / SAMPLES).write_text("\n".join(lines))


@on_whole
def test_a_changed_sample_that_trips_is_one_difference(copy):
    """A voltage beyond the ceiling, written in afterwards, trips the replay at its row."""
    spoil(copy, 7, "Voltage / V", "4.300000")
    replayed = again(copy)
    (difference,) = replayed.differences
    assert (difference.row, difference.kind, difference.recorded) == (7, "trip", None)
    assert difference.replayed is not None
    assert difference.replayed["reason"].startswith("cell voltage 4.300 V is above the ceiling")
    assert replayed.rows < 20


@on_whole
def test_a_changed_sample_at_rest_shows_in_its_step_alone(copy):
    """A temperature half a kelvin higher, at rest, is the step's highest: one line differs."""
    spoil(copy, 7, "Surface Temperature / degC", "25.500")
    (difference,) = again(copy).differences
    assert difference.kind == "step ended"
    assert difference.recorded is not None
    assert difference.replayed is not None
    assert (difference.recorded["step"], difference.recorded["highest_c"]) == (1, 25.0)
    assert difference.replayed["highest_c"] == 25.5


@on_whole
def test_a_changed_current_shows_at_its_row_and_in_its_step(copy):
    """Another current in one row: the first difference is that row's account."""
    spoil(copy, 60, "Current / A", "1.111000")
    differences = again(copy).differences
    assert (differences[0].row, differences[0].kind) == (60, ROW)
    assert [one.kind for one in differences] == [ROW, "step ended"]


@on_whole
def test_a_sample_at_another_time_than_wanted_is_one(copy):
    """When to look is decided by the machine: a lateness that does not fit shows at its row."""
    spoil(copy, 7, "Lateness / s", "0.500000000")
    (difference,) = again(copy).differences
    assert (difference.row, difference.kind) == (7, DUE)


@on_whole
def test_another_limit_decides_otherwise(copy):
    """With the ceiling just below what was reached, the replay trips there."""
    (difference,) = again(copy, limits=WATCHED._replace(ceiling_v=4.18)).differences
    assert (difference.kind, difference.recorded) == ("trip", None)
    assert difference.replayed is not None
    assert difference.replayed["interlock"] == "voltage high"


@on_tripped
def test_a_looser_limit_would_have_gone_on(copy):
    """A trip that the replay does not find again is a difference, and ends it."""
    looser = WATCHED._replace(charge_high_c=70.0, discharge_high_c=70.0, warming_c_per_s=10.0)
    (difference,) = again(copy, limits=looser).differences
    assert (difference.kind, difference.replayed) == ("trip", None)


@on_whole
def test_what_the_watchdog_wrote_is_no_decision(copy):
    """A run whose executive died is replayed as far as the executive wrote."""
    lines = (copy / JOURNAL).read_bytes().splitlines(keepends=True)
    kept = lines[: len(lines) // 2]
    last = decode(kept[-1][:-1])
    end = {"at_ns": None, "ending": "faulted", "exit": 6, "reason": "killed", "by": "watchdog"}
    words = [("rescue", {"why": "killed"}), ("end", end)]
    kept += [
        encode(JournalEntry(last.sequence + n, last.rows, *one)) for n, one in enumerate(words, 1)
    ]
    (copy / JOURNAL).write_bytes(b"".join(kept))
    replayed = again(copy)
    assert replayed.differences == ()
    assert "the journal ends before the run does" in replayed.unfollowed[-1]


@on_whole
def test_an_entry_that_holds_nonsense_is_said(copy):
    """A proof that is none ends the replay in words."""
    change(copy, "proof", -1, level="Z")
    replayed = again(copy)
    assert replayed.differences == ()
    assert "is no proof" in replayed.unfollowed[-1]
    assert json.dumps(replayed.unfollowed)

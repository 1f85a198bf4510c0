"""What a power cut leaves: writes not yet synced are dropped, reordered, cut or full of zeros.

A model, since no test can pull the plug: every byte synced is there; of what came after, each write
may be there or not, or in part, and a hole before one that is there reads as zeros.
"""

import os
from random import Random

import pytest

from sequencer.recording.folder import JOURNAL, MANIFEST, SAMPLES
from sequencer.recording.run import read_run
from tests.recording.disks import PowerDisk
from tests.recording.invented import create, same, ticks

TICKS = list(ticks(16))
FUZZ_RUNS = int(os.environ.get("NIGHTBENCH_FUZZ_RUNS", "2000"))


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """The writes of a run of 16 rows, the last sync known, and a folder to leave pieces in."""
    folder = tmp_path_factory.mktemp("power")
    states = []
    disk = PowerDisk()
    run = create(folder / "run", disk)
    for number, (sample, mark) in enumerate(TICKS, 1):
        run.append(sample, mark)
        if number % 5 == 0:
            run.note("state", {"at_ns": sample.at_ns})
        if number % 4 == 0:
            run.sync()
        states.append((number, dict(disk.synced), {k: len(v) for k, v in disk.written.items()}))
    manifest = (run.path / MANIFEST).read_bytes()
    run.close()
    return folder, states, disk.written, manifest


def _left_by(chance, writes, synced, written):
    """What the medium may hold of one file: everything synced, and a part of the rest."""
    raw = bytearray(b"".join(writes[:synced]))
    at = len(raw)
    for data in writes[synced:written]:
        outcome = chance.choice(("kept", "lost", "part", "zeros"))
        size = chance.randint(0, len(data)) if outcome == "part" else len(data)
        if outcome != "lost":
            raw.extend(b"\0" * (at - len(raw)))
            raw.extend(b"\0" * size if outcome == "zeros" else data[:size])
        at += len(data)
    return bytes(raw)


def test_what_was_synced_is_read_back_and_nothing_is_made_up(recorded):
    """After any such cut: synced rows are there as judged, and none that was never written."""
    folder, states, written, manifest = recorded
    place = folder / "left"
    place.mkdir()
    (place / MANIFEST).write_bytes(manifest)
    for seed in range(FUZZ_RUNS // 2):
        chance = Random(seed)
        number, synced, count = chance.choice(states)
        for name in (SAMPLES, JOURNAL):
            left = _left_by(chance, written[name], synced[name], count[name])
            (place / name).write_bytes(left)
        found = read_run(place)
        rows = {row.number: row.sample for row in found.rows}
        expected = set(range(1, synced[SAMPLES]))
        assert expected <= set(rows) <= set(range(1, number + 1)), seed
        for row, sample in rows.items():
            judged = TICKS[row - 1][0]
            assert same(sample, judged) or row not in expected, seed
            assert (sample.at_ns, sample.voltage_v) == (judged.at_ns, judged.voltage_v), seed
        assert found.missing, seed


def _damage(chance, raw):
    """A few changes at random: bytes changed, a piece removed, doubled, zeroed, or the end cut."""
    raw = bytearray(raw)
    for _ in range(chance.randint(1, 4)):
        if not raw:
            break
        start = chance.randrange(len(raw))
        piece = raw[start : start + chance.randint(1, 400)]
        change = chance.choice(("change", "remove", "double", "zero", "cut", "garbage"))
        if change == "change":
            raw[start] = chance.randrange(256)
        elif change == "remove":
            del raw[start : start + len(piece)]
        elif change == "double":
            raw[start:start] = piece
        elif change == "zero":
            raw[start : start + len(piece)] = b"\0" * len(piece)
        elif change == "garbage":
            raw[start : start + len(piece)] = chance.randbytes(chance.randint(0, 400))
        else:
            del raw[start:]
    return bytes(raw)


def test_no_damage_makes_the_reader_raise(recorded):
    """Whatever is done to the files, reading never raises, and tells that something is wrong."""
    folder, _, written, manifest = recorded
    place = folder / "fuzzed"
    place.mkdir()
    whole = {name: b"".join(written[name]) for name in (SAMPLES, JOURNAL)} | {MANIFEST: manifest}
    for seed in range(FUZZ_RUNS):
        chance = Random(seed)
        struck = chance.choice((SAMPLES, SAMPLES, JOURNAL, JOURNAL, MANIFEST))
        left = whole | {struck: _damage(chance, whole[struck])}
        for name, raw in left.items():
            (place / name).write_bytes(raw)
        found = read_run(place)
        if left[SAMPLES] != whole[SAMPLES]:
            assert any(words.startswith(SAMPLES) for words in found.missing), seed
        numbers = [row.number for row in found.rows]
        assert numbers == sorted(set(numbers)), seed

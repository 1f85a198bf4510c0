"""Every shipped profile, rehearsed: its journal, in a form that people read, is the golden one, and
so is its picture. It takes as long as it says.

``NIGHTBENCH_WRITE_GOLDEN=1`` writes the files anew; the difference belongs in the commit.
"""

import os
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest

from sequencer.analysis.claims.judging import judge
from sequencer.analysis.results import Judged, VerdictWord
from sequencer.assembly.product import in_product
from sequencer.assembly.rehearsal import START_NS, rehearse
from sequencer.documents.cell import CellDocument
from sequencer.recording.columns import LABELS
from sequencer.recording.journal import JournalEntry
from sequencer.recording.run import read_run
from sequencer.replaying.recorded_run import replay_run
from sequencer.report.files import as_file
from sequencer.report.headlines import headlines
from sequencer.report.in_product import told
from sequencer.report.numbers import half_width
from sequencer.report.page import pictures_of
from sequencer.run_documents.reading import RunOptions, read_run_documents
from sequencer.source.loading import load_text
from sequencer.vocabulary.verdict import Exit
from tests.nights.planted import PLANTED, Planted
from tests.nights.shelf import (
    CELL,
    PROFILES,
    ROOT,
    SHORTER,
    START_UNIX_NS,
    Demonstration,
    demonstrated,
)

GOLDEN = Path(__file__).parent / "golden"
PICTURES = ROOT / "profiles/pictures"
LARGEST_PICTURE = 60_000
USE = ROOT / "profiles/uses/trail-lamp.yaml"
YIELD = {"capacity.discharge", "energy.discharge"}
PULSE = {"resistance.pulse", "power.discharge"}
TOP: dict[str, set[str]] = {
    "capacity-and-resistance": {*YIELD, "resistance.two-level"},
    "cold-charge": YIELD,
    "cycle-life": YIELD,
    "delivery-check": {"resistance.train"},
    "first-look": PULSE,
    "lamp-run-time": set(),  # its loop stands above
    "open-circuit-curve": YIELD,
    "overnight-cut-offs": YIELD,
    "overnight-rates": {*YIELD, "resistance.train"},
    "pulse-power": {*PULSE, "power.charge"},
    "pulse-resistance": {"resistance.train"},
    "rate-ladders": YIELD,
    "reference-capacity": YIELD,
    "shipping-charge": YIELD,
}
TIMES = (4, 20)
"""How often the cycle life repeats its passes, and in each its cycles."""


def clock(at_ns: int) -> str:
    """Bench time since the start, as h:mm:ss."""
    seconds = round((at_ns - START_NS) / 1e9)
    return f"{seconds // 3600:2d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


def legible(entries: Sequence[JournalEntry]) -> Iterator[str]:
    """The journal in short lines; numbers rounded to what a bench would print."""
    for line in entries:
        kind, entry = line.kind, line.entry
        if kind == "state":
            what = f": {entry['step']}. {entry['sentence']}" if "step" in entry else ""
            yield f"{clock(entry['at_ns'])} {entry['state']}{what}"
        elif kind == "command":
            amps, volts = entry["current_a"], entry["voltage_v"]
            drive = "all off" if not amps else f"{entry['direction']} {amps:.3f} A, {volts:.3f} V"
            contactor = "closed" if entry["connected"] else "open"
            yield f"{clock(entry['at_ns'])}   command {drive}; contactor {contactor}"
        elif kind == "step ended":
            moved = entry["charge_in_ah"] - entry["charge_out_ah"]
            yield (
                f"{clock(entry['ended_ns'])}   ended {entry['step']}: {entry['reason']};"
                f" {entry['end_v']:.2f} V, {moved:+.3f} Ah"
            )
        elif kind == "pass ended":
            yield f"{clock(entry['at_ns'])}   {entry['reason']}"
        elif kind == "trip":
            yield f"{clock(entry['at_ns'])} TRIP {entry['interlock']}: {entry['reason']}"
        elif kind == "proof":
            yield f"         proof of off, level {entry['level']}"
        elif kind == "end":
            yield f"{clock(entry['at_ns'])} {entry['ending']}, exit {entry['exit']}"


@pytest.fixture(scope="module", params=PROFILES)
def shown(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory):
    """One profile's demonstration, for every test of it."""
    return demonstrated(request.param, tmp_path_factory.mktemp(request.param))


def kept(path: Path, seen: str) -> str:
    """What the tree has, which is what was seen where the files are written anew."""
    if os.environ.get("NIGHTBENCH_WRITE_GOLDEN"):
        path.write_text(seen, encoding="utf-8")
    return path.read_text(encoding="utf-8")


def test_the_rehearsed_night_is_the_golden_one(shown: Demonstration):
    """Same profile, same seed, same events, down to what each step moved; and a replay of some
    records decides the same, line for line."""
    assert shown.went.outcome.exit is Exit.DONE
    seen = "\n".join(legible(shown.recorded.entries)) + "\n"
    assert seen == kept(GOLDEN / f"{shown.profile}.txt", seen)
    if shown.went.folder is not None:
        again = replay_run(shown.went.folder)
        assert (again.replayed.differences, again.missing) == ((), ())
        assert again.replayed.lines > len(shown.documents.plan)


def test_the_picture_is_that_of_the_golden_night(shown: Demonstration):
    """As ``report --pictures`` draws it, and small enough to be looked at anywhere."""
    drawn = pictures_of(shown.sheet, shown.tested.table, shown.analysis)
    (night,) = (one for one in drawn if one.name == "picture-night")
    seen = as_file(night)
    assert len(seen) < LARGEST_PICTURE
    assert seen == kept(PICTURES / f"{shown.profile}.svg", seen)


def test_it_takes_as_long_as_it_says(shown: Demonstration):
    """Within a twentieth; of one that was made short, by what its cycles took."""
    took_s = shown.went.seconds
    if shown.profile in SHORTER:
        # The first reference; then of the second pass: a cycle is its discharge, a rest, and the
        # charge and rest that follow; the reference is all from that charge on.
        passes, cycles = TIMES
        ends = [one.ended_s for one in shown.went.steps]
        cycle_s = (ends[15] - ends[13]) + (ends[17] - ends[15])
        took_s = ends[3] + passes * (cycles * cycle_s + ends[19] - ends[15])
    assert took_s == pytest.approx(shown.documents.profile.document.duration, rel=0.05)


def test_what_a_profile_is_for_stands_at_the_top_of_its_report(shown: Demonstration):
    """Capacity and energy of a full discharge; else a resistance, of whatever pulses there are."""
    top = {one.figure.key.rpartition(".")[0] for one in headlines(shown.analysis.figures)}
    families = {".".join(one.split(".")[:2]) for one in top}
    assert TOP[shown.profile] <= families


def test_the_planted_claim_is_found_and_a_kept_one_is_not(shown: Demonstration, tmp_path: Path):
    """*Not supported*, by a figure that has the truth inside its ±; of the same claim with a value
    that the cell keeps, *supported*. So is a run time in the product. What no night shows stays
    open."""
    planted = PLANTED.get(shown.profile)
    if planted is None:
        expect_the_run_time(shown, tmp_path)
        return
    found = judged_with(shown, planted, planted.wrong)
    figure = shown.analysis.figure(found.figure)
    truth = planted.truth(figure)
    assert found.word is VerdictWord.NOT_SUPPORTED
    assert figure.value == pytest.approx(truth, abs=half_width(figure) + planted.beside * truth)
    assert judged_with(shown, planted, planted.kept).word is VerdictWord.SUPPORTED
    cycles = next(one for one in shown.analysis.verdicts if one.what == "cycle life")
    assert cycles.word is VerdictWord.NOT_COMPARABLE


def expect_the_run_time(shown: Demonstration, tmp_path: Path) -> None:
    """A lamp that is to burn for six hours: the run's own passes, until it was dark, are the truth
    of four; were three hours and a half said, they are long enough."""
    passes = [one for one in shown.went.steps if one.step.label == "lamp"]
    lit_s = passes[-1].ended_s - passes[0].began_s
    (lit,) = [one for one in shown.analysis.figures if one.key.startswith("from-full.time.")]
    assert lit.headline
    assert lit.low <= lit_s <= lit.high
    found = in_product(shown.tested, shown.analysis, USE)
    assert found.found is not None
    assert found.verdict == "too short"
    assert found.found.hours == pytest.approx(lit_s / 3600.0, abs=found.found.half_hours)
    assert found.found.hours == pytest.approx(lit_s / 3600.0, rel=0.03)
    assert not [one for one in told(found) if "the last 0" in one]
    shorter = USE.read_text(encoding="utf-8").replace("wanted: 6 h", "wanted: 3.5 h")
    (tmp_path / USE.name).write_text(shorter, encoding="utf-8")
    trace = USE.with_suffix(".csv")
    (tmp_path / trace.name).write_bytes(trace.read_bytes())
    kept = in_product(shown.tested, shown.analysis, tmp_path / USE.name)
    assert kept.verdict == "long enough"


def judged_with(shown: Demonstration, planted: Planted, value: str) -> Judged:
    """The verdict of the report on that claim, with its value or with another in its place."""
    text = CELL.read_text(encoding="utf-8")
    begin = text.index(f"- said on: {planted.said_on} ")
    end = text.index("conditions:", begin)
    assert text[begin:end].count(f": {planted.wrong}\n") == 1
    claim = text[begin:end].replace(f": {planted.wrong}\n", f": {value}\n")
    cell = load_text(text[:begin] + claim + text[end:], "cell.yaml", CellDocument).document
    judged = judge(replace(shown.tested, cell=cell), shown.analysis.figures)
    return next(one for one in judged if one.claim.said_on == planted.said_on)


def test_the_same_rehearsal_twice_gives_the_same_bytes(tmp_path: Path):
    """Same documents, same seed, same start, same record: byte for byte."""
    run_documents = read_run_documents(
        RunOptions(
            ROOT / "profiles/first-look.yaml",
            ROOT / "profiles/cells/lamp-pouch.yaml",
            ROOT / "sim_configs/benches/demonstration.yaml",
            None,
            (),
        )
    )
    records = []
    for name in ("one", "two"):
        folder = tmp_path / name
        rehearse(run_documents, folder, start_unix_ns=START_UNIX_NS)
        records.append({one.name: one.read_bytes() for one in folder.iterdir()})
    assert records[0] == records[1]
    assert {"manifest.json", "samples.csv", "journal.jsonl"} <= set(records[0])


def test_a_rehearsal_begins_now(tmp_path: Path):
    """Where no start is given the record has the time of day, to be told from another one."""
    run_documents = read_run_documents(
        RunOptions(
            ROOT / "profiles/first-look.yaml",
            ROOT / "profiles/cells/lamp-pouch.yaml",
            ROOT / "sim_configs/benches/demonstration.yaml",
            None,
            (),
        )
    )
    before = time.time()
    rehearse(run_documents, tmp_path / "run")
    after = time.time()
    found = read_run(tmp_path / "run")
    began = datetime.fromisoformat(found.manifest["start"]).timestamp()
    assert before - 0.001 <= began <= after
    first = (
        (tmp_path / "run" / "samples.csv").read_text(encoding="utf-8").splitlines()[1].split(",")
    )
    inspected_s = float(first[LABELS.index("Test Time / s")])
    assert before - 0.001 <= float(first[LABELS.index("Unix Time / s")]) - inspected_s <= after

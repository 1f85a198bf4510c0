"""States of charge that drawn nights are brought to, held against the true one of the twin.

Drawn by number: a cell, what it held when it came, a bench, a room that warms or cools by up to
10 K, currents, where charges end, and what comes between. The true share is of what lies between
the cell that the count begins from, or that its capacity was measured from, and the cut-off.
"""

import json
from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

import pytest

from drivers.simulated.twin import TwinBench
from sequencer.analysis.analyse import analyse
from sequencer.assembly import analysis_input, rehearsal
from sequencer.assembly.benches import make_twin
from sequencer.ports import Bench
from sequencer.recording.run import read_run
from sequencer.run_documents.reading import (
    RunDocuments,
    RunOptions,
    appraise_run_documents,
    read_run_documents,
)
from sequencer.vocabulary.verdict import Exit
from tests.nights.test_emptied_by_pulses import CELL

ROOT = Path(__file__).parents[2]
POUCH = (ROOT / "profiles/cells/lamp-pouch.yaml").read_text(encoding="utf-8")
CELLS = {"lamp-pouch-truth": POUCH, "lfp-cylinder-truth": CELL}
LEADS_MOHM = {"demonstration": 30.0, "modest": 45.0}
ROUNDED = 0.0005
"""``check`` says tenths of a percent."""


FULL = "{{step: charge, current: 0.5 C, voltage: recommended, termination current: {} C}}"
EMPTY = "{{step: discharge, current: {} C, cut-off voltage: recommended}}"
PULSES = (
    "{step: pulse train, direction: discharge, current: 0.5 C, for: 10 s, repeated: 10,"
    " rest between: 1 min}"
)


class Reached(NamedTuple):
    """One step to a state of charge: the true share, what the report and what ``check`` say."""

    to: float
    shares: tuple[float, float]
    low: float
    high: float
    said: float


def drawn(number: int, truth: str, bench: str) -> tuple[str, str]:
    """A profile and what is true on the bench, by number."""
    chance = Random(f"charges/{number}")
    room, other = round(chance.uniform(14, 33), 1), chance.choice((-10, -5, 0, 5, 10))
    then, warms_h = min(34.0, max(14.0, room + other)), chance.choice((4, 8))
    full, full_again = (FULL.format(chance.choice((0.05, 0.1))) for _ in range(2))
    empty = EMPTY.format(chance.choice((0.3, 0.5)))
    rest = f"{{step: rest, for: {chance.choice((1, 10, 30))} min}}"
    between = chance.choice(((full_again, rest), (full_again, PULSES), ()))
    targets = [chance.randint(10, 90 if between else 40) for _ in range(1 + bool(between))]
    adjusted = [
        step
        for to in sorted(targets, reverse=True)
        for step in (f"{{step: adjust state of charge, to: {to} %}}", rest)
    ]
    steps = (full, rest, empty, rest, *between, *adjusted)
    lead = LEADS_MOHM[bench] * chance.uniform(0.9, 1.1)
    true = f"""simulation:
  cell: {ROOT}/sim_configs/cells/{truth}.yaml
  state of charge: {chance.randint(5, 95)} %
  room: {room} degC
  room schedule:
    - {{after: {warms_h} h, temperature: {room} degC}}
    - {{after: {warms_h + 1} h, temperature: {then:.1f} degC}}
  lead resistance: {lead:.2f} mOhm
  seed: {chance.randrange(1, 10**6)}
"""
    limits = "limits: {charge temperature: {low: 12 degC, high: 40 degC}}\n"
    return f"profile: drawn\n{limits}steps:\n" + "".join(f"  - {one}\n" for one in steps), true


def written(folder: Path, number: int, truth: str, bench: str) -> RunDocuments:
    """The documents of that night."""
    profile, true = drawn(number, truth, bench)
    text = (
        (ROOT / f"sim_configs/benches/{bench}.yaml")
        .read_text(encoding="utf-8")
        .split("simulation:")[0]
    )
    text = text.replace("../instruments/", f"{ROOT}/sim_configs/instruments/")
    (folder / "bench.yaml").write_text(text + true)
    (folder / "cell.yaml").write_text(CELLS[truth])
    (folder / "profile.yaml").write_text(profile)
    return read_run_documents(
        RunOptions(folder / "profile.yaml", folder / "cell.yaml", folder / "bench.yaml")
    )


def rehearsed(folder: Path, documents: RunDocuments, monkeypatch) -> list[Reached]:
    """Every state of charge that the night was brought to."""
    seen: list[tuple[int, float]] = []

    def watched(*given: Any, **named: Any) -> Bench:
        twin = make_twin(*given, **named)
        assert isinstance(twin, TwinBench)
        told = twin.apply

        def apply(command: Any) -> None:
            seen.append((twin.bench.at_ns, twin.bench.cell.state_of_charge))
            told(command)

        monkeypatch.setattr(twin, "apply", apply)
        return twin

    monkeypatch.setattr(rehearsal, "make_twin", watched)
    assert rehearsal.rehearse(documents, folder / "run").outcome.exit is Exit.DONE
    journal = (folder / "run" / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    ends = [one["entry"] for one in map(json.loads, journal) if one["kind"] == "step ended"]
    true = {
        one["step"]: min(seen, key=lambda look: abs(look[0] - one["ended_ns"]))[1] for one in ends
    }
    by = {one["step"]: one["stopped_by"]["kind"] for one in ends}
    fulls = [true[step] for step, kind in by.items() if kind == "current_below"]
    empty = next(true[step] for step, kind in by.items() if kind == "voltage_below")
    return list(_reached(folder, documents, true, (fulls[0], fulls[-1]), empty))


def _reached(
    folder: Path,
    documents: RunDocuments,
    true: dict[int, float],
    fulls: tuple[float, float],
    empty: float,
) -> Iterator[Reached]:
    """Each figure beside what the twin held."""
    appraisal = appraise_run_documents(documents)
    assert appraisal is not None
    said = {
        one.words.split(" of the measured")[0]: float(one.words.split("within ")[1].split(" %")[0])
        for one in appraisal.findings
        if "of the measured capacity within" in one.words
    }
    tested = analysis_input.tested_from(read_run(folder / "run"))
    for figure in analyse(tested).figures:
        if figure.key.startswith("state-of-charge.reached."):
            assert figure.step is not None
            counted = tested.step_ends[figure.step].counted
            assert counted is not None
            to = counted.to
            first, last = ((true[figure.step] - empty) / (full - empty) for full in fulls)
            within = said[f"{100 * to:g} %"] / 100
            yield Reached(to, (first, last), figure.low, figure.high, within)


@pytest.mark.parametrize(
    ("number", "truth", "bench"),
    [
        (0, "lamp-pouch-truth", "demonstration"),
        (7, "lfp-cylinder-truth", "modest"),
        (9, "lfp-cylinder-truth", "demonstration"),
        (17, "lfp-cylinder-truth", "demonstration"),
        (22, "lamp-pouch-truth", "demonstration"),
        (28, "lamp-pouch-truth", "demonstration"),
    ],
)
def test_the_true_share_lies_within_what_is_told(tmp_path, monkeypatch, number, truth, bench):
    """Within the interval of the report at either full cell, and no further off than foreseen. In
    nights 0, 22 and 28 it was not while the warmth of a full cell was not in the interval: it was
    full at up to 10 K more or less than when its capacity was measured."""
    found = rehearsed(tmp_path, written(tmp_path, number, truth, bench), monkeypatch)
    assert found
    for one in found:
        for share in one.shares:
            assert one.low <= share <= one.high, one
            assert abs(share - one.to) <= one.said + ROUNDED, one

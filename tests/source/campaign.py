"""Mutations of valid documents, each through the whole way of a run up to where it would begin.

``python -m tests.source.campaign --count 100000 --seed 1`` ends with 1 when one of them fails. Each
is one document of a set (profile, cell, bench, definition, simulated cell, specimen, faults, use)
that was spoilt, changed or spelt otherwise. What must come of it:

- it is refused, by faults with a place in our words, and nothing was energised; or
- spelt otherwise, it is the same plan; or
- it is another document, whose plan stays within the absolute limits of its cell, step by step, and
  which can be said, watched over, made safe and, every so often, rehearsed.
"""

import argparse
import random
import shutil
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import cache
from math import isfinite
from pathlib import Path
from typing import Any

import pytest

from sequencer.assembly import child
from sequencer.assembly import night as night_module
from sequencer.assembly.benches import make_safing_plan
from sequencer.assembly.rehearsal import rehearse
from sequencer.assembly.run_result import RunResult
from sequencer.commands import telling
from sequencer.commands.step_lines import step_lines
from sequencer.documents.product_use import UseDocument
from sequencer.interlocks.panel import make_panel
from sequencer.plan.step import PlannedStep
from sequencer.run_documents.channels import measuring_channels_of
from sequencer.run_documents.reading import RunDocuments
from sequencer.source import loading
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.verdict import Exit
from tests.house.tree import ROOT
from tests.source import samples
from tests.source.mutations import changed, respelt, spoilt

FOREIGN = ("Input should", "Value error", "Field required", "Extra inputs", "pydantic", "Assert")
"""Wording of the library that judges; a person reads ours."""
SHOWN_STEPS = 200
REHEARSED_EVERY = 400
LONGEST_REHEARSED_S = 30 * 3600.0
EVERY_STEP = """\
profile: Every kind of step
parameters: {pause: {default: 20 s, least: 10 s, most: 2 h}}
limits: {charge temperature: {low: 12 degC, high: 40 degC}, total time: 20 h}
parts:
  settle:
    - {step: rest, for: parameter pause}
steps:
  - step: rest
    for: 10 min
    until temperature: {low: 18 degC, high: 30 degC, of: room, for at least: 1 min}
    until relaxed: {below: 1 mV, in: 1 min}
  - {step: charge, current: 0.5 C, voltage: recommended less 50 mV, termination current: 0.05 C}
  - part: settle
  - step: for each
    rates: [0.2 C, 0.5 C]
    steps:
      - {step: discharge, current: each rate, cut-off voltage: recommended plus 0.1 V, for: 20 s}
      - part: settle
  - step: repeat
    times: 3
    until: {cut-off voltage: recommended, charge out: 3 Ah}
    steps:
      - {step: discharge, power: 3 W, for: 10 s}
      - {step: discharge, resistance: 6.8 Ohm, cut-off voltage: 3.1 V, for: 10 s}
  - {step: trace, file: uses/trail-lamp.csv, times: 2, until: {cut-off voltage: recommended}}
  - step: pulse
    direction: discharge
    levels:
      - {current: 0.2 C, for: 5 s}
      - {current: 50 % of recommended, for: 1 s}
  - step: pulse train
    direction: charge
    current: 0.3 C
    for: 2 s
    rest between: 3 s
    repeated: 3
  - step: charge
    current: 0.3 C
    until charge: 1 %
    until slope: {temperature: 2 K/min, in: 1 min}
  - {step: wait, for: person, at most: 8 h, says: look at it}
  - {step: finish at storage charge, current: 0.4 C}
"""


class Campaign:
    """A folder with a set of documents, of which one is mutated at a time. ``counted``: what became
    of them; ``failed``: the numbers of those that did not end as they must."""

    def __init__(self, folder: Path, seed: int = 0) -> None:
        self.seed = seed
        self.counted: Counter[str] = Counter()
        self.failed: list[int] = []
        for name in ("profiles", "sim_configs"):
            shutil.copytree(ROOT / name, folder / name, dirs_exist_ok=True)
        (folder / "profiles" / "every-step.yaml").write_text(EVERY_STEP, encoding="utf-8")
        (folder / "profiles" / "parts.yaml").write_text(samples.PARTS, encoding="utf-8")
        self._folder, self._night = folder, _Night()
        self._others = [one.read_text(encoding="utf-8") for one in sorted(folder.rglob("*.yaml"))]
        self._before: dict[tuple[Path | None, ...], list[PlannedStep] | None] = {}

    def run(self, numbers: Sequence[int], say: Callable[[str], None] = lambda _: None) -> None:
        """Mutate and judge; never raises."""
        began = time.monotonic()
        with _energising_nothing(self._night), _reading_originals_once():
            for done, number in enumerate(numbers):
                try:
                    self._one(number)
                except Exception:  # noqa: BLE001 - whatever is raised is what is looked for
                    self.failed.append(number)
                    say(f"--- {number}\n{traceback.format_exc(limit=-6)}")
                if done % 1000 == 999:
                    rate = (done + 1) / (time.monotonic() - began)
                    say(
                        f"{done + 1}: {dict(self.counted)}, {rate:.0f}/s, {len(self.failed)} failed"
                    )

    def _one(self, number: int) -> None:
        chance = random.Random(f"{self.seed} {number}")
        kind, names = _drawn(chance, self._folder)
        victim = names[kind]
        text = _text_of(kind, victim)
        way = chance.choices(("spoilt", "changed", "respelt"), (4, 5, 1))[0]
        if way == "respelt":
            raw = respelt(text, chance)
        else:
            raw = (spoilt if way == "spoilt" else changed)(text, chance, self._others)
        with _in_place(victim, raw):
            result = self._read(names, kind)
        self._judge(number, result, kind, way, names)

    def _read(self, names: dict[str, Path], kind: str) -> RunResult:
        """As ``run`` reads them, up to where the night would begin."""
        self._night.asked = None
        if kind == "use":
            return child.told(lambda: _read_use(names["use"]))
        options = {
            "folder": None,
            "profile": names["profile"],
            "cell": names["cell"],
            "bench": names["bench"],
            "specimen": names.get("specimen"),
            "faults": [names["faults"]] if "faults" in names else [],
            "settings": [],
        }
        return child.told(lambda: child._run(options, None, lambda _line: None))  # type: ignore[arg-type]

    def _judge(
        self, number: int, result: RunResult, kind: str, way: str, names: dict[str, Path]
    ) -> None:
        asked = self._night.asked
        if result.exit is Exit.USAGE:
            self.counted[f"{way}, refused"] += 1
            told = result.data.get("faults", [])
            assert told, f"refused without a place: {result.lines}"
            assert asked is None, "refused, and begun"
            for line, fault in zip(result.lines, told, strict=True):
                assert fault["line"] >= 1, line
                assert len(line) < 1000, line
                assert line.isprintable(), line
                assert not any(word in line for word in FOREIGN), line
            assert len(set(result.lines)) == len(result.lines), f"told twice: {result.lines}"
            assert way != "respelt" or self._plan_before(names) is None, result.lines
            return
        assert result.exit is Exit.DONE, result.lines
        self.counted[f"{way}, read"] += 1
        if kind == "use":
            return
        assert asked is not None
        if way == "respelt":
            assert _steps(asked) == self._plan_before(names), "another plan"
        _hold(asked)
        if number % REHEARSED_EVERY == 0 and _is_short(asked):
            self.counted["rehearsed"] += 1
            with suppress(UsageError):  # a fault document may need a wire, and says so
                outcome = rehearse(asked, start_unix_ns=0).outcome
                assert outcome.exit is not Exit.BUG, outcome

    def _plan_before(self, names: dict[str, Path]) -> list[PlannedStep] | None:
        """The steps of the plan before anything was mutated; None where it was refused already."""
        key = tuple(names.get(name) for name in ("profile", "cell", "bench", "specimen", "faults"))
        if key not in self._before:
            result = self._read(names, "profile")
            asked = self._night.asked
            self._before[key] = _steps(asked) if result.exit is Exit.DONE and asked else None
        return self._before[key]


class _Night:
    """Stands where the night would begin: what it was asked is kept, and nothing is energised."""

    def __init__(self) -> None:
        self.asked: RunDocuments | None = None

    def __call__(self, run_documents: RunDocuments, *_given: Any, **_named: Any) -> "_Night":
        self.asked = run_documents
        return self

    def run(self, _folder: Path | None, *, attended: bool) -> RunResult:
        """Nothing."""
        assert not attended
        return RunResult(Exit.DONE, [], {})


def _drawn(chance: random.Random, folder: Path) -> tuple[str, dict[str, Path]]:
    """Which document of which set is mutated."""
    benches = folder / "sim_configs" / "benches"
    bench = chance.choices(("demonstration", "modest", "bare", "platinum"), (6, 2, 1, 1))[0]
    cells = sorted((folder / "profiles" / "cells").glob("*.yaml"))
    profiles = sorted((folder / "profiles").glob("*.yaml"))
    names = {
        "profile": folder / "profiles" / "every-step.yaml",
        "cell": folder / "profiles" / "cells" / "lamp-pouch.yaml",
        "bench": benches / f"{bench}.yaml",
        "simulated-cell": folder / "sim_configs" / "cells" / "lamp-pouch-truth.yaml",
        "use": next((folder / "profiles" / "uses").glob("*.yaml")),
    }
    if chance.random() < 0.4:
        names["profile"] = chance.choice(profiles)
    if chance.random() < 0.2:
        names["cell"] = chance.choice(cells)
    shipped = sorted((ROOT / "drivers" / "definitions").glob("generic-*.yaml"))
    names["definition"] = benches / "definitions" / chance.choice(shipped).name
    kinds = (
        "profile",
        "cell",
        "bench",
        "definition",
        "simulated-cell",
        "specimen",
        "faults",
        "use",
    )
    kind = chance.choices(kinds, (40, 15, 15, 12, 5, 5, 4, 4))[0]
    if kind == "specimen":
        names["specimen"] = folder / "profiles" / "specimens" / "lamp-pouch-07.yaml"
    if kind == "faults":
        names["faults"] = chance.choice(sorted((folder / "sim_configs" / "faults").glob("*.yaml")))
    return kind, names


def _text_of(kind: str, path: Path) -> str:
    """The document before; a definition stands beside the bench only while it is mutated."""
    from_shipped = ROOT / "drivers" / "definitions" / path.name
    return (from_shipped if kind == "definition" else path).read_text(encoding="utf-8")


@contextmanager
def _in_place(path: Path, raw: bytes) -> Iterator[None]:
    before = path.read_bytes() if path.exists() else None
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(raw)
    try:
        yield
    finally:
        if before is None:
            path.unlink()
        else:
            path.write_bytes(before)


def _read_use(path: Path) -> RunResult:
    loading.load(path, UseDocument)
    return RunResult(Exit.DONE, [], {})


def _steps(asked: RunDocuments) -> list[PlannedStep]:
    return [asked.plan[n] for n in range(min(len(asked.plan), SHOWN_STEPS))]


def _is_short(asked: RunDocuments) -> bool:
    return asked.plan.limits.total_time_s < LONGEST_REHEARSED_S or len(asked.plan) < 40


def _hold(asked: RunDocuments) -> None:
    """The plan is within the cell's absolute limits, worked out here from the document; all that is
    said and made of it before a run can be."""
    cell, limits = asked.cell.document, asked.plan.limits
    absolute = cell.absolute
    most = {
        Direction.CHARGE: cell.amps(absolute.charge_current),
        Direction.DISCHARGE: cell.amps(absolute.discharge_current),
    }
    assert limits.floor_v >= absolute.cut_off_voltage > 0.0
    assert limits.ceiling_v <= absolute.charge_voltage
    assert 0.0 < limits.total_time_s <= 30 * 86400
    for step in _steps(asked):
        drive = step.drive
        assert isfinite(step.bound_s), step
        assert step.bound_s > 0.0, step
        assert step.stops, step
        assert step.sentence.isprintable(), step
        if step.direction is not Direction.REST:
            assert 0.0 < drive.current_a <= most[step.direction], step
            low = absolute.cut_off_voltage
            assert low < drive.voltage_v <= absolute.charge_voltage, step
    panel = make_panel(limits, measuring_channels_of(asked))
    assert panel.rules
    make_safing_plan(asked, {})
    assert all(line.isprintable() for line in telling.warning_lines(asked))
    assert telling.verdict_words(asked)
    assert all(line.isprintable() for line in step_lines(asked))


@contextmanager
def _energising_nothing(night: _Night) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(night_module, "Night", night)
        yield


@contextmanager
def _reading_originals_once() -> Iterator[None]:
    """What was not mutated is examined once: a document is a value of its text."""
    examined = cache(loading._examine)

    def examine(text: str, file_name: str, model: type[Any], folder: Path | None) -> Any:
        return examined(text, file_name, model, folder)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(loading, "_examine", examine)
        yield


def main() -> int:
    """The campaign from the command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.source.campaign")
    parser.add_argument("--count", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--first", type=int, default=0, help="go on at this number")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        campaign = Campaign(Path(folder), given.seed)
        numbers = range(given.first, given.first + given.count)
        campaign.run(numbers, lambda line: print(line, flush=True))
    print(f"{sum(campaign.counted.values())} judged: {dict(campaign.counted)}")
    print(f"{len(campaign.failed)} failed")
    return 1 if campaign.failed else 0


if __name__ == "__main__":
    sys.exit(main())

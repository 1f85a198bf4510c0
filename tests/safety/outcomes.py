"""Results of a truth campaign: one JSON line a run, and the table made of them.

Owns what is kept of a run and how it is counted; knows not how a run is made. A file of results is
only appended to; a line that was cut off by a kill is left out, and its run is made again.
"""

import json
from collections import Counter
from collections.abc import Iterable, Iterator
from math import isfinite
from pathlib import Path
from typing import Any, NamedTuple

from sequencer.executive import Outcome
from tests.safety.small_night import PHASES
from tests.safety.truth import Truth, bounds_of, wrongs

_WIDTH = 30


class Strike(NamedTuple):
    """A trouble by name, in a phase, at one of its instants."""

    name: str
    phase: str
    instant: int


class Job(NamedTuple):
    """One run to be made. ``face``: virtual or wired."""

    face: str
    bench: str
    struck: tuple[Strike, ...]

    @property
    def key(self) -> str:
        """The same for the same run, whatever the seed."""
        told = "+".join(f"{one.name}@{one.phase}.{one.instant}" for one in self.struck)
        return f"{self.face}|{self.bench}|{told}"


class Told(NamedTuple):
    """What is kept of a run. ``wrong``: rule and words of each wrong."""

    job: Job
    exit: int
    level: str
    honest_a: float
    lying_a: float
    most_a: float
    liars: tuple[str, ...]
    on: tuple[str, ...]
    cause: str
    wrong: tuple[tuple[str, str], ...]

    def line(self) -> str:
        """As JSON; a bound that is not there is null."""
        fields = self._asdict()
        for name in ("honest_a", "lying_a"):
            fields[name] = fields[name] if isfinite(fields[name]) else None
        return json.dumps({"key": self.job.key, **fields}, separators=(",", ":"))


def tell(job: Job, outcome: Outcome, truth: Truth) -> Told:
    """Judge an ending."""
    found = tuple((one.rule, str(one)) for one in wrongs(outcome.exit, outcome.proof, truth))
    bounds = bounds_of(outcome.proof)
    return Told(
        job,
        int(outcome.exit),
        outcome.proof.level.value,
        bounds.honest_a,
        bounds.lying_a,
        truth.most_a,
        tuple(sorted(truth.liars)),
        truth.left_on,
        outcome.trip.reason if outcome.trip else "; ".join(outcome.refusals),
        found,
    )


def _read(path: Path) -> Iterator[dict[str, Any]]:
    if not path.exists():
        return
    for line in path.read_text(encoding="utf-8").splitlines():
        try:
            yield json.loads(line)
        except json.JSONDecodeError:
            continue  # cut off by a kill: that run is made again


def keys(path: Path) -> set[str]:
    """The runs that a file of results has already."""
    return {one["key"] for one in _read(path)}


def read(paths: Iterable[Path]) -> list[Told]:
    """Every result of these files, each run once."""
    found: dict[str, Told] = {}
    for path in paths:
        for one in _read(path):
            face, bench, struck = one.pop("job")
            job = Job(face, bench, tuple(Strike(*strike) for strike in struck))
            for name in ("honest_a", "lying_a"):
                one[name] = float("inf") if one[name] is None else one[name]
            for name in ("liars", "on"):
                one[name] = tuple(one[name])
            one["wrong"] = tuple((rule, words) for rule, words in one["wrong"])
            key = one.pop("key")
            found[key] = Told(job=job, **one)
    return list(found.values())


def table(results: Iterable[Told]) -> Iterator[str]:
    """By bench, fault and phase: runs, exits, levels, and how many are wrong."""
    results = list(results)
    for face, bench in sorted({(one.job.face, one.job.bench) for one in results}):
        here = [one for one in results if (one.job.face, one.job.bench) == (face, bench)]
        yield f"\n== {face}, the {bench} bench: {len(here)} runs, {_count(here)} wrong =="
        yield (
            f"{'fault':{_WIDTH}} {'runs':>6} {'wrong':>6}  wrong by phase: "
            + " ".join(f"{phase:>10}" for phase in PHASES)
            + "  exits; levels"
        )
        for name in sorted({strike.name for one in here for strike in one.job.struck}, key=_order):
            yield _row(name, [one for one in here if name in {s.name for s in one.job.struck}])
    rules = Counter(rule for one in results for rule, _ in one.wrong)
    yield f"\n{len(results)} runs, {_count(results)} wrong" + (
        f" ({', '.join(f'rule {rule}: {count}' for rule, count in sorted(rules.items()))})"
        if rules
        else ""
    )
    two = sum(len(one.liars) > 1 for one in results)
    yield f"{two} runs with two or more lying instruments, of which no bound is said"


def _order(name: str) -> tuple[int, str]:
    row = name.split(" ")[0]
    return (int(row) if row.isdigit() else 0, name)


def _count(results: Iterable[Told]) -> int:
    return sum(bool(one.wrong) for one in results)


def _row(name: str, here: list[Told]) -> str:
    phases = []
    for phase in PHASES:
        struck = [one for one in here if (name, phase) in {s[:2] for s in one.job.struck}]
        phases.append(f"{_count(struck)}/{len(struck)}" if struck else "-")
    exits = Counter(one.exit for one in here)
    levels = Counter(one.level for one in here)
    return (
        f"{name:{_WIDTH}} {len(here):6} {_count(here):6}  {'':15} "
        + " ".join(f"{one:>10}" for one in phases)
        + f"  {_told(exits)}; {_told(levels)}"
    )


def _told(counter: Counter[Any]) -> str:
    return " ".join(f"{key}:{count}" for key, count in sorted(counter.items()))

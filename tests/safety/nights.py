"""Ordinary nights rehearsed: ``python -m tests.safety.nights --count 1000 --seed N``.

Every night that ``check`` allows must end done, or by a trip whose quantity was truly beyond its
limit. Ends with 1 when a trip was false. ``--keep FILE`` writes a line a night and, run again, goes
on behind the last one.
"""

import argparse
import json
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any, NamedTuple

from drivers.simulated.twin import TwinBench
from sequencer.clocks import VirtualClock
from sequencer.executive import Execution, Outcome
from sequencer.feasibility.finding import Ability
from sequencer.interlocks.panel import make_panel
from sequencer.ports import StepMark
from sequencer.run_documents.channels import measuring_channels_of
from sequencer.run_documents.reading import RunDocuments, appraise_run_documents, read_run_documents
from sequencer.vocabulary.faults import DocumentError
from sequencer.vocabulary.sample import Sample
from sequencer.vocabulary.verdict import Exit
from tests.safety.night_draws import NightDraw, draw
from tests.safety.night_truth import LookedAt, Truth

START_NS = 1_000_000_000
NOT_ALLOWED, DONE, REFUSED = "not allowed by check", "done", "refused before the first step"


class Told(NamedTuple):
    """How one drawn night went, as plain data."""

    number: int
    word: str
    why: str = ""
    bench: str = ""
    chemistry: str = ""
    hours: float = 0.0

    @property
    def is_false(self) -> bool:
        """Whether it ended by a trip that nothing true explains."""
        return self.word == Truth.FALSE.value


class _Nowhere:
    """A record that keeps nothing but which step a run is in."""

    write_failure = ""

    def __init__(self) -> None:
        self.step = ""

    def append(self, sample: Sample, step: StepMark) -> None:
        """Nothing is kept."""

    def note(self, kind: str, entry: Mapping[str, Any]) -> None:
        """The step that began."""
        if kind == "state" and "sentence" in entry:
            self.step = str(entry["sentence"])

    def free_bytes(self) -> int:
        """Plenty."""
        return 1 << 50

    def unsynced_ns(self) -> int:
        """Nothing waits."""
        return 0

    def close(self) -> None:
        """Nothing is open."""


def told(seed: int, number: int) -> Told:
    """Draw a night, ask ``check``, rehearse it, and hold its ending against the truth."""
    drawn = draw(seed, number)
    bare = Told(number, "", "", drawn.bench, drawn.cell["chemistry"])
    with tempfile.TemporaryDirectory(prefix="nightbench-nights-") as folder:
        try:
            run_documents = read_run_documents(drawn.options(Path(folder)))
        except DocumentError as error:
            return bare._replace(word=NOT_ALLOWED, why=error.faults[0].message)
    appraisal = appraise_run_documents(run_documents)
    assert appraisal is not None
    cannot = [str(one) for one in appraisal.findings if one.ability is Ability.CANNOT]
    if cannot:
        return bare._replace(word=NOT_ALLOWED, why=cannot[0])
    return _rehearsed(run_documents, drawn, bare)


def _rehearsed(run_documents: RunDocuments, drawn: NightDraw, bare: Told) -> Told:
    assert run_documents.bench is not None
    channels, limits = measuring_channels_of(run_documents), run_documents.plan.limits
    document = run_documents.bench.bench.document
    twin = TwinBench(document, run_documents.definitions, drawn.truth, drawn.simulation)
    bench, log = LookedAt(twin, limits, channels), _Nowhere()
    clock = VirtualClock(START_NS)
    went = Execution(
        run_documents.plan, channels, bench, clock, log, make_panel(limits, channels)
    ).run()
    hours = (went.at_ns - START_NS) / 3.6e12
    return _ending(went, bench, log, bare._replace(hours=round(hours, 2)))


def _ending(went: Outcome, bench: LookedAt, log: _Nowhere, bare: Told) -> Told:
    if went.trip is not None:
        word = bench.truth_of(went.trip).value
        why = f"{went.trip.interlock}: {went.trip.reason} ({log.step})"
        return bare._replace(word=word, why=why)
    if went.exit is Exit.DONE:
        return bare._replace(word=DONE)
    return bare._replace(word=REFUSED, why="; ".join(went.refusals))


def nights(seed: int, count: int, kept: Path | None, workers: int) -> Iterator[Told]:
    """``count`` nights that ``check`` allows, in order, and those between that it does not."""
    known = _kept(kept)
    yield from known
    left = count - sum(one.word != NOT_ALLOWED for one in known)
    first = known[-1].number + 1 if known else 0
    with ProcessPoolExecutor(workers) as pool:
        while left > 0:
            numbers = range(first, first + max(4 * workers, min(left, 64)))
            first = numbers.stop
            for one in pool.map(told, [seed] * len(numbers), numbers):
                if left <= 0:
                    return
                left -= one.word != NOT_ALLOWED
                _keep(kept, one)
                yield one


def _kept(kept: Path | None) -> list[Told]:
    if kept is None or not kept.exists():
        return []
    return [Told(*json.loads(line)) for line in kept.read_text(encoding="utf-8").splitlines()]


def _keep(kept: Path | None, one: Told) -> None:
    if kept is not None:
        with kept.open("a") as file:
            file.write(json.dumps(one) + "\n")


def report(listed: list[Told]) -> Iterator[str]:
    """How the nights ended, by bench and chemistry; then every one that was not done."""
    allowed = [one for one in listed if one.word != NOT_ALLOWED]
    yield f"{len(allowed)} nights that check allows, of {len(listed)} drawn"
    yield f"{sum(one.hours for one in allowed):.0f} h of bench time"
    for word, count in Counter(one.word for one in allowed).most_common():
        yield f"  {count:5} {word}"
    for place, count in sorted(Counter((one.bench, one.chemistry) for one in allowed).items()):
        yield f"  {' '.join(place)}: {count}"
    yield "trips and refusals:"
    for one in allowed:
        if one.word != DONE:
            yield f"  {one.word}: night {one.number} ({one.bench}, {one.chemistry}): {one.why}"


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(prog="python -m tests.safety.nights", description=__doc__)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument(
        "--keep", type=Path, default=None, help="a line a night; goes on from there"
    )
    given = parser.parse_args()
    listed = []
    for one in nights(given.seed, given.count, given.keep, given.workers):
        listed.append(one)
        if one.is_false:
            print(f"FALSE: night {one.number}: {one.why}", file=sys.stderr, flush=True)
    for line in report(listed):
        print(line)
    return 1 if any(one.is_false for one in listed) else 0


if __name__ == "__main__":
    sys.exit(main())

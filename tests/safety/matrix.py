"""The matrix of troubles and phases: every cell run, judged, and compared with what was reviewed.

The report is a table: one line a trouble, phases as columns, in each cell the exit codes of its
three instants (one digit when they agree). ``reviewed.toml`` is read by people: it says where a
trouble is not seen, or off cannot be proven, and why that is right.
"""

import random
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import NamedTuple

from tests.safety import small_night
from tests.safety.catalogue import ELSEWHERE, ROWS, TROUBLES, Trouble, has_place
from tests.safety.small_night import INSTANTS, PHASES, Moment
from tests.safety.trial import Struck, Trial, run_trial, spans
from tests.safety.troubled import TroubledPorts

REVIEWED = Path(__file__).with_name("reviewed.toml")
EARLY = {"3", "4", "5", "6"}
EXPECTED = {"trip": EARLY, "bear": EARLY | {"0"}, "truth": EARLY | {"0", "7"}}
"""Exit codes by expectation."""


class Cell(NamedTuple):
    """One trouble at one moment."""

    trouble: Trouble
    moment: Moment
    bench: str

    @property
    def name(self) -> str:
        """As a person finds it again."""
        where = f"{self.moment.phase}, instant {self.moment.instant + 1}"
        return f"{self.trouble.row} {self.trouble.name} in {where} on the {self.bench} bench"


class Review(NamedTuple):
    """An entry of ``reviewed.toml``: these exits are right there, for this reason. ``troubles``
    are written as row and name; no phases or no bench: all of them."""

    troubles: tuple[str, ...]
    phases: tuple[str, ...]
    bench: str
    exits: tuple[str, ...]
    reason: str

    def covers(self, cell: Cell, word: str) -> bool:
        """Whether it is about this cell and this exit."""
        return (
            f"{cell.trouble.row} {cell.trouble.name}" in self.troubles
            and (not self.phases or cell.moment.phase in self.phases)
            and self.bench in ("", cell.bench)
            and word in self.exits
        )


class Result(NamedTuple):
    """How one cell went: its exit, and what is wrong with that (empty: nothing)."""

    cell: Cell
    word: str
    interlock: str
    wrong: tuple[str, ...]
    fingerprint: str
    level: str
    review: Review | None


def reviews() -> list[Review]:
    """Everything that was reviewed.

    Raises:
        ValueError: an entry about a trouble or a phase that there is not, or without a reason.
    """
    known = {f"{one.row} {one.name}" for one in TROUBLES}
    found = []
    for entry in tomllib.loads(REVIEWED.read_text(encoding="utf-8"))["reviewed"]:
        one = Review(
            tuple(entry["troubles"]),
            tuple(entry.get("phases", ())),
            entry.get("bench", ""),
            tuple(map(str, entry["exits"])),
            entry["reason"],
        )
        if strange := (set(one.troubles) - known) | (set(one.phases) - set(PHASES)):
            raise ValueError(f"reviewed.toml: no such thing: {sorted(strange)}")
        if not one.reason:
            raise ValueError(f"reviewed.toml: no reason: {one.troubles}")
        found.append(one)
    return found


@cache
def troubles_of(bench: str) -> tuple[Trouble, ...]:
    """Those that have a place there."""
    limits = small_night.run_documents(bench).plan.limits
    return tuple(
        one
        for one in TROUBLES
        if has_place(one, TroubledPorts(small_night.make_twin(bench), limits))
    )


def cells(bench: str = "demonstration") -> list[Cell]:
    """The whole matrix of one bench, in the order of the report: what can happen on it."""
    when = {phase: small_night.moments(spans(bench), phase) for phase in PHASES}
    return [
        Cell(trouble, moment, bench)
        for trouble in troubles_of(bench)
        for phase in PHASES
        for moment in when[phase]
    ]


def judge(cell: Cell, trial: Trial, reviewed: Sequence[Review]) -> Result:
    """Safe, honest, nothing lost; and the trouble was seen, or it was reviewed why not."""
    word, wrong = trial.word, list(trial.findings)
    expected = EXPECTED[cell.trouble.expect]
    review = None
    if word not in expected:
        review = next((one for one in reviewed if one.covers(cell, word)), None)
        if review is None:
            wrong.append("not seen" if word == "0" else f"exit {word}")
    trip = trial.outcome.trip
    return Result(
        cell,
        word,
        trip.interlock if trip else "",
        tuple(wrong),
        trial.fingerprint,
        trial.outcome.proof.level.value,
        review,
    )


def run_cell(cell: Cell, reviewed: Sequence[Review]) -> Result:
    """Run and judge one cell."""
    return judge(cell, run_trial([(cell.moment, cell.trouble)], cell.bench), reviewed)


def table(results: Iterable[Result]) -> Iterator[str]:
    """The report of one bench."""
    lines: dict[Trouble, dict[str, list[Result]]] = {}
    for result in results:
        phases = lines.setdefault(result.cell.trouble, {})
        phases.setdefault(result.cell.moment.phase, []).append(result)
    yield f"{'':44}" + " ".join(f"{phase:>10}" for phase in PHASES)
    row = 0
    for trouble, phases in lines.items():
        if trouble.row != row:
            row = trouble.row
            yield f"{row:2} {ROWS[row]}"
        shown = " ".join(f"{_shown(phases.get(phase, [])):>10}" for phase in PHASES)
        yield f"     {trouble.name:39}{shown}"
    yield ""
    for row, why in ELSEWHERE.items():
        yield f"{row:2} {ROWS[row]}: {why}"


def _shown(results: Sequence[Result]) -> str:
    """Exit codes of the instants; ``r`` reviewed, ``!`` wrong."""
    if not results:
        return "-"
    words = [one.word for one in results]
    text = words[0] if len(set(words)) == 1 else "".join(words)
    text += "r" if any(one.review for one in results) else ""
    return text + ("!" if any(one.wrong for one in results) else "")


def draw_pairs(chance: random.Random, count: int, bench: str) -> Iterator[list[Struck]]:
    """Two troubles at two moments, drawn."""
    for _ in range(count):
        yield [_draw(chance, bench), _draw(chance, bench)]


def draw_random(chance: random.Random, count: int, bench: str) -> Iterator[list[Struck]]:
    """One to four troubles, each at any time of the night."""
    whole, troubles = spans(bench), troubles_of(bench)
    last_ns = whole["finishing"].to_ns
    for _ in range(count):
        struck = []
        for _ in range(chance.randint(1, 4)):
            at_ns = chance.randrange(small_night.START_NS, last_ns) // 1000 * 1000
            struck.append((Moment("any", 0, at_ns), chance.choice(troubles)))
        yield struck


def _draw(chance: random.Random, bench: str) -> Struck:
    phase = chance.choice(PHASES)
    instant = chance.randrange(len(INSTANTS))
    return small_night.moments(spans(bench), phase)[instant], chance.choice(troubles_of(bench))

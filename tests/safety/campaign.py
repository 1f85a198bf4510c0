"""The campaign: ``python -m tests.safety.campaign --seed N --runs N [--served N]``.

Every trouble in every phase at three instants on the twin (``--sample N``: N cells drawn), then as
many pairs and random nights as ``--runs`` says, then a sample over real sockets and terminals.
Prints a table that a person can read and ends with 1 when anything is wrong. The same seed gives
the same report, byte for byte; the figures that depend on the computer go to standard error.
"""

import argparse
import hashlib
import random
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence

from tests.safety.catalogue import TROUBLES
from tests.safety.matrix import (
    Cell,
    Result,
    Review,
    cells,
    draw_pairs,
    draw_random,
    reviews,
    run_cell,
    table,
)
from tests.safety.small_night import BENCHES
from tests.safety.trial import Struck, run_trial


class Campaign:
    """One campaign. ``lines`` of its report come as it goes on; ``wrong`` counts what is."""

    def __init__(self, seed: int, runs: int, sample: int = 0, benches: Sequence[str] = ()) -> None:
        """``sample`` 0 means every cell; no benches, all of them."""
        self._seed, self._runs, self._sample = seed, runs, sample
        self._benches = benches or tuple(BENCHES)
        self._chance = random.Random(seed)
        self._digest = hashlib.sha256()
        self._reviewed = reviews()
        self._used: set[tuple[Review, str]] = set()
        self.wrong = self.count = 0
        self.results: list[Result] = []

    def report(self) -> Iterator[str]:
        """Run everything; the report line by line."""
        drawn = f"a sample of {self._sample} cells" if self._sample else "every cell"
        yield f"campaign of faults, seed {self._seed}: {drawn}, {self._runs} runs besides"
        for bench in self._benches:
            yield f"\n== the {bench} bench =="
            yield from self._matrix(bench)
        for bench in self._benches:
            yield from self._drawn(bench)
        if not self._sample:
            yield from self._stale()
        yield f"\n{self.count} runs, {self.wrong} wrong"
        yield f"all records: sha256 {self._digest.hexdigest()}"

    def _matrix(self, bench: str) -> Iterator[str]:
        results = [self._keep(run_cell(cell, self._reviewed)) for cell in self._chosen(bench)]
        self.results += results
        yield from table(results)
        yield from self._tally(results)
        for result in results:
            yield from (f"WRONG {result.cell.name}: {words}" for words in result.wrong)

    def _chosen(self, bench: str) -> list[Cell]:
        whole = cells(bench)
        if not self._sample:
            return whole
        share = self._sample // len(self._benches)
        places = sorted(self._chance.sample(range(len(whole)), min(share, len(whole))))
        return [whole[place] for place in places]

    def _keep(self, result: Result) -> Result:
        self.count += 1
        self.wrong += bool(result.wrong)
        self._digest.update(result.fingerprint.encode())
        if result.review is not None:
            trouble = result.cell.trouble
            self._used.add((result.review, f"{trouble.row} {trouble.name}"))
        return result

    def _tally(self, results: Sequence[Result]) -> Iterator[str]:
        exits = Counter(one.word for one in results)
        levels = Counter(one.level for one in results)
        yield "exits: " + ", ".join(f"{count} x {word}" for word, count in sorted(exits.items()))
        yield "proof: " + ", ".join(f"{count} x {one}" for one, count in sorted(levels.items()))

    def _drawn(self, bench: str) -> Iterator[str]:
        share = self._runs // (2 * len(self._benches))
        for name, drawn in (
            ("pairs", draw_pairs(self._chance, share, bench)),
            ("random nights", draw_random(self._chance, share, bench)),
        ):
            exits: Counter[str] = Counter()
            for struck in drawn:
                trial = run_trial(struck, bench)
                self.count += 1
                self._digest.update(trial.fingerprint.encode())
                exits[trial.word] += 1
                self.wrong += bool(trial.findings)
                for words in trial.findings:
                    yield f"WRONG {_told(struck)}: {words}"
            told = ", ".join(f"{count} x {word}" for word, count in sorted(exits.items()))
            yield f"{name} on the {bench} bench: {told}"

    def _stale(self) -> Iterator[str]:
        """Exceptions that nothing needs any more: a defence got better, or never was as thought."""
        for one in self._reviewed:
            unused = [name for name in one.troubles if (one, name) not in self._used]
            if unused and one.bench in ("", *self._benches):
                self.wrong += 1
                yield f"WRONG reviewed.toml: no longer needed: {', '.join(unused)}: {one.reason}"


def _told(struck: Sequence[Struck]) -> str:
    return " and ".join(
        f"{one.row} {one.name} at {moment.at_ns / 1e9:.6f} s ({moment.phase})"
        for moment, one in struck
    )


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(prog="python -m tests.safety.campaign")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--runs", type=int, default=200, help="pairs and random nights besides")
    parser.add_argument("--sample", type=int, default=0, help="only so many cells of the matrix")
    parser.add_argument("--bench", choices=BENCHES, action="append", default=[])
    parser.add_argument("--served", type=int, default=0, help="runs over sockets and terminals")
    given = parser.parse_args()
    began = time.monotonic()
    campaign = Campaign(given.seed, given.runs, given.sample, given.bench)
    for line in campaign.report():
        print(line, flush=True)
    spent = time.monotonic() - began
    each = f"{spent / max(1, campaign.count) * 1e3:.0f} ms a run"
    print(f"{len(TROUBLES)} troubles, {spent:.0f} s, {each}", file=sys.stderr)
    wrong = campaign.wrong
    if given.served:
        from tests.safety.served_trials import report_served

        for line, is_wrong in report_served(given.seed, given.served):
            wrong += is_wrong
            print(line, flush=True)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())

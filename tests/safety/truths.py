"""The truth campaign: ``python -m tests.safety.truths virtual|wired --seed N --results FILE``.

Every proof of off is held against what is really so at the end of its run. The list of runs
follows from the seed; ``--shard 1/8`` takes every eighth, ``--runs`` the first so many of these.
Each result is one line in ``--results``, and a run whose line is there is not made again, so a
campaign that was interrupted goes on with the same command. ``--table FILE ...`` only prints the
table of results.
Ends with 1 when anything is wrong.
"""

import argparse
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from tests.safety.outcomes import Job, Told, keys, read, table

_EVERY = 500


def make_runs(jobs: Sequence[Job], run: Callable[[Job], Told], results: Path) -> Iterator[Told]:
    """Make the runs whose results are not yet there, and append each result."""
    done = keys(results)
    results.parent.mkdir(parents=True, exist_ok=True)
    with results.open("a", encoding="utf-8") as file:
        if results.stat().st_size and not results.read_bytes().endswith(b"\n"):
            file.write("\n")
        for job in jobs:
            if job.key not in done:
                told = run(job)
                file.write(told.line() + "\n")
                file.flush()
                yield told


def _shard(text: str) -> tuple[int, int]:
    number, _, count = text.partition("/")
    found = int(number), int(count)
    if not 1 <= found[0] <= found[1]:
        raise argparse.ArgumentTypeError("a shard is written 1/8: the first of eight")
    return found


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.safety.truths")
    parser.add_argument("face", choices=("virtual", "wired"))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--shard", type=_shard, default=(1, 1), help="1/8: the first of eight")
    parser.add_argument("--runs", type=int, default=0, help="only the first so many (default: all)")
    parser.add_argument("--triples", type=int, default=0, help="triples drawn besides (virtual)")
    parser.add_argument("--bench", action="append", default=[], help="only this bench")
    parser.add_argument("--results", type=Path, default=Path("truths.jsonl"))
    parser.add_argument("--table", type=Path, nargs="*", help="only print the table of these files")
    return parser.parse_args()


def _jobs(given: argparse.Namespace) -> tuple[list[Job], Callable[[Job], Told]]:
    if given.face == "virtual":
        from tests.safety import virtual

        found, run = (
            virtual.jobs(given.seed) + virtual.triples(given.seed, given.triples),
            virtual.run,
        )
    else:
        from tests.safety import wired

        found, run = wired.jobs(given.seed), wired.run
    number, count = given.shard
    chosen = [one for one in found if not given.bench or one.bench in given.bench]
    chosen = chosen[number - 1 :: count]
    return chosen[: given.runs] if given.runs else chosen, run


def main() -> int:
    """The command."""
    given = _arguments()
    if given.table is None:
        jobs, run = _jobs(given)
        print(f"seed {given.seed}: {len(jobs)} runs in this shard", flush=True)
        began = time.monotonic()
        for number, told in enumerate(make_runs(jobs, run, given.results), 1):
            for _, words in told.wrong:
                print(f"WRONG {told.job.key}: {words}", flush=True)
            if number % _EVERY == 0:
                each = (time.monotonic() - began) / number * 1e3
                print(f"{number} runs, {each:.0f} ms each", file=sys.stderr, flush=True)
    results = read(given.table if given.table is not None else [given.results])
    for line in table(results):
        print(line)
    return 1 if any(one.wrong for one in results) else 0


if __name__ == "__main__":
    sys.exit(main())

"""Print every figure beside its goal and its peer, all from one run on one machine."""

import argparse
import os
import platform
import sys
from collections.abc import Callable, Iterator

from tests.performance import (
    attacks,
    long_plans,
    loop,
    night,
    readings,
    record,
    rehearsal,
    report,
    trips,
)
from tests.performance.figure import Figure

PARTS: dict[str, Callable[[], Iterator[Figure]]] = {
    "start-up": rehearsal.start_up,
    "rehearsal": rehearsal.figures,
    "long plans": long_plans.figures,
    "record": record.figures,
    "report": report.figures,
    "overhead": loop.overhead,
    "lateness": loop.lateness,
    "readings": readings.readings,
    "night": night.figures,
    "trips": trips.trips,
    "attacks": attacks.attacks,
}


def main() -> int:
    """Measure the named parts, or all of them; 1 when a goal was missed."""
    parser = argparse.ArgumentParser(prog="python -m tests.performance")
    parser.add_argument("parts", nargs="*", choices=[[], *PARTS], help="default: all")
    wanted = parser.parse_args().parts or list(PARTS)
    print(f"Python {platform.python_version()} on {os.cpu_count()} cores, {platform.machine()}")
    missed = 0
    for name in wanted:
        for figure in PARTS[name]():
            missed += figure.reached is False
            _show(figure)
    print(f"{missed} goals missed" if missed else "every goal reached")
    return 1 if missed else 0


def _show(figure: Figure) -> None:
    word = {True: "reached", False: "MISSED", None: "-"}[figure.reached]
    print(f"\n{figure.what}\n    measured {figure.measured}")
    print(f"    goal     {figure.goal}: {word}")
    if figure.peer:
        print(f"    peer     {figure.peer}")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())

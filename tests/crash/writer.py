"""A process that records rows as fast as it can, and acknowledges each one on standard output."""

import os
import sys
from pathlib import Path

from sequencer.ports import StepMark
from sequencer.vocabulary.sample import Sample
from tests.recording.invented import SECOND, START, create

MARK = StepMark(1, 1, "discharge", "discharge", START.bench_ns, 0.0, 0.0, 0.0, 0.0)


def main(folder: Path) -> None:
    """Append for ever; a row's number is written to the pipe only after its append returned."""
    run = create(folder)
    number = 0
    while True:
        number += 1
        at_ns = START.bench_ns + number * SECOND
        run.append(Sample(at_ns, voltage_v=number / 1e6, voltage_at_ns=at_ns), MARK)
        os.write(1, number.to_bytes(8, "big"))


if __name__ == "__main__":
    main(Path(sys.argv[1]))

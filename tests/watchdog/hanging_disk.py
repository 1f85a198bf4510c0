"""The real executive on a disk that stops answering: from some write on, none returns any more."""

import os
from itertools import count

from sequencer.assembly.child import entry
from sequencer.recording.medium import Disk

WRITES_UNTIL = "NIGHTBENCH_TEST_WRITES"
"""Environment variable: how many writes (rows and journal lines) work before one hangs."""


def hang() -> None:
    """Stay in the system's own write, as on a network disk that has gone."""
    reader, writer = os.pipe()
    os.set_blocking(writer, False)
    try:
        while True:
            os.write(writer, b"x" * 65536)
    except BlockingIOError:
        os.set_blocking(writer, True)
    os.write(writer, b"x" * 65536)
    os.close(reader)


def main() -> None:
    """As the executive, with that disk."""
    numbers, most = count(1), int(os.environ[WRITES_UNTIL])

    def write(file: int, data: bytes) -> int:
        if next(numbers) > most:
            hang()
        return os.write(file, data)

    Disk.write = staticmethod(write)
    entry()


if __name__ == "__main__":
    main()

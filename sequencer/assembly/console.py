"""One instrument spoken to by a person, line by line: every line sent and received is logged.

A name of the definition is carried out as the definition says. Whatever else is typed is sent as it
stands and counts as a setting, whatever it looks like: it is asked for first. Nothing is switched
on from here. The bench is held meanwhile, and off is sent at the end.
"""

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from drivers.dialects.base import Reading
from drivers.instruments.instrument import Instrument
from drivers.instruments.noted_wire import Noting
from drivers.transports.base import LINE_ENDS
from sequencer.assembly.bench_ownership import hold_wires
from sequencer.assembly.trial import instrument_named, opened
from sequencer.clocks import unix_ns
from sequencer.documents.operations import OPERATIONS
from sequencer.recording.manifest import rfc3339
from sequencer.source.sets import BenchSet
from sequencer.vocabulary.faults import InstrumentError, UsageError

IDENTITY: Final = "identity"
ERRORS: Final = "errors"
_ASKED: Final = "this may change what it does, and switch it on: send {line!r}?"


class Console:
    """What a person types, to lines of answer. ``is_wanted`` asks the person whether a line that
    may change something is to be sent."""

    def __init__(
        self,
        instrument: Instrument,
        wire: Noting,
        is_wanted: Callable[[str], bool],
        log: Callable[[str], None],
        channel: int | None = None,
    ) -> None:
        self._instrument, self._wire, self._channel = instrument, wire, channel
        self._is_wanted, self._log = is_wanted, log

    def names(self) -> list[str]:
        """What may be typed by name."""
        operations = self._instrument.definition.operations
        return [IDENTITY, ERRORS, *(one for one in operations if not OPERATIONS[one].expect)]

    def answer(self, line: str) -> list[str]:
        """What one typed line leads to; trouble is told in words, never raised."""
        began = len(self._wire.said)
        try:
            words = self._carry_out(line.strip())
        except (InstrumentError, ValueError, KeyError) as error:
            words = [str(error)]
        said = self._wire.said[began:]
        for one in (f"typed {line.strip()!r}", *said, *words):
            self._log(one)
        return [*(f"  {one}" for one in said), *words]

    def _carry_out(self, line: str) -> list[str]:
        if line == IDENTITY:
            found = self._instrument.identify()
            wrong = [] if found.matches else [str(self._instrument.stranger(found))]
            return [f"it fits the definition: {found.matches}", *wrong]
        if line == ERRORS:
            return [str(one) for one in self._instrument.complaints()] or ["none"]
        name, value = self._named(line)
        if name is None:
            return self._send(line)
        if OPERATIONS[name].expect:
            return [f"{name}: nothing is switched on from here: 'bench try --outputs' does that"]
        return [_told(self._instrument.perform(name, value, self._channel))]

    def _named(self, line: str) -> tuple[str | None, float | None]:
        """The operation that the line names, and its value; None for free text."""
        operations = self._instrument.definition.operations
        if line in operations:
            return line, None
        name, _, number = line.rpartition(" ")
        try:
            return (name, float(number)) if name in operations else (None, None)
        except ValueError:
            return None, None

    def _send(self, line: str) -> list[str]:
        if not line or not self._is_wanted(_ASKED.format(line=line)):
            return ["not sent"]
        if not self._wire.is_open:
            self._instrument.open()
        end = LINE_ENDS[self._instrument.definition.link.line_end]
        self._wire.write(line.encode("ascii", "replace") + end)
        try:
            self._wire.read_line()
        except InstrumentError as error:
            self._instrument.close()  # whatever comes late must answer nothing else
            return [f"nothing came back: {error.detail}"]
        return []


def _told(reading: Reading) -> str:
    return ", ".join(f"{name} {value}" for name, value in reading.items()) or "taken"


@contextmanager
def console(
    bench: BenchSet, name: str, log: Path, is_wanted: Callable[[str], bool]
) -> Iterator[Console]:
    """A console with the instrument of that name; off when it is left.

    Raises:
        UsageError: no such instrument, or no such place for the log.
        RefusedError: the bench is held by a run.
        UnprovenError: off was not taken at the end.
    """
    channel = instrument_named(bench, name)
    try:
        log.touch()
    except OSError as error:
        raise UsageError(f"--log {log}: {error.strerror}") from error
    held = hold_wires(bench.bench.document)
    try:
        with opened(bench, name) as (instrument, wire), log.open("a", encoding="utf-8") as file:

            def note(line: str) -> None:
                file.write(f"{rfc3339(unix_ns())} {name}: {line}\n")
                file.flush()

            note("begins")
            yield Console(instrument, wire, is_wanted, note, channel)
            note("ends; off is sent")
    finally:
        for handle in held:
            os.close(handle)

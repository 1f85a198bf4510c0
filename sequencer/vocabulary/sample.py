"""A sample: one set of readings, each with its own time, flat so that a tick stays cheap.

A channel is a pair of fields, value and ``_at_ns`` (bench time of that reading, 0 = never read).
A reading that comes late keeps its old time; an invalid reply leaves value and time as they were
and adds a ``Fault``. A channel that was never read is NaN, and NaN trips whatever asks for it.
Current is positive when it charges the cell. Values are rounded to the recorded digits
(``round_*``) by whoever makes the reading, so that what is judged is what is on disk.
"""

from typing import NamedTuple

from sequencer.vocabulary.faults import Fault

NAN = float("nan")
ELECTRICAL_DIGITS = 6
"""Decimals recorded, and kept before judging, of volts and amperes."""
TEMPERATURE_DIGITS = 3
"""Decimals recorded, and kept before judging, of degrees Celsius."""
TIME_STEP_NS = 1_000
"""Times are kept in whole microseconds, as recorded."""

UNKNOWN = -1
OFF = 0
ON = 1
"""States of an output (``OFF`` also: contactor open)."""


SILENT, LOST, GONE = "silent", "lost", "gone"
"""What a watchdog is that does not answer: for a while, for too long, or its process has ended."""


PLENTY_BYTES = 1 << 30
"""More free room than this decides nothing: a night takes some 20 MB."""


class Host(NamedTuple):
    """What the computer itself says; kept apart because it changes seldom.

    ``free_bytes`` says no more than plenty, whatever there is. ``request`` is what a person asked:
    empty, ``abort``, ``pause``, ``continue``. ``watchdog`` is empty while the watchdog process
    answers, else ``SILENT``, ``LOST`` or ``GONE``.
    """

    free_bytes: int = PLENTY_BYTES
    unsynced_ns: int = 0
    slept_ns: int = 0
    write_failure: str = ""
    request: str = ""
    watchdog: str = ""


WELL = Host()
"""A computer without trouble."""


class Sample(NamedTuple):
    """One tick's readings. Units: V, A, degC, ns of bench time."""

    at_ns: int
    late_ns: int = 0
    voltage_v: float = NAN
    voltage_at_ns: int = 0
    current_a: float = NAN
    current_at_ns: int = 0
    supply_v: float = NAN
    supply_a: float = NAN
    supply_at_ns: int = 0
    load_v: float = NAN
    load_a: float = NAN
    load_at_ns: int = 0
    surface_c: float = NAN
    surface_at_ns: int = 0
    tab_c: float = NAN
    tab_at_ns: int = 0
    room_c: float = NAN
    room_at_ns: int = 0
    supply_on: int = UNKNOWN
    load_on: int = UNKNOWN
    contactor_closed: int = UNKNOWN
    contactor_at_ns: int = 0
    faults: tuple[Fault, ...] = ()
    host: Host = WELL

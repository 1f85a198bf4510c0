"""What goes wrong on a bench overnight, in 36 rows, and how each is brought about on the twin.

A row may have several troubles. ``expect`` says what must come of one that strikes while it
matters: ``trip`` (the run ends early, safe), ``bear`` (the night may go on) or ``truth`` (any exit
whose proof agrees with what is really so: an instrument that lies may not be found out, and what
comes back on may leave off unproven). Where a trouble cannot matter or cannot be seen,
``reviewed.toml`` says so, phase by phase, with the reason.
"""

import errno
from typing import Literal, NamedTuple

from drivers.simulated.concerned import NoPlaceError, instrument_named
from sequencer.documents.bench import BenchDocument
from sequencer.vocabulary.faults import FaultKind
from tests.safety.lies import concerned, liar
from tests.safety.strikes import (
    always,
    asks,
    both,
    fault,
    goes_dark,
    impostor,
    on_and_silent,
    physical,
    physical_of,
    raises,
    reboots,
    resets,
    sets,
    shows,
    silent,
    stops_syncing,
)
from tests.safety.troubled import Strike, TroubledPorts

Expectation = Literal["trip", "bear", "truth"]


class Trouble(NamedTuple):
    """One way for one row of the catalogue to come about; ``needs`` an instrument of that name.
    ``lies`` names the instrument whose answers are not so, beside those of the fault documents."""

    row: int
    name: str
    strike: Strike
    expect: Expectation = "trip"
    needs: str = ""
    lies: str = ""

    def liars(self, bench: BenchDocument) -> frozenset[str]:
        """The instruments of that bench that lie about a current, a voltage, an output or a
        contact."""
        return _named(bench, *(liar(one.document) for one in physical_of(self.strike)), self.lies)

    def touches(self, bench: BenchDocument) -> frozenset[str]:
        """The instruments that a fault document is about, and those that lie."""
        about = (concerned(one.document) for one in physical_of(self.strike))
        return self.liars(bench) | _named(bench, *about)


def _named(bench: BenchDocument, *roles: str) -> frozenset[str]:
    return frozenset(instrument_named(bench, role) for role in roles if role)


ROWS = {
    1: "a late reply answers the next question",
    2: "a session is dead after one time-out",
    3: "a read never returns",
    4: "opening hangs",
    5: "an idle link has dropped, found at the off command",
    6: "reconnecting eats handles",
    7: "two owners on one port",
    8: "opening resets the device",
    9: "ports renamed, instruments swapped",
    10: "drop-out, reboot, mains dip",
    11: "commands lost when sent too fast",
    12: "echoes, half lines, two lines",
    13: "9.9E37 with an empty error queue",
    14: "NaN passes a comparison",
    15: "mA read as A, mV as V",
    16: "a frozen reading",
    17: "a dead thermocouple, a probe that fell off",
    18: "a setting clipped or ignored",
    19: "an entry in the error queue",
    20: "off is ignored",
    21: "somebody at the panel",
    22: "the computer dies",
    23: "the computer sleeps",
    24: "the computer reboots",
    25: "the wall clock steps",
    26: "disk full, write or sync failed",
    27: "a torn tail after a power cut",
    28: "an open lead, a lifted sense, a floating meter",
    29: "contact resistance drifts",
    30: "reversed, wrong or flat cell",
    31: "charge and discharge both on",
    32: "the load falls short",
    33: "the supply cannot resolve the termination current",
    34: "a sag at one sample",
    35: "the meter drifts against the load's own reading",
    36: "signals, exceptions, a person",
}
ELSEWHERE = {
    22: "nothing is left to run on the twin: tests.safety.kills kills and freezes the executive",
    24: "as 22 for the bench; that nothing resumes by itself is in tests/cli",
    25: "no wall time reaches a decision: tests/house/test_purity.py holds every room to it",
    27: "no run ends by it: tests/crash/test_power_cut.py damages what was recorded",
    33: "a document, not a moment: tests/feasibility; the modest bench here cannot resolve it",
}
"""Rows that have no trouble on the twin, and where they are tested."""


def name_of(trouble: Trouble) -> str:
    """Row and name, as results and reviews write them."""
    return f"{trouble.row} {trouble.name}"


def has_place(trouble: Trouble, ports: TroubledPorts) -> bool:
    """Whether that can happen on the bench of a ports, which is spoilt by asking."""
    if trouble.needs and trouble.needs not in ports.twin.bench.instruments:
        return False
    try:
        trouble.strike(ports)
    except NoPlaceError:
        return False
    return True


_NAN = float("nan")
_K = FaultKind
TROUBLES = (
    Trouble(1, "meter once", fault("meter", _K.POISONED, 1), "bear", needs="meter"),
    Trouble(1, "meter for good", silent("meter", _K.POISONED)),
    Trouble(1, "supply for good", silent("supply", _K.POISONED)),
    Trouble(2, "meter", silent("meter", _K.NO_REPLY)),
    Trouble(2, "supply, which obeys", silent("supply", _K.NO_REPLY)),
    Trouble(2, "load, which obeys", silent("load", _K.NO_REPLY)),
    Trouble(2, "logger", silent("logger", _K.NO_REPLY)),
    Trouble(3, "meter", silent("meter", _K.BUSY)),
    Trouble(3, "supply, deaf", silent("supply", _K.BUSY, deaf=True)),
    Trouble(3, "load, deaf", silent("load", _K.BUSY, deaf=True)),
    Trouble(3, "contactor, deaf", silent("contactor", _K.BUSY, deaf=True), needs="contactor"),
    Trouble(4, "identify", raises("identify", lambda: OSError(errno.ETIMEDOUT, "timed out"))),
    Trouble(5, "supply", silent("supply", _K.LINK_LOST)),
    Trouble(5, "load", silent("load", _K.LINK_LOST)),
    Trouble(6, "reading", raises("read", lambda: OSError(errno.EMFILE, "too many open files"))),
    Trouble(7, "logger", fault("logger", _K.POISONED)),
    Trouble(
        7, "meter shows the supply's", shows(lambda s: {"voltage_v": s.supply_a}), lies="voltage"
    ),
    Trouble(8, "supply", resets("supply")),
    Trouble(8, "load", resets("load")),
    Trouble(9, "meter", impostor("meter"), needs="meter"),
    Trouble(9, "supply", impostor("supply")),
    Trouble(10, "supply reboots", reboots("supply", comes_back_on=False)),
    Trouble(10, "load comes back on", reboots("load", comes_back_on=True)),
    Trouble(10, "supply unplugged, on", silent("supply", _K.LINK_LOST, deaf=True)),
    Trouble(10, "load unplugged, on", silent("load", _K.LINK_LOST, deaf=True)),
    Trouble(10, "supply's power is back", goes_dark("supply", "charge"), "truth"),
    Trouble(10, "load's power is back", goes_dark("load", "discharge"), "truth"),
    Trouble(11, "supply setting", physical("ignored setting", instrument="charge", admits="yes")),
    Trouble(11, "load setting", physical("ignored setting", instrument="discharge", admits="yes")),
    Trouble(12, "012 is a number", shows(always(voltage_v=12.0), 1), lies="voltage"),
    Trouble(12, "half a line, thrice", fault("supply", _K.POISONED, 3)),
    Trouble(13, "cell voltage", physical("over-range", reading="cell voltage")),
    Trouble(13, "supply current", physical("over-range", reading="supply current")),
    Trouble(13, "surface", physical("over-range", reading="surface")),
    Trouble(14, "cell voltage", shows(always(voltage_v=_NAN))),
    Trouble(14, "current", shows(always(current_a=_NAN))),
    Trouble(14, "surface", shows(always(surface_c=_NAN))),
    Trouble(15, "supply in mA", shows(lambda s: {"current_a": s.current_a * 1e3}), lies="charge"),
    Trouble(15, "meter in mV", shows(lambda s: {"voltage_v": s.voltage_v * 1e3}), lies="voltage"),
    Trouble(
        15,
        "load in A for mA",
        shows(lambda s: {"current_a": s.current_a * 1e-3}),
        needs="load",
        lies="discharge",
    ),
    Trouble(15, "supply, wrong sign", physical("reversed sign", reading="supply current"), "truth"),
    Trouble(15, "load, wrong sign", physical("reversed sign", reading="load current"), "truth"),
    Trouble(16, "cell voltage", physical("stuck reading", reading="cell voltage")),
    Trouble(16, "supply current", physical("stuck reading", reading="supply current")),
    Trouble(16, "load current", physical("stuck reading", reading="load current")),
    Trouble(16, "surface", physical("stuck reading", reading="surface")),
    Trouble(16, "supply's answers are old", physical("stale", instrument="charge"), "truth"),
    Trouble(16, "load's answers are old", physical("stale", instrument="discharge"), "truth"),
    Trouble(16, "meter's answers are old", physical("stale", instrument="voltage"), "truth"),
    Trouble(17, "marker", physical("dead reading", reading="surface")),
    Trouble(17, "0 degC", physical("dead reading", reading="surface", value="0 degC")),
    Trouble(17, "probe off", physical("probe off", reading="surface")),
    Trouble(
        18,
        "supply, denied",
        physical("clipped setting", instrument="charge", limit="500 mA", admits="no"),
    ),
    Trouble(
        18,
        "supply, admitted",
        physical("clipped setting", instrument="charge", limit="500 mA", admits="yes"),
    ),
    Trouble(18, "load, denied", physical("ignored setting", instrument="discharge", admits="no")),
    Trouble(19, "supply", fault("supply", _K.ERROR_QUEUE, 1)),
    Trouble(19, "load", fault("load", _K.ERROR_QUEUE, 1), needs="load"),
    Trouble(20, "supply admits", physical("ignored off", instrument="charge", admits="yes")),
    Trouble(20, "supply denies", physical("ignored off", instrument="charge", admits="no")),
    Trouble(20, "load admits", physical("ignored off", instrument="discharge", admits="yes")),
    Trouble(20, "load denies", physical("ignored off", instrument="discharge", admits="no")),
    Trouble(
        20,
        "supply on, and stays on",
        both(
            physical("panel", instrument="charge", output_on="yes"),
            physical("ignored off", instrument="charge", admits="yes"),
        ),
    ),
    Trouble(20, "supply denies, reads 0", physical("output denied", instrument="charge"), "truth"),
    Trouble(20, "load denies, reads 0", physical("output denied", instrument="discharge"), "truth"),
    Trouble(20, "contact welds", physical("contactor welded"), needs="contactor"),
    Trouble(
        20,
        "contact welds, denies",
        physical("contactor welded", admits="no"),
        "truth",
        needs="contactor",
    ),
    Trouble(
        20,
        "supply stays, contact welds",
        both(
            physical("ignored off", instrument="charge", admits="yes"),
            physical("contactor welded"),
        ),
        needs="contactor",
    ),
    Trouble(21, "voltage to 4.6 V", physical("panel", instrument="charge", value="4.6 V")),
    Trouble(21, "current to 4 A", physical("panel", instrument="charge", value="4 A")),
    Trouble(21, "supply off", physical("panel", instrument="charge", output_on="no")),
    Trouble(21, "supply on, then silent", on_and_silent("supply", "charge"), "truth"),
    Trouble(21, "load on, then silent", on_and_silent("load", "discharge"), "truth"),
    Trouble(21, "contactor opened", physical("contactor open"), needs="contactor"),
    Trouble(23, "a minute", sets("clock", sleeps_ns=60_000_000_000)),
    Trouble(23, "late by 3 s", sets("clock", late_ns=3_000_000_000)),
    Trouble(26, "full", sets("disk", write_error=errno.ENOSPC)),
    Trouble(26, "write fails", sets("disk", write_error=errno.EIO)),
    Trouble(26, "sync fails", sets("disk", fsync_error=errno.EIO)),
    Trouble(26, "nearly full", sets("disk", free=10_000_000)),
    Trouble(26, "sync hangs", stops_syncing),
    Trouble(28, "open lead", physical("open lead")),
    Trouble(28, "cell opens", physical("cell opens")),
    Trouble(28, "lifted sense", physical("lifted sense", instrument="charge")),
    Trouble(28, "meter floats", physical("meter lead off")),
    Trouble(28, "meter floats at 3.71 V", physical("meter lead off", value="3.71 V")),
    Trouble(29, "100 mOhm", physical("lead resistance", resistance="100 mOhm"), "bear"),
    Trouble(29, "500 mOhm", physical("lead resistance", resistance="500 mOhm")),
    Trouble(30, "reversed", physical("dead reading", reading="cell voltage", value="-3.7 V")),
    Trouble(30, "flat", physical("dead reading", reading="cell voltage", value="2.4 V")),
    Trouble(31, "load on", physical("panel", instrument="discharge", output_on="yes")),
    Trouble(31, "supply on", physical("panel", instrument="charge", output_on="yes")),
    Trouble(
        32,
        "at 500 mA",
        physical("clipped setting", instrument="discharge", limit="500 mA", admits="no"),
    ),
    Trouble(34, "above the floor", shows(always(voltage_v=2.9), 1), "bear", lies="voltage"),
    Trouble(34, "below the floor", shows(always(voltage_v=2.7), 1), lies="voltage"),
    Trouble(35, "fast", physical("drift", reading="cell voltage", per_hour="500 %")),
    Trouble(36, "abort", asks((0.0, "abort"))),
    Trouble(36, "pause, continue", asks((0.0, "pause"), (5.0, "continue")), "bear"),
    Trouble(36, "pause, abort", asks((0.0, "pause"), (5.0, "abort"))),
    Trouble(36, "Ctrl-C", raises("read", KeyboardInterrupt)),
    Trouble(36, "bug", raises("read", lambda: ZeroDivisionError("division by zero"))),
    Trouble(36, "out of memory", raises("read", MemoryError)),
)

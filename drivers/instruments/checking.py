"""What is done to one instrument before anything is energised: off first, then who it is.

Each function runs in the instrument's own lane and collects reasons to refuse instead of stopping
at the first, so that a person is told everything at once.
"""

from math import isfinite
from typing import NamedTuple

from drivers.instruments.instrument import Instrument
from drivers.instruments.lane import Lane
from drivers.instruments.settings import protections, watchdog_of
from sequencer.documents.bench import BenchDocument
from sequencer.ports import Identity, ProtectionBounds
from sequencer.vocabulary import units
from sequencer.vocabulary.faults import FaultKind, InstrumentError

_OUTPUT_KINDS = {"supply": ("measure", "output"), "load": ("measure", "output")}


class Checked(NamedTuple):
    """Who answered, and what speaks against energising."""

    identity: Identity | None
    reasons: tuple[str, ...]


def check(lane: Lane, instrument: Instrument) -> Checked:
    """Off, identity, error queue, state: nothing is switched on."""
    reasons: list[str] = []
    identity = None
    try:
        lane.renew(instrument)
        _off_first(instrument, reasons)
        identity = _ask_who(lane, instrument)
        if instrument.is_ready:
            instrument.errors()
            reasons += _still_on(instrument)
        else:
            reasons.append(str(instrument.stranger(identity)))
    except InstrumentError as error:
        reasons.append(str(error))
    return Checked(identity, tuple(reasons))


def _off_first(instrument: Instrument, reasons: list[str]) -> None:
    """Off is never gated by identity; what comes back is dropped."""
    try:
        instrument.off()
    except InstrumentError as error:
        reasons.append(f"off could not be sent: {error}")


def _ask_who(lane: Lane, instrument: Instrument) -> Identity:
    """Who is there; what *off* provoked may still be under way and spoil the first answer. (The
    session is not closed before: some instruments forget what they have not yet read.)"""
    try:
        lane.make_sound(instrument)
    except InstrumentError as error:
        if error.kind is not FaultKind.POISONED:
            raise
        instrument.open()
    return instrument.identify()


def _still_on(instrument: Instrument) -> list[str]:
    kind, differs = instrument.definition.kind, FaultKind.OUTPUT_DIFFERS
    detail = ""
    if kind in _OUTPUT_KINDS and instrument.perform("measure")["output"]:
        detail, wanted = "its output is on after it was switched off", "off"
    if kind == "contactor" and instrument.perform("state")["closed"]:
        detail, wanted = "its contact is closed after it was opened", "open"
    return [str(instrument.under_way.unfit(differs, detail, expected=wanted))] if detail else []


def protect(
    lane: Lane, bench: BenchDocument, role: str, bounds: ProtectionBounds, instrument: Instrument
) -> None:
    """Set and read back the instrument's own protections, as far as its definition has them.

    Raises:
        InstrumentError: one was not taken.
    """
    definition = instrument.definition
    wanted = watchdog_of(definition)
    if role != "contactor":
        wanted |= protections(definition, bench, role, bounds)
    for operation, value in wanted.items():
        lane.set(instrument, operation, value)
    if "set over-voltage" in wanted:
        _not_above(instrument, "set over-voltage", bounds.over_voltage_v)


def _not_above(instrument: Instrument, operation: str, most: float) -> None:
    """What is read back is within a tolerance of what was set; a bound has none."""
    stands = instrument.look(operation) if isfinite(most) else None
    if stands is not None and stands > most + 1e-9:
        detail = f"{operation} is read back as {units.volts(stands)}, above {units.volts(most)}"
        raise instrument.under_way.unfit(FaultKind.SETTING_DIFFERS, detail)

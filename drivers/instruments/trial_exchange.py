"""One thing that was tried with an instrument, as it is told: what was said, and which places of
the definition it rests on. Pure."""

from typing import NamedTuple

from drivers.dialects.base import Reading
from drivers.instruments.trial_beliefs import MisfitError
from drivers.instruments.under_way import Loc
from sequencer.documents.operations import FLAG_GROUPS
from sequencer.vocabulary.faults import FaultKind, InstrumentError


class Exchange(NamedTuple):
    """One thing that was tried: what, what was said either way (as text), whether it fits, what
    was wanted or is wrong, and the places in the definition that it rests on, the likeliest
    first."""

    tried: str
    fits: bool
    said: tuple[str, ...]
    words: str
    places: tuple[Loc, ...]


def beside(error: Exception, words: str, *, is_unit: bool) -> list[Loc]:
    """Where else the cause of that may stand."""
    kind = error.kind if isinstance(error, InstrumentError) else None
    is_cut = "control characters" in words or "half a line" in words
    if is_unit and kind is FaultKind.NO_REPLY:
        return [("link", "unit"), ("link", "baud rate"), ("link", "parity")]
    if kind is FaultKind.NO_REPLY or is_cut:
        return [("link", "reply end"), ("link", "line end")]
    if kind is FaultKind.SETTING_DIFFERS or isinstance(error, MisfitError):
        return [("values", "decimals")]
    if kind is FaultKind.OUTPUT_DIFFERS:
        return [("values", "yes"), ("values", "no")]
    return [("values", "decimal sign"), ("values", "yes")] if kind is not None else []


def said(reading: Reading) -> str:
    """What was read, in words."""
    told = {True: "yes", False: "no"}
    return (
        ", ".join(
            f"{name} {told[value] if isinstance(value, bool) else format(value, 'g')}"
            for name, value in reading.items()
        )
        or "taken"
    )


def cut_out(reading: Reading) -> str:
    """What it shows where its undervoltage cut-out should have acted; some act only on a voltage
    that was above it."""
    told = said(reading)
    if any(reading.get(one) for one in FLAG_GROUPS):
        told += ": it did not act; 'bench prove' shows whether it does"
    return told

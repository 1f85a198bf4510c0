"""Benches whose data sheets a test writes itself, and the tables that they would record."""

from functools import cache
from pathlib import Path

import numpy as np

from sequencer.analysis import results
from sequencer.documents.bench import BenchDocument
from sequencer.documents.capability import Capability
from sequencer.documents.definition import InstrumentDefinition
from sequencer.source.loading import load
from sequencer.vocabulary.table import StepName, Table

_SHIPPED = Path(__file__).parents[3] / "drivers" / "definitions"
_KINDS = {
    "supply": "generic-scpi-supply",
    "load": "generic-scpi-load",
    "meter": "generic-scpi-multimeter",
    "ammeter": "generic-scpi-multimeter",
    "logger": "generic-line-thermometer",
    "thermometer": "generic-line-thermometer",
}


@cache
def _shipped(name):
    return load(_SHIPPED / f"{name}.yaml", InstrumentDefinition).document


def sheet(*ranges):
    """A capability as a data sheet states it: each range is (low, high, resolution, accuracy)."""
    keys = ("low", "high", "resolution", "accuracy")
    listed = [dict(zip(keys, one, strict=True)) for one in ranges]
    return Capability.model_validate({"source": "a test", "ranges": listed})


PLAIN_A = sheet(("0 A", "10 A", "1 mA", {"of reading": "0.2 %", "offset": "5 mA"}))
SIGNED_A = sheet(("-10 A", "10 A", "1 mA", {"of reading": "0.05 %", "offset": "2 mA"}))
PLAIN_V = sheet(("-10 V", "10 V", "0.1 mV", {"of reading": "0.02 %", "of range": "0.005 %"}))
PLAIN_C = sheet(("-50 degC", "150 degC", "0.01 K", {"offset": "0.4 K"}))


def definitions(**sheets):
    """The shipped kinds with data sheets of the test's own: ``load_current=...`` and so on."""
    measured = {
        "supply": {"measure current": PLAIN_A, "measure voltage": PLAIN_V},
        "load": {"measure current": PLAIN_A, "measure voltage": PLAIN_V},
        "meter": {"measure voltage": PLAIN_V},
        "ammeter": {"measure current": SIGNED_A},
        "logger": {"measure temperature": PLAIN_C},
        "thermometer": {"measure temperature": PLAIN_C},
    }
    for key, one in sheets.items():
        name, _, quantity = key.partition("_")
        measured[name][f"measure {quantity}"] = one
    return {
        name: _shipped(_KINDS[name]).model_copy(update={"capabilities": capabilities})
        for name, capabilities in measured.items()
    }


def bench(voltage_by="meter", current_by=None, lead="30 mOhm", sense="four-wire"):
    """A bench document with every instrument on it."""
    wiring = {
        "charge": "supply",
        "discharge": "load",
        "voltage": {"by": voltage_by, "sense": sense},
        "lead resistance": lead,
        "sensors": [{"place": "surface", "by": "logger"}, {"place": "room", "by": "thermometer"}],
    }
    if current_by is not None:
        wiring["current"] = {"by": current_by}
    instruments = {
        name: {"definition": kind, "address": f"tcp:{name}:1"} for name, kind in _KINDS.items()
    }
    document = {"bench": "a test", "instruments": instruments, "wiring": wiring}
    return BenchDocument.model_validate(document)


def table(time_s=(0.0, 1.0), voltage_v=None, current_a=None, step=None, room_c=23.0, kinds=()):
    """A table of those columns; what is left out was never read. ``kinds`` name the steps."""
    time_s = np.asarray(time_s, dtype=float)
    nothing = np.full(len(time_s), np.nan)
    steps = np.zeros(len(time_s), int) if step is None else np.asarray(step)
    return Table(
        time_s,
        nothing if voltage_v is None else np.asarray(voltage_v, dtype=float),
        nothing if current_a is None else np.asarray(current_a, dtype=float),
        time_s,
        time_s,
        steps,
        np.ones(len(time_s), int),
        nothing,
        nothing,
        np.full(len(time_s), room_c),
        {number: StepName(kind, kind) for number, kind in enumerate(kinds)},
    )


def given(*, on=None, sheets=None, of=None, **rest):
    """What an analysis is given: bench ``on``, data ``sheets``, the table ``of`` the run."""
    known = definitions() if sheets is None else sheets
    return results.Tested(
        of if of is not None else table(),
        bench=on if on is not None else bench(),
        definitions=known,
        **rest,
    )

"""One instrument of a bench opened alone, to be tried by its definition.

Owns the choice of its wire (a served bench is served for it) and that the bench is held meanwhile.
"""

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from drivers.instruments.instrument import Instrument
from drivers.instruments.noted_wire import Noting
from drivers.instruments.trial import Trial
from drivers.instruments.trial_exchange import Exchange
from drivers.registry import instrument_class
from drivers.transports.choice import transport_for
from drivers.transports.shared import SharedPort
from sequencer.assembly.bench_ownership import hold_wires
from sequencer.documents.bench import SERVED
from sequencer.documents.operations import DISABLE
from sequencer.run_documents.reading import definitions_of, places_of
from sequencer.source.sets import BenchSet
from sequencer.vocabulary.faults import InstrumentError, UnprovenError, UsageError
from sequencer.vocabulary.near import did_you_mean

ASKED = (
    "The output of {name} comes on now: at most 1 V and 0.1 A, for some 2 s. {joined} may be"
    " connected to it; no cell. Stay with it"
)
JOINED = "Nothing, or a resistor of 10 ohm or more,"
SOURCE = "The source of {volts:g} V, which must give 0.1 A,"


def try_instrument(
    bench: BenchSet,
    name: str,
    ask: Callable[[str], None] | None,
    ohm: float | None = None,
    source_v: float | None = None,
) -> tuple[list[dict[str, Any]], bool]:
    """Every exchange as data, with the places in the definition that it rests on, and whether its
    output was seen off after it was on. ``ask`` shows
    what a person must do before the output comes on; None: it stays off. ``ohm``: the resistor that
    is then known to be there; ``source_v``: the source at a load or a meter.

    Raises:
        UsageError: no such instrument, or a source at one that reads none.
        RefusedError: the bench is held by a run, or a voltage is there.
        UnprovenError: its output did not go off again.
    """
    channel = instrument_named(bench, name)
    kind = definitions_of(bench)[name].kind
    if source_v is not None and kind not in ("load", "meter"):
        raise UsageError(f"a source is for a load or a meter to read, and {name} is a {kind}")
    held = hold_wires(bench.bench.document)
    try:
        with opened(bench, name) as (instrument, wire):
            trial = Trial(instrument, wire, channel, source_v=source_v)
            trial.with_output_off()
            is_fit = all(one.fits for one in trial.exchanges)
            if ask is not None and is_fit and instrument.definition.kind in DISABLE:
                joined = JOINED if source_v is None else SOURCE.format(volts=source_v)
                ask(ASKED.format(name=name, joined=joined))
                trial.with_output_on(ohm)
            entries = [_entry(bench, name, one) for one in trial.exchanges]
            return entries, trial.is_seen_off
    finally:
        for handle in held:
            os.close(handle)


def instrument_named(bench: BenchSet, name: str) -> int | None:
    """The channel that the wiring reads of the instrument of that name, where it reads one.

    Raises:
        UsageError: the bench has no such instrument.
    """
    names = sorted(bench.bench.document.instruments)
    if name not in names:
        known = f"this bench has {', '.join(names)}{did_you_mean(name, names)}"
        raise UsageError(f"no instrument is called {name}: {known}")
    sensors = bench.bench.document.wiring.sensors
    return next((one.channel for one in sensors if one.by == name), None)


@contextmanager
def opened(bench: BenchSet, name: str) -> Iterator[tuple[Instrument, Noting]]:
    """The instrument on a wire that notes what passes; off when it is left."""
    document, definition = bench.bench.document, definitions_of(bench)[name]
    with _served(bench) as addresses:
        address = addresses.get(name, document.instruments[name].address)
        one = document.instruments[name]
        ports: dict[str, SharedPort] | None = None if one.channel is None else {}
        wire = Noting(transport_for(address, definition.link, name, ports=ports))
        serial = one.serial_number
        instrument = instrument_class(definition.driver)(name, definition, wire, serial)
        instrument.under_way.place = places_of(bench)[name]
        try:
            yield instrument, wire
        finally:
            _let_go(instrument)


def _let_go(instrument: Instrument) -> None:
    try:
        if instrument.definition.kind in DISABLE:
            instrument.off()
    except InstrumentError as error:
        reasons = [f"{error}: off was not taken at the end: switch it off by hand, and look"]
        raise UnprovenError(reasons) from error
    finally:
        instrument.part()


@contextmanager
def _served(bench: BenchSet) -> Iterator[dict[str, str]]:
    """The addresses of a bench that is served for this; none of one that stands by itself."""
    document, cell = bench.bench.document, bench.simulated_cell
    if cell is None or all(one.address != SERVED for one in document.instruments.values()):
        yield {}
        return
    from drivers.simulated.served import start_served

    served = start_served(document, definitions_of(bench), cell.document)
    try:
        yield dict(served.addresses)
    finally:
        served.stop()


def _entry(bench: BenchSet, name: str, one: Exchange) -> dict[str, Any]:
    places = dict.fromkeys(map(places_of(bench)[name], one.places))
    return {
        "tried": one.tried,
        "fits": one.fits,
        "words": one.words,
        "said": list(one.said),
        "places": list(places),
    }

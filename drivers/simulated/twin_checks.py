"""Whether simulated instruments do what they are told: read-backs, states, and what they say about
*off*.

Owns what the drivers do with real ones after a command, and again now and then; all of it by what
an instrument shows, never by what is true. A twin keeps no error queue, unlike the served bench:
that fault cannot be rehearsed. Pure.
"""

from collections.abc import Iterator
from math import isfinite

from drivers.instruments.settings import LOOK_AFTER_NS, floored
from drivers.off.evidence import OffReading, Testimony
from drivers.simulated.bench import Instrument, SimulatedBench
from drivers.simulated.instruments import (
    SimulatedContactor,
    SimulatedLoad,
    SimulatedMeter,
    SimulatedSupply,
)
from sequencer.documents.operations import ON_TIME
from sequencer.documents.safing import Safed
from sequencer.vocabulary.faults import Fault, FaultKind, InstrumentError

_SHOWN = {
    "set voltage": "voltage_setting", "set current": "current_setting", ON_TIME: "on_time_s",
}  # fmt: skip


class Settings:
    """What was set and confirmed. ``due_ns``: when to look whether somebody changed it."""

    def __init__(self) -> None:
        """Nothing was set yet."""
        self.due_ns = 0
        self._kept: dict[tuple[str, str], tuple[SimulatedSupply | SimulatedLoad, float]] = {}

    def confirm(
        self, one: SimulatedSupply | SimulatedLoad, operation: str, wanted: float, got: float
    ) -> None:
        """Read back, within the tolerance of the definition.

        Raises:
            InstrumentError: SETTING_DIFFERS.
        """
        if not _agrees(one, operation, wanted, got):
            detail = f"{operation} {wanted:.6g} reads back {got:.6g}"
            raise InstrumentError(FaultKind.SETTING_DIFFERS, one.name, detail)
        self._kept[one.name, operation] = one, wanted

    def look(self, at_ns: int) -> tuple[Fault, ...]:
        """Settings that are no longer what was set, each told once."""
        self.due_ns = at_ns + LOOK_AFTER_NS
        faults = []
        for name, operation, wanted, got in self.differing():
            del self._kept[name, operation]
            detail = f"{operation}: {wanted:.6g} was sent, {got:.6g} came back"
            faults.append(Fault(FaultKind.SETTING_DIFFERS, name, "", detail))
        return tuple(faults)

    def differing(self) -> list[tuple[str, str, float, float]]:
        """What reads back otherwise than it was set: instrument, operation, what was sent and what
        comes back now."""
        return [
            (name, operation, wanted, got)
            for (name, operation), (one, wanted) in self._kept.items()
            if not _agrees(one, operation, wanted, got := getattr(one, _SHOWN[operation]))
        ]


def _agrees(one: Instrument, operation: str, wanted: float, got: float) -> bool:
    back = one.definition.operations[operation].read_back
    allowed = back.tolerance.value if back is not None and back.tolerance is not None else 0.0
    return abs(got - wanted) <= allowed * 1.000001


def switch(one: SimulatedSupply | SimulatedLoad, *, on: bool) -> None:
    """Switch an output, and hear that it followed.

    Raises:
        InstrumentError: OUTPUT_DIFFERS.
    """
    if on and one.shown_on:
        return
    one.output(on)
    if one.shown_on != on:
        detail = f"output {'on' if on else 'off'} reads back {'off' if on else 'on'}"
        raise InstrumentError(FaultKind.OUTPUT_DIFFERS, one.name, detail)


def set_timer(load: SimulatedLoad, seconds: float, kept: Settings) -> None:
    """When the load ends its current by itself, or that it does not (0 s), as the drivers do it: a
    timer that runs would count for what follows.

    Raises:
        InstrumentError: SETTING_DIFFERS, OUTPUT_DIFFERS.
    """
    if ON_TIME not in load.definition.operations:
        return
    wanted = floored(load.definition, ON_TIME, seconds, load.name)
    if wanted or load.on_time_s:
        switch(load, on=False)
    load.on_time_s = wanted
    kept.confirm(load, ON_TIME, wanted, load.on_time_s)


def move(contactor: SimulatedContactor, *, closed: bool) -> None:
    """Close or open the contact, and hear that it followed.

    Raises:
        InstrumentError: OUTPUT_DIFFERS.
    """
    if closed:
        contactor.close()
    else:
        contactor.open()
    if contactor.shown_closed != closed:
        detail = f"feedback says {'open' if closed else 'closed'}"
        raise InstrumentError(FaultKind.OUTPUT_DIFFERS, contactor.name, detail)


def still_on(bench: SimulatedBench) -> list[str]:
    """What shows that it is on or closed although it was told off."""
    reasons = []
    for name, one in bench.instruments.items():
        if isinstance(one, (SimulatedSupply, SimulatedLoad)) and one.shown_on:
            reasons.append(f"{name}: its output is on after it was switched off")
        if isinstance(one, SimulatedContactor) and one.shown_closed:
            reasons.append(f"{name}: its contact is closed after it was opened")
    return reasons


def testimony(asked: Safed, bench: SimulatedBench) -> Testimony:
    """What an instrument says about *off* of what the plan asks it (a stream is not asked); of one
    that shows what is no number nothing counts, as of a real one."""
    told = _findings(bench.instruments[asked.name], bench)
    found = tuple(one for one in told if asked.asks_for(one.quantity))
    sound = tuple(finding for finding in found if isfinite(finding.value))
    troubles = tuple(f"{two.quantity} shows {two.value}" for two in found if two not in sound)
    return Testimony(sound, not troubles, troubles)


def _findings(one: Instrument, bench: SimulatedBench) -> Iterator[OffReading]:
    if isinstance(one, SimulatedContactor):
        yield OffReading("contact", float(one.shown_closed))
    elif isinstance(one, (SimulatedSupply, SimulatedLoad)):
        yield OffReading("voltage", one.measure_voltage())
        yield OffReading("current", one.measure_current())
        yield OffReading("output", float(one.shown_on))
    elif isinstance(one, SimulatedMeter):
        if one is bench.meter:
            yield OffReading("voltage", one.measure_voltage())
        if one.amps is not None:
            yield OffReading("current", one.measure_current())

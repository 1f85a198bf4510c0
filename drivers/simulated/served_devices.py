"""A simulated instrument behind the words of its definition.

Owns which operation and which group of a reply is what of the instruments of
``drivers.simulated.instruments``. Knows no text, no wire and no time.
"""

import re
from collections.abc import Callable, Mapping
from functools import partial
from operator import attrgetter
from pathlib import Path

from drivers.mirrored import MirroredInstrument
from drivers.simulated.instruments import (
    SimulatedContactor,
    SimulatedLoad,
    SimulatedMeter,
    SimulatedSupply,
    SimulatedThermometer,
)
from drivers.simulated.watched import CommunicationWatchdog
from sequencer.documents.bench import BenchDocument
from sequencer.documents.operations import ON_TIME
from sequencer.ports import SIMULATED_MAKER

Instrument = (
    SimulatedSupply | SimulatedLoad | SimulatedMeter | SimulatedThermometer | SimulatedContactor
)
_ERROR = re.compile(r"([+-]?[0-9]{1,5}),(.*)", re.ASCII)
_SETTINGS: Mapping[str, str] = {
    "set voltage": "voltage_setting",
    "set current": "current_setting",
    "set over-voltage": "over_voltage",
    "set over-current": "over_current",
    "set under-voltage": "under_voltage",
    "set watchdog": "watchdog_s",
    "set on-time": "on_time_s",
}
"""Where each setting stands in an instrument."""


class _Behind:
    """One simulated instrument, as words want it."""

    def __init__(self, instrument: Instrument) -> None:
        self._instrument = instrument
        self._measures = _measuring(instrument)
        self._does = _doing(instrument)

    def measured(self, group: str, channel: int | None) -> float | bool:
        """What it shows."""
        return self._measures[group](channel)

    def setting(self, operation: str) -> float:
        """What it is set to."""
        value: float = attrgetter(_SETTINGS[operation])(self._instrument)
        return value

    def obey(self, operation: str, value: float | None) -> None:
        """Set or switch it."""
        if operation in self._does:
            self._does[operation](*(() if value is None else (value,)))
        elif value is not None:
            setattr(self._instrument, _SETTINGS[operation], value)


def _measuring(one: Instrument) -> dict[str, Callable[[int | None], float | bool]]:
    match one:
        case SimulatedSupply() | SimulatedLoad():
            return {
                "voltage": lambda _: one.measure_voltage(),
                "current": lambda _: one.measure_current(),
                "power": lambda _: one.measure_voltage() * one.measure_current(),
                "output": lambda _: one.shown_on,
            }
        case SimulatedMeter():
            return {
                "voltage": lambda _: one.measure_voltage(),
                "current": lambda _: one.measure_current(),
            }
        case SimulatedThermometer():
            reads = one.measure
            return {"temperature": one.degrees, "resistance": reads, "voltage": reads}
        case SimulatedContactor():
            return {"closed": lambda _: one.shown_closed}


def _doing(one: Instrument) -> dict[str, Callable[..., None]]:
    match one:
        case SimulatedSupply() | SimulatedLoad():
            done: dict[str, Callable[..., None]] = {
                "set current": one.set_current,
                "output on": partial(one.output, True),
                "output off": partial(one.output, False),
                "clear protection": partial(setattr, one, "protection_tripped", False),
            }
            if isinstance(one, SimulatedSupply):
                return done | {"set voltage": one.set_voltage}
            # A change of mode switches the input off (common practice).
            return done | {"set mode current": partial(one.output, False)}
        case SimulatedContactor():
            return {"close": one.close, "open": one.open}
    return {}


class Served(MirroredInstrument):
    """One instrument as its wire sees it."""

    def __init__(self, instrument: Instrument, serial: str) -> None:
        """An instrument that has just been switched on.

        Raises:
            NoReplyFitsError: as ``MirroredInstrument``.
        """
        definition = instrument.definition
        who = {
            "maker": SIMULATED_MAKER,
            "model": definition.definition,
            "serial": serial,
            "firmware": "1.0",
        }
        super().__init__(definition, _Behind(instrument), who)
        self._hear = instrument.hear if isinstance(instrument, CommunicationWatchdog) else None

    def respond(self, line: str) -> str | None:
        """Carry one line out; the reply without its line end, or None."""
        if self._hear is not None:
            self._hear()
        return super().respond(line)

    def check_complaint(self, text: str) -> None:
        """Raise ValueError unless it has an error queue and the text is ``code,words``."""
        if self.definition.errors is None:
            raise ValueError(f"an instrument without an error queue has none for {text}")
        if _ERROR.fullmatch(text) is None:
            raise ValueError("an entry of the error queue is written code,words")


def serial_of(bench: BenchDocument, name: str) -> str:
    """The serial number that the bench document expects; or one of its own for each name, and for
    each kind of box whose channels have names."""
    one = bench.instruments[name]
    own = name if one.channel is None else Path(one.definition).stem
    return one.serial_number or f"SIM-{own}"


def ports_of(bench: BenchDocument, devices: Mapping[str, Served]) -> list[list[str]]:
    """The names of those that stand at one port: the channels of a box, and what has a ``channel``
    on one line, where their links agree and no text means two things."""
    ports: list[list[str]] = []
    for name in devices:
        joined = [
            port
            for port in ports
            if all(_stand_together(bench, devices, name, other) for other in port)
        ]
        if joined:
            joined[0].append(name)
        else:
            ports.append([name])
    return ports


def _stand_together(
    bench: BenchDocument, devices: Mapping[str, Served], name: str, other: str
) -> bool:
    one, two = bench.instruments[name], bench.instruments[other]
    if (
        one.address != two.address
        or None in (one.channel, two.channel)
        or one.channel == two.channel
    ):
        return False
    mine, its = (devices[each].definition for each in (name, other))
    if mine.link.kinds != its.link.kinds or mine.link.differs_in(its.link):
        return False
    is_one_box = mine.definition == its.definition
    return (
        is_one_box
        or mine.link.unit != its.link.unit
        or not {*devices[name].texts} & {*devices[other].texts}
    )


def reset_load(load: SimulatedLoad) -> None:
    """What power does to it: input off, no current, no timer."""
    load.output(False)
    if ON_TIME in load.definition.operations:
        load.on_time_s = 0.0
    load.set_current(0.0)

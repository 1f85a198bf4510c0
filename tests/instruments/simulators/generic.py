"""Instruments of common practice, one for each shipped definition, by the name of the definition.

Written from the SCPI standard (Volume 2: SOURce, OUTPut, INPut, MEASure, INSTrument; from memory)
and from how such instruments are commonly spoken to, before and apart from the definitions.
"""

from collections.abc import Callable, Mapping
from math import inf

from tests.instruments.simulators.circuit import (
    Circuit,
    SupplyOutlet,
    VoltmeterOutlet,
)
from tests.instruments.simulators.generic_loads import (
    ScpiLoad,
    ScpiLoadByMode,
    ScpiLoadFull,
    ScpiLoadTimed,
    ScpiLoadWords,
)
from tests.instruments.simulators.scpi import Row, ScpiError, ScpiInstrument, Setting, onoff
from tests.instruments.simulators.speaking import LineInstrument, SimulatedInstrument


class ScpiSupply(ScpiInstrument):
    """30 V, 5 A; the over-voltage protection from 1 V to 33 V. Headers without optional nodes."""

    identity = "Invented,Supply 30-5,000101,1.0"
    names = ("VOLTage", "CURRent", "VOLTage:PROTection", "CURRent:PROTection", "OUTPut",
             "MEASure:VOLTage", "MEASure:CURRent", "OUTPut:PROTection:CLEar")  # fmt: skip
    most_v, most_a, least_protection_v, most_protection_v = 30.0, 5.0, 1.0, 33.0

    def __init__(self, circuit: Circuit) -> None:
        self.outlet = SupplyOutlet()
        circuit.outlets.append(self.outlet)
        self._volts, self._amps = Setting(0.0, self.most_v, 0.0), Setting(0.0, self.most_a, 0.0)
        self._limit_v = Setting(self.least_protection_v, self.most_protection_v,
                                self.most_protection_v, 2)  # fmt: skip
        self._limit_a = Setting(0.0, 1.1 * self.most_a, 1.1 * self.most_a)
        self._tripped = False
        super().__init__(circuit)

    def tree(self) -> Mapping[str, Row]:
        """What it understands."""
        rows = (
            self._volts.row(self._set), self._amps.row(self._set), self._limit_v.row(),
            self._limit_a.row(), Row(self._switch, lambda _: f"{self.outlet.is_on:d}"),
            Row(tell=lambda _: f"{self._read_v():+.4E}"),
            Row(tell=lambda _: f"{self._read_a():+.4E}"),
            Row(do=self._clear),
        )  # fmt: skip
        return dict(zip(self.names, rows, strict=True))

    def tick(self, now: float) -> None:
        """Its protections latch."""
        if self.outlet.is_on:
            amps = self.circuit.amps(self.outlet, now)
            volts = self.circuit.terminal_volts(self.outlet, now)
            if volts > self._limit_v.value or amps > self._limit_a.value:
                self.outlet.switch(False, now)
                self._tripped = True

    def _set(self) -> None:
        self.outlet.set_v, self.outlet.set_a = self._volts.value, self._amps.value

    def _switch(self, text: str) -> None:
        on = onoff(text)
        if on and self._tripped:
            raise ScpiError(-221)
        self.outlet.switch(on, self.now)

    def _clear(self, text: str) -> None:
        if text:
            raise ScpiError(-108)
        self._tripped = False

    def _read_v(self) -> float:
        return self.circuit.terminal_volts(self.outlet, self.now)

    def _read_a(self) -> float:
        return self.circuit.amps(self.outlet, self.now)


class ScpiSupplyFull(ScpiSupply):
    """The same with every node of the standard; none may be left out."""

    names = ("SOURce:VOLTage:LEVel:IMMediate:AMPLitude", "SOURce:CURRent:LEVel:IMMediate:AMPLitude",
             "SOURce:VOLTage:PROTection:LEVel", "SOURce:CURRent:PROTection:LEVel", "OUTPut:STATe",
             "MEASure:SCALar:VOLTage:DC", "MEASure:SCALar:CURRent:DC",
             "OUTPut:PROTection:CLEar")  # fmt: skip


class ScpiSupplySelected(ScpiSupply):
    """Two outputs of 15 V and 3 A; what is said counts for the selected one, at first the second.
    Only output 1 has a circuit."""

    identity = "Invented,Supply 2x15-3,000102,1.0"
    most_v, most_a, least_protection_v, most_protection_v = 15.0, 3.0, 0.5, 17.0

    def __init__(self, circuit: Circuit) -> None:
        self._other = ScpiSupply(Circuit())
        self._selected = 2
        super().__init__(circuit)

    def tree(self) -> Mapping[str, Row]:
        """The same rows for each, and INSTrument:NSELect."""
        own, other = super().tree(), self._other.tree()

        def through(name: str) -> Row:
            return Row(
                lambda text: self._which(own, other)[name].do(text),  # type: ignore[misc]
                lambda text: self._which(own, other)[name].tell(text),  # type: ignore[misc]
            )

        selects = Row(self._select, lambda _: f"{self._selected}")
        return {"INSTrument:NSELect": selects} | {name: through(name) for name in self.names}

    def _which(self, own: Mapping[str, Row], other: Mapping[str, Row]) -> Mapping[str, Row]:
        return own if self._selected == 1 else other

    def _select(self, text: str) -> None:
        if text not in ("1", "2"):
            raise ScpiError(-222)
        self._selected = int(text)


class ScpiMeter(ScpiInstrument):
    """A voltmeter of 4.5 digits with ranges of 1, 10 and 100 V; it is configured, then read."""

    identity = "Invented,Meter 45,000301,1.0"

    def __init__(self, circuit: Circuit) -> None:
        self.outlet = VoltmeterOutlet()
        self._most_v = 100.0
        super().__init__(circuit)

    def tree(self) -> Mapping[str, Row]:
        """What it understands."""
        return {
            "CONFigure:VOLTage:DC": Row(do=self._configure),
            "READ": Row(tell=lambda _: self._read()),
        }

    def _configure(self, text: str) -> None:
        if text not in ("1", "10", "100"):
            raise ScpiError(-222 if text else -109)
        self._most_v = float(text)

    def _read(self) -> str:
        volts = self.circuit.terminal_volts(self.outlet, self.now)
        digits = 5 - len(f"{self._most_v:.0f}")
        return f"{volts:+.{digits}f}" if abs(volts) <= 1.2 * self._most_v else "+9.90000000E+37"


class ScpiMeterAtOnce(ScpiMeter):
    """The same, configured anew by each question."""

    def tree(self) -> Mapping[str, Row]:
        """What it understands."""
        return {"MEASure:VOLTage:DC": Row(tell=self._measure)}

    def _measure(self, text: str) -> str:
        self._configure(text)
        return self._read()


class ScpiOhmmeter(ScpiInstrument):
    """An ohmmeter on four wires with a Pt100 on the surface: R = 100 Ohm (1 + A t + B t^2)."""

    identity = "Invented,Meter 55,000302,1.0"

    def __init__(self, circuit: Circuit) -> None:
        self._most_ohm = 100.0
        super().__init__(circuit)

    def tree(self) -> Mapping[str, Row]:
        """What it understands."""
        return {
            "CONFigure:FRESistance": Row(do=self._configure),
            "READ": Row(tell=lambda _: self._read()),
        }

    def _configure(self, text: str) -> None:
        if text not in ("100", "1000", "10000"):
            raise ScpiError(-222 if text else -109)
        self._most_ohm = float(text)

    def _read(self) -> str:
        self.circuit.volts(self.now)
        at = self.circuit.surface_c
        ohm = 100.0 * (1.0 + 3.9083e-3 * at - 5.775e-7 * at * at)
        return f"{ohm:+.6E}" if ohm <= 1.2 * self._most_ohm else "+9.90000000E+37"


class LineThermometer(LineInstrument):
    """Two sensors, on the surface and in the room, asked one by one; the third has come off."""

    def answered(self, line: str, now: float) -> str | None:
        """A reading with its unit."""
        self.circuit.volts(now)
        shown = [f"{self.circuit.surface_c:.2f} degC", f"{self.circuit.room_c:.2f} degC", "OPEN"]
        known = {f"T{place}?": f"T{place} {one}" for place, one in enumerate(shown, 1)}
        return (known | {"ID?": "Invented,Thermometer,000401,1.0"}).get(line, "ERROR")


class StreamingThermometer(SimulatedInstrument):
    """The same sensors in one line, every half a second, by itself; it understands nothing."""

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self._next = inf

    def connected(self, now: float) -> None:
        """It was switched on."""
        self._next = now + 0.5

    def next_at(self) -> float:
        """The next line."""
        return min(super().next_at(), self._next)

    def tick(self, now: float) -> None:
        """What is due."""
        while self._next <= now:
            self.circuit.volts(self._next)
            shown = f"{self.circuit.surface_c:.2f} C,{self.circuit.room_c:.2f} C,OPEN C\r\n"
            self.say(shown.encode("ascii"), self._next)
            self._next += 0.5


class LineContactor(LineInstrument):
    """A contactor whose feedback contact is asked for, with a watchdog of its own."""

    settles_s = 0.02

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self._closed = self._closing = False
        self._moves_at = inf
        self._watchdog_s, self._opens_at = 0.0, inf

    @property
    def is_closed(self) -> bool:
        """Where the contact is."""
        return self._closed

    def tick(self, now: float) -> None:
        """The contact moves a while after its coil; silence opens it."""
        if now >= self._opens_at:
            self.move(False, self._opens_at)
            self._opens_at = inf
        if now >= self._moves_at:
            self._closed, self._moves_at = self._closing, inf

    def move(self, closed: bool, now: float) -> None:
        """The coil."""
        self._closing, self._moves_at = closed, now + self.settles_s

    def answered(self, line: str, now: float) -> str | None:
        """Commands are not answered."""
        self.tick(now)
        self._opens_at = now + self._watchdog_s if self._watchdog_s else inf
        word, _, text = line.partition(" ")
        if line in ("OPEN", "CLOSE"):
            self.move(line == "CLOSE", now)
        elif word == "WATCHDOG" and text.replace(".", "", 1).isdigit():
            self._watchdog_s = float(text)
        known = {
            "STATE?": "CLOSED" if self._closed else "OPEN",
            "WATCHDOG?": f"{self._watchdog_s:g}",
        }
        return (known | {"ID?": "Invented,Contactor,000501,1.0"}).get(line)


class RelayBoard(LineContactor):
    """Four relays and four inputs. An auxiliary contact of the contactor on relay 1 is wired to
    input 1: the board itself knows of its coils alone. Every command is acknowledged."""

    def answered(self, line: str, now: float) -> str | None:
        """A question by its answer, a command by OK, what is not known by ERROR."""
        self.tick(now)
        kind, _, rest = line.partition(" ")
        place, _, state = rest.partition(" ")
        if kind == "RELAY" and place in ("1", "2", "3", "4") and state in ("ON", "OFF"):
            if place == "1":
                self.move(state == "ON", now)
            return "OK"
        known = {
            "ID?": "Invented,Relay board 4,000502,1.0",
            "RELAY 1?": "ON" if self._closing else "OFF",
        }
        known |= {f"RELAY {number}?": "OFF" for number in (2, 3, 4)}
        known |= {f"INPUT {number}?": "0" for number in (2, 3, 4)}
        return (known | {"INPUT 1?": f"{self._closed:d}"}).get(line, "ERROR")


GENERIC: dict[str, Callable[[Circuit], SimulatedInstrument]] = {
    "generic-scpi-supply": ScpiSupply,
    "generic-scpi-supply-full": ScpiSupplyFull,
    "generic-scpi-supply-selected": ScpiSupplySelected,
    "generic-scpi-load": ScpiLoad,
    "generic-scpi-load-full": ScpiLoadFull,
    "generic-scpi-load-timed": ScpiLoadTimed,
    "generic-scpi-load-words": ScpiLoadWords,
    "generic-scpi-load-by-mode": ScpiLoadByMode,
    "generic-scpi-multimeter": ScpiMeter,
    "generic-scpi-multimeter-at-once": ScpiMeterAtOnce,
    "generic-scpi-ohmmeter": ScpiOhmmeter,
    "generic-line-thermometer": LineThermometer,
    "generic-line-thermometer-streaming": StreamingThermometer,
    "generic-line-contactor": LineContactor,
    "generic-line-relay-board": RelayBoard,
}
"""By the name of the definition that ships."""

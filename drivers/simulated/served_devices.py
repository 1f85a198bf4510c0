"""What the served instruments understand: SCPI trees and plain lines, each over one instrument.

Owns the command texts that the shipped definitions use, and the words of the replies; the numbers
come from the instruments of ``drivers.simulated.instruments``. Knows no wire and no time.
"""

import re
from collections.abc import Callable
from functools import partial
from math import isfinite, isnan
from typing import Protocol

from drivers.simulated.instruments import (
    SimulatedContactor,
    SimulatedLoad,
    SimulatedMeter,
    SimulatedSupply,
    SimulatedThermometer,
    protection_bounds,
)
from drivers.simulated.served_scpi import (
    Interpreter,
    ScpiEntry,
    ScpiError,
    number_reader,
    read_flag,
    word_reader,
)
from sequencer.documents.bench import BenchDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.ports import SIMULATED_MAKER

Instrument = (
    SimulatedSupply | SimulatedLoad | SimulatedMeter | SimulatedThermometer | SimulatedContactor
)
_CHANNEL = re.compile(r"T([0-9]{1,2})\?", re.ASCII)
_WATCHDOG = re.compile(r"WATCHDOG ([0-9]{1,4}(?:\.[0-9]{1,6})?)", re.ASCII)
_ERROR = re.compile(r"([+-]?[0-9]{1,5}),(.*)", re.ASCII)


class Served(Protocol):
    """One instrument as its wire sees it."""

    identity: str

    def respond(self, line: str) -> str | None:
        """Carry one line out; the reply without its line end, or None."""
        ...

    def overrun(self, code: int) -> None:
        """The wire lost something."""
        ...

    def check_complaint(self, text: str) -> None:
        """Raise ValueError unless ``complain`` can take that text."""
        ...

    def complain(self, text: str) -> None:
        """Put ``code,words`` into the error queue."""
        ...

    def power_up(self) -> None:
        """Forget everything that was said, as after mains came back."""
        ...


class ScpiDevice:
    """An instrument that speaks SCPI."""

    def __init__(self, identity: str, entries: list[ScpiEntry], reset: Callable[[], None]) -> None:
        """An instrument that has just been switched on."""
        self.identity = identity
        self._interpreter = Interpreter(lambda: self.identity, entries, reset)
        self.respond = self._interpreter.execute
        self.power_up = self._interpreter.power_up

    def overrun(self, code: int) -> None:
        """Queue the error."""
        self._interpreter.report(code)

    def check_complaint(self, text: str) -> None:
        """Raise ValueError unless the text is ``code,words``."""
        if _ERROR.fullmatch(text) is None:
            raise ValueError("an entry of the error queue is written code,words")

    def complain(self, text: str) -> None:
        """Queue an error given as ``code,words``."""
        code, _, words = text.partition(",")
        self._interpreter.queue(int(code), words)


class LineDevice:
    """Speaks plain lines; a question that it does not understand it answers with ``ERR``."""

    def __init__(self, identity: str, answer: Callable[[str], str | None]) -> None:
        """An instrument that has just been switched on."""
        self.identity, self._answer = identity, answer
        self.hear: Callable[[], None] = lambda: None

    def respond(self, line: str) -> str | None:
        """Carry one line out."""
        self.hear()
        word = line.strip().upper()
        if word == "ID?":
            return self.identity
        answer = self._answer(word)
        return "ERR" if answer is None and word.endswith("?") else answer

    def overrun(self, code: int) -> None:
        """Nothing remembers it."""

    def check_complaint(self, text: str) -> None:
        """Raise ValueError: it has no error queue."""
        raise ValueError(f"an instrument of plain lines has no error queue for {text}")

    def complain(self, text: str) -> None:
        """Nothing remembers it."""

    def power_up(self) -> None:
        """It remembers nothing."""


def write_number(value: float) -> str:
    """NR3; infinities and not-a-number as SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5 write them."""
    if isfinite(value):
        return f"{value:.6E}"
    if isnan(value):
        return "9.91E+37"
    return "9.9E+37" if value > 0.0 else "-9.9E+37"


def _measuring(measure: Callable[[], float]) -> Callable[[list[str]], str]:
    def ask(parameters: list[str]) -> str:
        if parameters:
            raise ScpiError(-108)
        return write_number(measure())

    return ask


def _setting(
    pattern: str,
    get: Callable[[], float],
    put: Callable[[float], None],
    unit: str,
    bounds: tuple[float, float],
) -> ScpiEntry:
    """A setting that can be asked back; ``VOLT? MAX`` asks for its bound."""
    reads = number_reader(unit, lambda: bounds)

    def ask(parameters: list[str]) -> str:
        if not parameters:
            return write_number(get())
        if parameters[0].upper() not in ("MIN", "MAX", "MINIMUM", "MAXIMUM"):
            raise ScpiError(-224)
        return write_number(reads(parameters[0]))

    return ScpiEntry(pattern, ask, put, reads)


def _flag(is_on: Callable[[], bool]) -> Callable[[list[str]], str]:
    return lambda _: "1" if is_on() else "0"


def _bounds(definition: InstrumentDefinition, capability: str) -> tuple[float, float]:
    found = definition.capability(capability)
    return found.low, found.high


def supply_entries(supply: SimulatedSupply) -> list[ScpiEntry]:
    """The SCPI-1999 power supply tree, as far as the shipped definitions need it."""
    volts = _bounds(supply.definition, "set voltage")
    amps = _bounds(supply.definition, "set current")
    return [
        ScpiEntry("OUTPut[:STATe]", _flag(lambda: supply.shown_on), supply.output, read_flag),
        _setting(
            "[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
            lambda: supply.voltage_setting,
            supply.set_voltage,
            "V",
            volts,
        ),
        _setting(
            "[SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]",
            lambda: supply.current_setting,
            supply.set_current,
            "A",
            amps,
        ),
        _setting(
            "[SOURce]:VOLTage:PROTection[:LEVel]",
            lambda: supply.over_voltage,
            partial(_put, supply, "over_voltage"),
            "V",
            protection_bounds(supply.definition, "voltage"),
        ),
        _setting(
            "[SOURce]:CURRent:PROTection[:LEVel]",
            lambda: supply.over_current,
            partial(_put, supply, "over_current"),
            "A",
            protection_bounds(supply.definition, "current"),
        ),
        *_protection_entries(supply),
        *_measuring_entries(supply),
    ]


def _protection_entries(one: SimulatedSupply | SimulatedLoad) -> list[ScpiEntry]:
    tripped = _flag(lambda: one.protection_tripped)
    clear = partial(_put, one, "protection_tripped", False)
    return [
        ScpiEntry("[SOURce]:VOLTage:PROTection:TRIPped", ask=tripped),
        ScpiEntry("[SOURce]:VOLTage:PROTection:CLEar", set=clear),
        ScpiEntry("[SOURce]:CURRent:PROTection:TRIPped", ask=tripped),
        ScpiEntry("[SOURce]:CURRent:PROTection:CLEar", set=clear),
    ]


def _measuring_entries(one: SimulatedSupply | SimulatedLoad) -> list[ScpiEntry]:
    def power() -> float:
        return one.measure_voltage() * one.measure_current()

    return [
        ScpiEntry("MEASure[:SCALar]:VOLTage[:DC]", _measuring(one.measure_voltage)),
        ScpiEntry("MEASure[:SCALar]:CURRent[:DC]", _measuring(one.measure_current)),
        ScpiEntry("MEASure[:SCALar]:POWer[:DC]", _measuring(power)),
    ]


def _put(one: object, name: str, value: float | bool) -> None:
    setattr(one, name, value)


def load_entries(load: SimulatedLoad) -> list[ScpiEntry]:
    """A load's tree; no open standard names it. Only the current mode is there to be chosen."""
    amps = _bounds(load.definition, "set current")
    volts = _bounds(load.definition, "measure voltage")

    def choose(mode: str) -> None:
        if mode != "CURR":
            raise ScpiError(-221, "only constant current is simulated")
        load.output(False)

    return [
        ScpiEntry("INPut[:STATe]", _flag(lambda: load.shown_on), load.output, read_flag),
        ScpiEntry("[SOURce]:FUNCtion[:MODE]", lambda _: "CURR", choose,
              word_reader("CURRent", "VOLTage", "POWer", "RESistance")),
        _setting(
            "[SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]",
            lambda: load.current_setting,
            load.set_current,
            "A",
            amps,
        ),
        _setting(
            "[SOURce]:VOLTage:PROTection:LOW[:LEVel]",
            lambda: load.under_voltage,
            partial(_put, load, "under_voltage"),
            "V",
            volts,
        ),
        *_protection_entries(load),
        *_measuring_entries(load),
    ]  # fmt: skip


class _Chosen:
    """What a meter's READ? measures."""

    def __init__(self, meter: SimulatedMeter) -> None:
        self._meter = meter
        self.word, self.measure = "VOLT", meter.measure_voltage

    def volts(self, parameters: list[str]) -> None:
        """CONF:VOLT:DC, with an expected value at most."""
        _check_expected(parameters, "V", _bounds(self._meter.definition, "measure voltage"))
        self.word, self.measure = "VOLT", self._meter.measure_voltage

    def amps(self, parameters: list[str]) -> None:
        """CONF:CURR:DC, with an expected value at most."""
        if self._meter.amps is None:
            raise ScpiError(-221, "measures no current")
        _check_expected(parameters, "A", _bounds(self._meter.definition, "measure current"))
        self.word, self.measure = "CURR", self._meter.measure_current

    def reset(self) -> None:
        """As switched on."""
        self.volts([])

    def read(self) -> float:
        """One reading of what is chosen."""
        return self.measure()


def _check_expected(parameters: list[str], unit: str, bounds: tuple[float, float]) -> None:
    if len(parameters) > 2:
        raise ScpiError(-108)
    reads = number_reader(unit, lambda: bounds)
    for text in parameters[:1]:
        if text.upper() not in ("AUTO", "DEF", "DEFAULT"):
            reads(text)


def meter_entries(chosen: _Chosen) -> list[ScpiEntry]:
    """A multimeter's tree: configure, then read."""

    def measuring(choose: Callable[[list[str]], None]) -> Callable[[list[str]], str]:
        def ask(parameters: list[str]) -> str:
            choose(parameters)
            return write_number(chosen.read())

        return ask

    return [
        ScpiEntry("CONFigure:VOLTage[:DC]", None, chosen.volts, list),
        ScpiEntry("CONFigure:CURRent[:DC]", None, chosen.amps, list),
        ScpiEntry("CONFigure", lambda _: f'"{chosen.word}"'),
        ScpiEntry("READ", _measuring(chosen.read)),
        ScpiEntry("FETCh", _measuring(chosen.read)),
        ScpiEntry("INITiate[:IMMediate]", None, lambda: None),
        ScpiEntry("MEASure[:SCALar]:VOLTage[:DC]", measuring(chosen.volts)),
        ScpiEntry("MEASure[:SCALar]:CURRent[:DC]", measuring(chosen.amps)),
    ]


def _thermometer(one: SimulatedThermometer) -> Callable[[str], str | None]:
    """``T1?`` is answered by ``T1 23.46 degC``, or by the marker of a sensor that came off."""
    off = next(iter(one.definition.values.disconnected), "OPEN")

    def answer(word: str) -> str | None:
        match = _CHANNEL.fullmatch(word)
        if match is None:
            return None
        value = one.measure(int(match[1]))
        if isnan(value):
            return f"T{match[1]} {off}"
        return f"T{match[1]} {value:.2f} degC" if isfinite(value) else f"T{match[1]} {off}"

    return answer


def _contactor(one: SimulatedContactor) -> Callable[[str], str | None]:
    values = one.definition.values
    words = {True: values.yes[0], False: values.no[0]}

    def answer(word: str) -> str | None:
        match word:
            case "STATE?":
                return words[one.shown_closed]
            case "CLOSE":
                one.close()
            case "OPEN":
                one.open()
            case "WATCHDOG?":
                return f"{one.watchdog_s:.3f}"
            case _ if match := _WATCHDOG.fullmatch(word):
                one.watchdog_s = float(match[1])
        return None

    return answer


def reset_supply(supply: SimulatedSupply) -> None:
    """What ``*RST`` does to it: output off, current to its maximum (its definition says so)."""
    supply.output(False)
    supply.set_voltage(0.0)
    supply.set_current(supply.definition.capability("set current").high)


def reset_load(load: SimulatedLoad) -> None:
    """What ``*RST`` does to it: input off, no current."""
    load.output(False)
    load.set_current(0.0)


def device_for(instrument: Instrument, serial: str) -> Served:
    """The language of one instrument."""
    identity = f"{SIMULATED_MAKER},{instrument.definition.definition},{serial},1.0"
    match instrument:
        case SimulatedSupply():
            reset = partial(reset_supply, instrument)
            return ScpiDevice(identity, supply_entries(instrument), reset)
        case SimulatedLoad():
            return ScpiDevice(identity, load_entries(instrument), partial(reset_load, instrument))
        case SimulatedMeter():
            chosen = _Chosen(instrument)
            return ScpiDevice(identity, meter_entries(chosen), chosen.reset)
        case SimulatedThermometer():
            return LineDevice(identity, _thermometer(instrument))
        case SimulatedContactor():
            device = LineDevice(identity, _contactor(instrument))
            device.hear = instrument.hear
            return device


def serial_of(bench: BenchDocument, name: str) -> str:
    """The serial number that the bench document expects, or one of its own for each name."""
    return bench.instruments[name].serial_number or f"SIM-{name}"

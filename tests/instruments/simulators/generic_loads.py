"""The loads that ship, written apart from their definitions: one load in several spellings."""

from collections.abc import Mapping
from math import inf

from tests.instruments.simulators.circuit import (
    Circuit,
    LoadOutlet,
)
from tests.instruments.simulators.scpi import Row, ScpiInstrument, Setting, choice, onoff


class ScpiLoad(ScpiInstrument):
    """60 V, 20 A, 150 W, with an under-voltage cut-out that latches. Headers without optional
    nodes; a change of mode switches the input off."""

    identity = "Invented,Load 150,000201,1.0"
    names: tuple[str, ...] = ("FUNCtion", "CURRent", "INPut", "VOLTage:PROTection:LOW",
                              "MEASure:VOLTage", "MEASure:CURRent")  # fmt: skip
    modes: Mapping[str, str] = {"CURRent": "CURR", "POWer": "POW", "RESistance": "RES"}
    says = ("0", "1")

    def __init__(self, circuit: Circuit) -> None:
        self.outlet = LoadOutlet()
        circuit.outlets.append(self.outlet)
        self._amps, self._cut_out_v = Setting(0.0, 20.0, 0.0), Setting(0.0, 60.0, 0.0)
        self._mode = next(iter(self.modes))
        self._tripped = False
        super().__init__(circuit)

    def tree(self) -> Mapping[str, Row]:
        """What it understands."""
        rows = (
            Row(self._change, lambda _: self.modes[self._mode]), self._amps.row(self._set),
            Row(self._switch, lambda _: self.says[self.outlet.is_on]), self._cut_out_v.row(),
            Row(tell=lambda _: f"{self._read_v():.3f}"),
            Row(tell=lambda _: f"{self._read_a():.3f}"),
        )  # fmt: skip
        return dict(zip(self.names, rows, strict=True))

    def tick(self, now: float) -> None:
        """The cut-out."""
        volts = self.circuit.terminal_volts(self.outlet, now)
        if self.outlet.is_on and volts < self._cut_out_v.value:
            self.outlet.switch(False, now)
            self._tripped = True

    def _change(self, text: str) -> None:
        mode = choice(text, *self.modes)
        if mode != self._mode:
            self.outlet.switch(False, self.now)
        self._mode = mode
        self._set()

    def _set(self) -> None:
        """Power and resistance have no level of their own here: they draw next to nothing."""
        is_amps = self._mode == next(iter(self.modes))
        self.outlet.mode = "C" if is_amps else "R"
        self.outlet.level = self._amps.value if is_amps else 1e6

    def _switch(self, text: str) -> None:
        on = onoff(text)
        self._tripped = self._tripped and on
        self.outlet.switch(on and not self._tripped, self.now)

    def _read_v(self) -> float:
        return self.circuit.terminal_volts(self.outlet, self.now)

    def _read_a(self) -> float:
        return abs(self.circuit.amps(self.outlet, self.now))


class ScpiLoadFull(ScpiLoad):
    """The same with every node of the standard; none may be left out."""

    names = ("SOURce:FUNCtion:MODE", "SOURce:CURRent:LEVel:IMMediate:AMPLitude", "INPut:STATe",
             "SOURce:VOLTage:PROTection:LOWer", "MEASure:SCALar:VOLTage:DC",
             "MEASure:SCALar:CURRent:DC")  # fmt: skip


class ScpiLoadTimed(ScpiLoad):
    """The same with a timer: switched on, the input goes off by itself after so long (0: never)."""

    def __init__(self, circuit: Circuit) -> None:
        self._timer_s, self._ends_at = Setting(0.0, 60.0, 0.0), inf
        super().__init__(circuit)

    def tree(self) -> Mapping[str, Row]:
        """What it understands."""
        return {**super().tree(), "INPut:TIMer": self._timer_s.row()}

    def tick(self, now: float) -> None:
        """The cut-out, and the timer."""
        super().tick(now)
        if self.outlet.is_on and now >= self._ends_at:
            self.outlet.switch(False, now)

    def _switch(self, text: str) -> None:
        super()._switch(text)
        self._ends_at = self.now + self._timer_s.value if self._timer_s.value else inf


class ScpiLoadWords(ScpiLoad):
    """Modes are CC, CP and CR, and the input is switched by LOAD, which answers ON or OFF."""

    names = ("MODE", "CURRent", "LOAD", "VOLTage:MINimum", "MEASure:VOLTage", "MEASure:CURRent")
    modes: Mapping[str, str] = {"CC": "CC", "CP": "CP", "CR": "CR"}
    says = ("OFF", "ON")


class ScpiLoadByMode(ScpiLoad):
    """Each mode has a branch of its own, and the input is switched as an output is."""

    names = ("FUNCtion", "CC:LEVel", "OUTPut", "CC:UNDer", "MEASure:VOLTage", "MEASure:CURRent")
    modes: Mapping[str, str] = {"CC": "CC", "CP": "CP", "CR": "CR"}

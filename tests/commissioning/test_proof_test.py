"""The proof test's step for the load's cut-out, on a bench that does what a test wants."""

from types import SimpleNamespace
from typing import Any

import pytest

from sequencer.clocks import VirtualClock
from sequencer.commissioning.proof_test import ProofTest
from sequencer.vocabulary.faults import Fault, FaultKind, RefusedError
from sequencer.vocabulary.sample import OFF, ON, Sample


class Bench:
    """A supply that feeds 0.2 A at 1.5 V, and a load whose cut-out acts and latches as told."""

    def __init__(self, *, acts: bool, latches: bool, draws: float = 0.1) -> None:
        self.acts, self.latches, self.draws = acts, latches, draws
        self.is_on, self.done = False, list[tuple[str, str, float | None]]()

    def perform(self, name: str, operation: str, value: float | None = None) -> None:
        """Only the load's input matters."""
        self.done.append((name, operation, value))
        if operation == "output on":
            self.is_on = True
        elif operation == "set under-voltage" and value is not None and self.acts:
            self.is_on = self.is_on and value < 1.5 if value else not self.latches

    def apply(self, _command: object) -> None:
        """Nothing to see."""

    def make_safe(self) -> None:
        """Off."""
        self.is_on = False

    def read(self, at_ns: int, _late_ns: int, _period_ns: int) -> Sample:
        """What the two show."""
        on = ON if self.is_on else OFF
        amps = self.draws if self.is_on else 0.0
        return Sample(at_ns, supply_v=1.5, supply_a=0.2, load_v=1.5, load_a=amps, load_on=on)


def shown_by(bench: Bench, *, latching: bool = True) -> Any:
    """The step, carried out on that bench."""
    traits = SimpleNamespace(latching_undervoltage_cut_out=latching)
    load = SimpleNamespace(traits=traits, operations=("set under-voltage",))
    wiring = SimpleNamespace(charge="supply", contactor=None, discharge="load", sensors=())
    document: Any = SimpleNamespace(wiring=wiring)
    opened: Any = SimpleNamespace(bench=bench, clock=VirtualClock(0))
    definitions: Any = {"supply": SimpleNamespace(operations=(), capabilities={}), "load": load}
    return ProofTest(opened, document, definitions, lambda _: None).cut_out()


@pytest.mark.parametrize(
    ("bench", "passed", "words"),
    [
        (Bench(acts=True, latches=True), True, "it cut 0.100 A by itself, and stayed off"),
        (Bench(acts=True, latches=False), False, "came on AGAIN: it does not latch"),
        (Bench(acts=False, latches=True), False, "it did not act"),
        (Bench(acts=True, latches=True, draws=0.01), False, "drew less than 0.05 A"),
        (
            Bench(acts=True, latches=True, draws=-0.1),
            False,
            "load reads -0.100 A while it draws: the sign of its current is the other one",
        ),
    ],
)
def test_a_cut_out_must_act_and_latch(bench, passed, words):
    """And must have had a current to cut; the supply's protection is as before afterwards."""
    shown = shown_by(bench)
    assert (shown.passed, words in shown.words) == (passed, True), shown
    assert ("load", "output on", None) in bench.done


def test_a_load_without_a_cut_out_has_none_to_prove():
    """Nothing is switched on for it."""
    bench = Bench(acts=True, latches=True)
    assert shown_by(bench, latching=False).passed
    assert bench.done == []


class Supply(Bench):
    """On a resistor of 10 Ohm; its over-voltage protection begins above 0 V, and acts."""

    def __init__(self, least_v: float) -> None:
        super().__init__(acts=True, latches=True)
        self.least_v, self.volts, self.limit_v = least_v, 0.0, 40.0

    def perform(self, name: str, operation: str, value: float | None = None) -> None:
        """The protection refuses what lies below its range."""
        super().perform(name, operation, value)
        if operation == "set over-voltage":
            assert value is not None
            assert value >= self.least_v
            self.limit_v = value

    def apply(self, command: Any) -> None:
        """Its voltage, or its current through the resistor."""
        drive = command.drive
        self.volts = min(drive.voltage_v, 10.0 * drive.current_a) if drive.current_a else 0.0

    def make_safe(self) -> Any:
        """Off."""
        self.volts = 0.0
        return SimpleNamespace(is_off=True, level=SimpleNamespace(value="B"))

    def read(self, at_ns: int, _late_ns: int, _period_ns: int) -> Sample:
        """What it shows."""
        on = OFF if self.volts > self.limit_v or not self.volts else ON
        volts = self.volts if on == ON else 0.0
        return Sample(at_ns, supply_v=volts, supply_a=volts / 10.0, supply_on=on)


def proving(bench: Supply) -> ProofTest:
    """The test of that supply alone."""
    wiring = SimpleNamespace(charge="supply", contactor=None, discharge=None, sensors=())
    document: Any = SimpleNamespace(wiring=wiring)
    opened: Any = SimpleNamespace(bench=bench, clock=VirtualClock(0))
    able = {"set over-voltage": SimpleNamespace(low=bench.least_v)} if bench.least_v else {}
    supply: Any = SimpleNamespace(operations=("set over-voltage",), capabilities=able)
    return ProofTest(opened, document, {"supply": supply}, lambda _: None)


@pytest.mark.parametrize(
    ("least_v", "passed", "words"),
    [
        (0.0, True, "over-voltage set to 1.00 V under 2.00 V: it switched off by itself"),
        (1.5, True, "over-voltage set to 1.50 V under 2.25 V: it switched off by itself"),
        (3.0, True, "over-voltage set to 3.00 V under 4.50 V: it switched off by itself"),
        (5.0, False, "cannot be set below 5 V"),
    ],
)
def test_a_protection_is_lowered_within_its_range(least_v, passed, words):
    """More is driven where its range begins high, up to 5 V and half an ampere."""
    bench = Supply(least_v)
    test = proving(bench)
    shown = test.carry_out(test.protection)
    assert (shown.passed, words in shown.words) == (passed, True), shown


class Blind(Supply):
    """Nothing joined that anybody knows of: what reads the voltage answers, but no number."""

    def __init__(self, **readings: Any) -> None:
        super().__init__(0.0)
        self.readings = readings

    def identify(self) -> None:
        """Everybody is there."""

    def protect(self, *_bounds: float) -> None:
        """Protections that do not act."""

    def read(self, at_ns: int, _late_ns: int, _period_ns: int) -> Sample:
        """As said."""
        return Sample(at_ns, **{"voltage_at_ns": at_ns, **self.readings})


GARBAGE = Fault(FaultKind.INVALID_READING, "meter", "voltage_v", "shows '#9e!'")


@pytest.mark.parametrize(
    ("readings", "reason"),
    [
        ({"voltage_v": 0.0, "faults": (GARBAGE,)}, "meter"),
        ({"voltage_v": 0.0, "voltage_at_ns": 0}, "nothing reads the voltage"),
        ({"voltage_v": 0.0, "load_v": 3.7, "load_at_ns": 1}, "3.700 V"),
        ({"voltage_v": 3.7}, "3.700 V"),
        ({"voltage_v": float("nan")}, "nothing reads the voltage"),
    ],
)
def test_nothing_is_driven_where_nobody_can_see_whether_a_cell_is_there(readings, reason):
    """A meter that answers rubbish left the voltage at nought, and the test went on."""
    bench = Blind(**readings)
    with pytest.raises(RefusedError, match=reason):
        proving(bench).begin()
    assert bench.done == []

"""The steps of the proof test, on a bench that does what a test wants."""

from collections.abc import Callable
from math import nan
from types import SimpleNamespace
from typing import Any

import pytest

from sequencer.clocks import VirtualClock
from sequencer.commissioning.proof_test import STEPS, ProofTest, ProofTestStep
from sequencer.ports import ProtectionBounds
from sequencer.vocabulary.faults import Fault, FaultKind, InstrumentError, RefusedError
from sequencer.vocabulary.sample import OFF, ON, UNKNOWN, Sample


class Bench:
    """A supply on a resistor of 10 Ohm, a load and a contactor, each with what a test wants of it:
    ``acts`` and ``latches`` tell of the load's cut-out, ``deaf`` whose watchdog does not act,
    ``dies`` the operation that fails; ``is_blind``: no current is read while the contact is
    closed."""

    def __init__(
        self,
        *,
        acts: bool = True,
        latches: bool = True,
        draws: float = 0.1,
        least_v: float = 0.0,
        deaf: tuple[str, ...] = (),
        dies: str = "",
    ) -> None:
        self.clock = VirtualClock(0)
        self.acts, self.latches, self.draws, self.least_v = acts, latches, draws, least_v
        self.deaf, self.dies = deaf, dies
        self.volts, self.limit_v, self.is_on, self.is_closed = 0.0, 40.0, False, False
        self.is_blind, self.heard_ns = False, 0
        self.done = list[tuple[str, str, float | None]]()

    def perform(self, name: str, operation: str, value: float | None = None) -> None:
        """Protections refuse what lies below their range."""
        self.done.append((name, operation, value))
        if operation == self.dies:
            raise InstrumentError(FaultKind.NO_REPLY, name, "nothing came")
        if operation == "output on":
            self.is_on = True
        elif operation == "open":
            self.is_closed = False
        elif operation == "set under-voltage" and value is not None and self.acts:
            self.is_on = self.is_on and value < 1.5 if value else self.is_on or not self.latches
        elif operation == "set over-voltage":
            assert value is not None
            assert value >= self.least_v
            self.limit_v = value

    def apply(self, command: Any) -> None:
        """Its voltage, or its current through the resistor."""
        drive, self.is_closed, self.heard_ns = command.drive, True, self.clock.now_ns()
        self.volts = min(drive.voltage_v, 10.0 * drive.current_a) if drive.current_a else 0.0

    def make_safe(self) -> Any:
        """Off."""
        self.volts, self.is_on, self.is_closed = 0.0, False, False
        return SimpleNamespace(is_off=True, level=SimpleNamespace(value="B"))

    def read(self, at_ns: int, late_ns: int, period_ns: int) -> Sample:
        """What they show; after 5 s of silence whose watchdog acts is off."""
        if at_ns - self.heard_ns > 5_000_000_000:
            self.volts = self.volts if "supply" in self.deaf else 0.0
            self.is_on = self.is_on and "load" in self.deaf
            self.is_closed = self.is_closed and "contactor" in self.deaf
        self.heard_ns = at_ns
        self.volts = 0.0 if self.volts > self.limit_v else self.volts
        is_seen = not (self.is_blind and self.is_closed)
        amps = nan if not is_seen else self.volts / 10.0 if self.is_closed else 0.0
        return Sample(
            at_ns,
            supply_v=self.volts,
            supply_a=amps,
            supply_on=ON if self.volts else OFF,
            load_v=1.5,
            load_a=nan if not is_seen else self.draws if self.is_on else 0.0,
            load_on=ON if self.is_on else OFF,
            contactor_closed=ON if self.is_closed else OFF,
        )


def proving(
    bench: Bench,
    *,
    latching: bool = True,
    sensors: tuple[Any, ...] = (),
    simulated: bool = False,
    ask: Callable[[str], None] = lambda _: None,
) -> ProofTest:
    """The test of that bench; everybody has a communication watchdog."""
    wiring = SimpleNamespace(
        charge="supply", contactor="contactor", discharge="load", sensors=sensors
    )
    document: Any = SimpleNamespace(wiring=wiring, is_simulated=simulated)
    opened: Any = SimpleNamespace(bench=bench, clock=bench.clock, inject=None)
    able = {"set over-voltage": SimpleNamespace(low=bench.least_v)} if bench.least_v else {}
    traits = SimpleNamespace(latching_undervoltage_cut_out=latching, communication_watchdog=True)
    settings = {
        "supply": ("set over-voltage", "clear protection"),
        "load": ("set under-voltage",),
        "contactor": (),
    }
    definitions: Any = {
        name: SimpleNamespace(traits=traits, operations=operations, capabilities=able)
        for name, operations in settings.items()
    }
    return ProofTest(opened, document, definitions, ask)


def shown_by(bench: Bench, name: str, *, latching: bool = True) -> ProofTestStep:
    """The step of that name, carried out on that bench."""
    return proving(bench, latching=latching).carry_out(name, STEPS[name])


CUT_OUT, PROTECTION, HEARTBEAT = (
    "raise the cut-out",
    "lower the protection",
    "withhold the heartbeat",
)


@pytest.mark.parametrize(
    ("bench", "passed", "words"),
    [
        (Bench(), True, "it cut 0.100 A by itself, and stayed off"),
        (Bench(latches=False), False, "came on AGAIN: it does not latch"),
        (Bench(acts=False), False, "it did not act"),
        (Bench(draws=0.01), False, "drew less than 0.05 A"),
        (
            Bench(draws=-0.1),
            False,
            "load reads -0.100 A while it draws: the sign of its current is the other one",
        ),
    ],
)
def test_a_cut_out_must_act_and_latch(bench, passed, words):
    """And must have had a current to cut; the supply's protection is as before afterwards."""
    shown = shown_by(bench, CUT_OUT)
    assert (shown.passed, words in shown.words) == (passed, True), shown
    assert ("load", "output on", None) in bench.done


def test_a_load_without_a_cut_out_has_none_to_prove():
    """Nothing is switched on for it."""
    bench = Bench()
    assert shown_by(bench, CUT_OUT, latching=False).passed
    assert ("load", "output on", None) not in bench.done


@pytest.mark.parametrize(
    ("deaf", "words"),
    [
        ((), "contactor and supply and load had switched off without a word"),
        (("supply",), "contactor and load had switched off without a word, supply had NOT"),
        (("load",), "contactor and supply had switched off without a word, load had NOT"),
        (("contactor",), "supply and load had switched off without a word, contactor had NOT"),
        (("supply", "contactor"), "NOT switched off, 0.200 A flowed still"),
    ],
)
def test_whoever_has_a_watchdog_must_switch_off_by_itself(deaf, words):
    """A contactor that opens says nothing of the supply's watchdog, and neither of the load's: a
    run may be left alone on the word of any of them."""
    shown = shown_by(Bench(deaf=deaf), HEARTBEAT)
    assert (shown.passed, words in shown.words) == (not deaf, True), shown


@pytest.mark.parametrize("name", ["cut the contactor", HEARTBEAT, PROTECTION, CUT_OUT])
def test_a_current_that_nobody_reads_is_not_one_that_was_cut(name):
    """It flowed, or it did not: nothing is proven by none afterwards."""
    bench = Bench()
    bench.is_blind = True
    assert not shown_by(bench, name).passed


class BlindAfterwards(Bench):
    """What its load does is not read any more once its cut-out was set back."""

    def read(self, at_ns: int, late_ns: int, period_ns: int) -> Sample:
        """All the rest."""
        seen = super().read(at_ns, late_ns, period_ns)
        if ("load", "set under-voltage", 0.0) not in self.done:
            return seen
        return seen._replace(load_a=nan, load_on=UNKNOWN)


def test_a_load_is_off_when_that_is_read():
    """It may have come on again while nobody could see it."""
    shown = shown_by(BlindAfterwards(), CUT_OUT)
    assert not shown.passed
    assert "and whether it stayed off was not read" in shown.words


def test_after_a_step_that_failed_the_protections_are_as_before():
    """An instrument that does not answer once leaves the next step what it needs."""
    bench = Bench(dies="output on")
    shown = shown_by(bench, CUT_OUT)
    assert not shown.passed
    assert shown.step == CUT_OUT
    assert "load: no reply" in shown.words
    assert bench.done[-3:] == [
        ("supply", "clear protection", None),
        ("supply", "set over-voltage", 4.0),
        ("load", "set under-voltage", 0.0),
    ]


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
    shown = shown_by(Bench(least_v=least_v), PROTECTION)
    assert (shown.passed, words in shown.words) == (passed, True), shown


class Blind(Bench):
    """Nothing joined that anybody knows of: what reads the voltage answers, but no number."""

    def __init__(self, **readings: Any) -> None:
        super().__init__()
        self.readings = readings

    def identify(self) -> None:
        """Everybody is there."""

    def protect(self, _bounds: ProtectionBounds) -> None:
        """Protections that do not act."""

    def read(self, at_ns: int, late_ns: int, period_ns: int) -> Sample:
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
        ({"voltage_v": nan}, "nothing reads the voltage"),
    ],
)
def test_nothing_is_driven_where_nobody_can_see_whether_a_cell_is_there(readings, reason):
    """A meter that answers rubbish left the voltage at nought, and the test went on."""
    bench = Blind(**readings)
    with pytest.raises(RefusedError, match=reason):
        proving(bench).begin()
    assert bench.done == []


@pytest.mark.parametrize(
    ("simulated", "unplug"),
    [
        (False, "Unplug the surface sensor from logger"),
        (True, """(served: send 'observe', then 'fault {"fault": "sensor pulled", "kind":"""),
    ],
)
def test_a_sensor_that_nobody_unplugs_is_asked_for_in_the_words_of_its_bench(simulated, unplug):
    """On a bench that 'bench serve' serves no hand can: its control can. What was not told may not
    have been unplugged."""
    asked = list[str]()
    sensor = SimpleNamespace(place="surface", by="logger")
    test = proving(Bench(), sensors=(sensor,), simulated=simulated, ask=asked.append)
    shown = test.carry_out("pull the sensor", STEPS["pull the sensor"])
    assert not shown.passed
    assert "its absence was NOT told within 60 s: was it unplugged?" in shown.words
    assert unplug in asked[0]
    assert ("served" in asked[0]) is simulated

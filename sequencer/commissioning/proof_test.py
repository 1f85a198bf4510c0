"""The guided proof test: every protection provoked once, on a resistor, never on a cell.

Owns the order of the steps and what each must show; after each one off is commanded and proven.
A step that could not be done is recorded as not done, and then the test has not passed.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, NamedTuple

from sequencer.assembly.benches import OpenedBench
from sequencer.commissioning.bench_alone import held_stand
from sequencer.commissioning.own_timer import OwnTimer
from sequencer.documents.bench import BenchDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.faults import FaultDocument
from sequencer.documents.operations import ON_TIME, WATCHDOG_S
from sequencer.feasibility.timed_bursts import ProvenTimer
from sequencer.inspection import look
from sequencer.ports import ProtectionBounds
from sequencer.run_documents.proof_test_results import TIMER, keep
from sequencer.run_documents.reading import definitions_of, places_of
from sequencer.source.sets import BenchSet
from sequencer.vocabulary.commands import RESTING, Command, Direction, Drive
from sequencer.vocabulary.faults import InstrumentError, RefusedError
from sequencer.vocabulary.sample import OFF, ON, Sample

CELL_V: Final = 0.5
"""Above this (V) with everything off there is a cell, not a resistor."""
_VOLTAGES: Final = ("voltage_v", "supply_v", "load_v")
DRIVE_V: Final = 2.0
DRIVE_A: Final = 0.2
MOST_V: Final = 5.0
"""Driven at most, with as much more current, where an over-voltage protection begins high."""
LOAD_A: Final = 0.1
"""What the load draws of that beside the resistor."""
LEAST_A: Final = 0.05
"""What must flow before a protection is provoked: nothing is proven by cutting no current."""
ACT_S: Final = 5.0
PULL_S: Final = 60.0
Ask = Callable[[str], None]
"""Shows a prompt and returns when the person has done what it says."""
Shown = tuple[bool, str]
"""Whether what was provoked acted, and what was seen."""


class ProofTestStep(NamedTuple):
    """One step: what was provoked, whether it acted, and what was seen."""

    step: str
    passed: bool
    words: str


class _NothingFlowsError(Exception):
    """No current that a protection could cut."""


def prove_bench(
    bench: BenchSet, ask: Ask, say: Callable[[str], None], faults: Sequence[FaultDocument] = ()
) -> dict[str, Any]:
    """The whole test; its record, which is kept where later runs find it. ``faults``: what goes
    wrong on a simulated bench.

    Raises:
        RefusedError: a cell is connected, or the bench is not fit to begin.
        InstrumentError: an instrument failed outside a step.
    """
    document = bench.bench.document
    if document.wiring.charge is None:
        raise RefusedError(["a bench without a supply has nothing that drives the resistor"])
    ask("Take the cell out. Put a resistor of about 10 ohm, 5 W or more, in its place")
    with held_stand(bench, faults) as opened:
        test = ProofTest(opened, document, definitions_of(bench), ask, places_of(bench))
        test.begin()
        shown = []
        for name, step in STEPS.items():
            shown.append(test.carry_out(name, step))
            word = "passed" if shown[-1].passed else "NOT PASSED"
            say(f"{word}: {name}: {shown[-1].words}")
    result = {
        "passed": all(one.passed for one in shown),
        "steps": [one._asdict() for one in shown],
        TIMER: test.timer._asdict() if test.timer is not None else None,
    }
    return {**result, "kept": str(keep(bench, result))}


class ProofTest:
    """The steps of the test on one bench."""

    def __init__(
        self,
        opened: OpenedBench,
        document: BenchDocument,
        definitions: dict[str, InstrumentDefinition],
        ask: Ask,
        places: Mapping[str, Callable[[tuple[str | int, ...]], str]] | None = None,
    ) -> None:
        """``places``: by instrument name, where keys of its definition stand."""
        self._places = places or {}
        self._stand, self._bench, self._clock = opened, opened.bench, opened.clock
        self._document, self._definitions, self._ask = document, definitions, ask
        wiring = document.wiring
        self._supply, self._contactor = wiring.charge or "", wiring.contactor
        self._load = wiring.discharge
        able = definitions[self._supply].capabilities.get("set over-voltage")
        self._least_v = able.low if able is not None else 0.0
        self._drive_v = min(max(DRIVE_V, 1.5 * self._least_v), MOST_V)
        self._drive_a = DRIVE_A * self._drive_v / DRIVE_V

    timer: ProvenTimer | None = None
    """What was measured of the load's own timer."""

    def begin(self) -> None:
        """Identities, off, and that no cell is there; then protections that do not act during the
        test.

        Raises:
            RefusedError: with the reasons.
        """
        self._bench.identify()
        volts, amps = 2.0 * self._drive_v, 2.0 * self._drive_a
        self._bench.protect(ProtectionBounds(volts, amps, 0.0, amps))
        if reasons := _signs_of_a_cell(look(self._bench, self._clock)[-1]):
            raise RefusedError(reasons)

    def carry_out(self, name: str, step: Callable[["ProofTest"], Shown]) -> ProofTestStep:
        """One step, off proven after it, and every protection as at the beginning."""
        try:
            passed, words = step(self)
        except (InstrumentError, _NothingFlowsError) as error:
            passed, words = False, str(error)
        proof = self._bench.make_safe()
        off = f"off proven, level {proof.level.value}" if proof.is_off else "off was NOT proven"
        words = f"{words}; {off} after it"
        try:
            self._restore()
        except InstrumentError as error:
            passed, words = False, f"{words}; then {error}"
        return ProofTestStep(name, passed and proof.is_off, words)

    # -- the steps

    def protection(self) -> Shown:
        """The over-voltage protection, lowered beneath what is driven."""
        if not self._is_protected:
            return (
                True,
                f"{self._supply} has no over-voltage protection: a person stays with every run",
            )
        before = self._drive()
        low_v = max(round(before.supply_v / 2.0, 2), self._least_v)
        if not low_v < before.supply_v:
            return (
                False,
                f"it cannot be set below {low_v:g} V, and {before.supply_v:.2f} V is driven",
            )
        self._bench.perform(self._supply, "set over-voltage", low_v)
        after = self._wait(ACT_S, lambda one: one.supply_on == OFF and abs(one.supply_a) < LEAST_A)
        acted = after is not None
        words = f"over-voltage set to {low_v:.2f} V under {before.supply_v:.2f} V: "
        return acted, words + ("it switched off by itself" if acted else "it did not act")

    def cut_out(self) -> Shown:
        """The load's latching under-voltage cut-out, raised above what is there: it must act, and
        not come on again when the voltage is good again. The supply feeds load and resistor."""
        load = self._load
        if load is None or not self._definitions[load].traits.latching_undervoltage_cut_out:
            return True, "no load on this bench has a latching cut-out"
        if "set under-voltage" not in self._definitions[load].operations:
            return False, f"{load} has a cut-out that its definition cannot set"
        self._drive()
        drawing = self._draw(load)
        high_v = round(drawing.load_v + 1.0, 2)
        self._bench.perform(load, "set under-voltage", high_v)
        acted = self._wait(ACT_S, _is_load_off)
        self._bench.perform(load, "set under-voltage", 0.0)
        again = self._wait(ACT_S, lambda one: one.load_on == ON or abs(one.load_a) >= LEAST_A)
        words = f"cut-out set to {high_v:.2f} V over {drawing.load_v:.2f} V: "
        if acted is None:
            return False, f"{words}it did not act"
        words += f"it cut {drawing.load_a:.3f} A by itself, and "
        if again is not None:
            return False, f"{words}came on AGAIN: it does not latch"
        stays = _is_load_off(self._look())
        return stays, words + ("stayed off" if stays else "whether it stayed off was not read")

    def own_timer(self) -> Shown:
        """The load's own timer: it ends the current with the link to the load cut."""
        load = self._load
        if load is None or ON_TIME not in self._definitions[load].operations:
            return True, "no load on this bench has a timer of its own"
        names = self._supply, load, self._contactor
        timer = OwnTimer(self._bench, self._clock, names, self._drive(), LOAD_A)
        self.timer, words = timer.measure(self._definitions[load])
        return self.timer is not None, words

    def heartbeat(self) -> Shown:
        """Nobody is spoken to for longer than a communication watchdog waits: whoever has one must
        have switched off by itself."""
        watching = [
            name
            for name in (self._contactor, self._supply, self._load)
            if name and self._definitions[name].traits.communication_watchdog
        ]
        if not watching:
            return True, "nothing on this bench has a communication watchdog"
        self._drive()
        if self._load in watching:
            self._draw(self._load)
        self._clock.wait_until(self._clock.now_ns() + round((WATCHDOG_S + 1.0) * 1e9))
        after = self._look()
        states = {
            self._contactor: after.contactor_closed,
            self._supply: after.supply_on,
            self._load: after.load_on,
        }
        off = [name for name in watching if states[name] == OFF]
        still = [name for name in watching if name not in off]
        words = f"after {WATCHDOG_S + 1.0:g} s of silence "
        told = [f"{' and '.join(off)} had switched off without a word"] if off else []
        told += [f"{' and '.join(still)} had NOT switched off"] if still else []
        if not abs(after.supply_a) < LEAST_A:
            told.append(f"{after.supply_a:.3f} A flowed still")
        return not still and abs(after.supply_a) < LEAST_A, words + ", ".join(told)

    def sensor(self) -> Shown:
        """A sensor pulled out is told, and told by nothing else than a fault or no value."""
        place = next((one for one in self._document.wiring.sensors if one.place != "room"), None)
        if place is None:
            return False, "no sensor sits on the cell"
        fault = {"fault": "sensor pulled", "kind": "dead reading", "reading": place.place}
        unplug, plug = "", ""
        if self._stand.inject is not None:
            self._stand.inject(fault)
        elif self._document.is_simulated:
            unplug = f" (served: send 'observe', then 'fault {json.dumps(fault)}' to its control)"
            plug = " (served: send 'observe', then 'mend')"
        self._ask(f"Unplug the {place.place} sensor from {place.by}{unplug}")
        field = f"{place.place}_c"

        def is_missed(one: Sample) -> bool:
            return any(fault.channel == field for fault in one.faults)

        missed = self._wait(PULL_S, is_missed) is not None
        self._ask(f"Plug the {place.place} sensor in again{plug}")
        within = f"its absence was NOT told within {PULL_S:g} s: was it unplugged?"
        return missed, "its absence was told" if missed else within

    def contactor(self) -> Shown:
        """The contact opened under a small current, the supply still on."""
        if self._contactor is None:
            return True, "this bench has no contactor"
        before = self._drive()
        self._bench.perform(self._contactor, "open")
        after = self._wait(
            ACT_S, lambda one: abs(one.supply_a) < LEAST_A and one.contactor_closed == OFF
        )
        became = f"{after.supply_a:.3f} A" if after is not None else "no less"
        cut = after is not None and after.supply_on == ON
        return cut, f"{before.supply_a:.3f} A became {became}"

    # -- what they share

    def _too_little(self, seen: Sample) -> str:
        if seen.supply_a <= -LEAST_A:
            return self._wrong_sign(self._supply, seen.supply_a, "drives")
        return (
            f"only {seen.supply_a:.3f} A flowed at {seen.supply_v:.2f} V: is the resistor"
            " connected, and about 10 ohm?"
        )

    def _wrong_sign(self, name: str, amps: float, does: str) -> str:
        """What a resistor cannot do, and where the definition says which sign is read."""
        place = self._places.get(name)
        at = place(("operations", "measure", "reversed")) if place else "its definition"
        return (
            f"{name} reads {amps:.3f} A while it {does}: the sign of its current is the other one"
            f" ('reversed' under 'measure', {at})"
        )

    def _drive(self) -> Sample:
        """A small current through the resistor, and what it settles at.

        Raises:
            _NothingFlowsError: it is not seen to flow.
        """
        drive = Drive(Direction.CHARGE, self._drive_a, self._drive_v)
        if self._contactor is not None:
            self._bench.apply(Command(RESTING, connected=True))
        self._bench.apply(Command(drive, connected=self._contactor is not None))
        self._wait(ACT_S, lambda one: one.supply_a >= LEAST_A)
        seen = self._look()
        if not seen.supply_a >= LEAST_A:
            raise _NothingFlowsError(self._too_little(seen))
        return seen

    def _draw(self, load: str) -> Sample:
        """A small current into the load, beside the resistor.

        Raises:
            _NothingFlowsError: it is not seen to flow.
        """
        for operation, value in (("set current", LOAD_A), ("output on", None)):
            self._bench.perform(load, operation, value)
        seen = self._wait(ACT_S, lambda one: abs(one.load_a) >= LEAST_A)
        if seen is None:
            raise _NothingFlowsError(f"{load} drew less than {LEAST_A:g} A of {LOAD_A:g} A")
        if seen.load_a < 0.0:
            raise _NothingFlowsError(self._wrong_sign(load, seen.load_a, "draws"))
        return seen

    def _look(self) -> Sample:
        at_ns = -(-self._clock.now_ns() // 1000) * 1000
        return self._bench.read(at_ns, 0, 1_000_000_000)

    def _wait(self, seconds: float, is_so: Callable[[Sample], bool]) -> Sample | None:
        """Until a sample shows it; None when none does in time (bench time)."""
        until_ns = self._clock.now_ns() + round(seconds * 1e9)
        while self._clock.now_ns() < until_ns:
            self._clock.wait_until(self._clock.now_ns() + 1_000_000_000)
            sample = self._look()
            if is_so(sample):
                return sample
        return None

    def _restore(self) -> None:
        """A tripped protection cleared, and protections as at the beginning."""
        for name in filter(None, (self._supply, self._load)):
            if "clear protection" in self._definitions[name].operations:
                self._bench.perform(name, "clear protection")
        if self._is_protected:
            self._bench.perform(self._supply, "set over-voltage", 2.0 * self._drive_v)
        if self._load and "set under-voltage" in self._definitions[self._load].operations:
            self._bench.perform(self._load, "set under-voltage", 0.0)

    @property
    def _is_protected(self) -> bool:
        return "set over-voltage" in self._definitions[self._supply].operations


STEPS: Final[Mapping[str, Callable[[ProofTest], Shown]]] = {
    "lower the protection": ProofTest.protection,
    "raise the cut-out": ProofTest.cut_out,
    "cut the link under the load's own timer": ProofTest.own_timer,
    "withhold the heartbeat": ProofTest.heartbeat,
    "pull the sensor": ProofTest.sensor,
    "cut the contactor": ProofTest.contactor,
}
"""In their order, each by its name."""


def _is_load_off(seen: Sample) -> bool:
    return seen.load_on == OFF and abs(seen.load_a) < LEAST_A


def _signs_of_a_cell(seen: Sample) -> list[str]:
    """Why a cell may be there, with every output off: a voltage, or nobody who can tell one."""
    reasons = [
        f"{fault.culprit}: {fault.channel.removesuffix('_v')}: {fault.detail}: whether a cell is"
        " there cannot be told"
        for fault in seen.faults
        if fault.channel in _VOLTAGES
    ]
    if not seen.voltage_at_ns or seen.voltage_v != seen.voltage_v:
        reasons.append("nothing reads the voltage: whether a cell is there cannot be told")
    highest_v = max((abs(getattr(seen, name)) for name in _VOLTAGES), default=0.0)
    if highest_v > CELL_V:
        reasons.append(
            f"{highest_v:.3f} V with every output off: that is a cell, and a proof test is never"
            " done on a cell; put a resistor in its place"
        )
    return reasons

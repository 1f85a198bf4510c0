"""A load's own timer, measured: switched on with it, and its link cut, the load must end by itself.

Who sees the end is the supply that feeds load and resistor: nothing is said to the load meanwhile,
not even a question. Everything else on the bench is spoken to as ever, so that no watchdog of its
own cuts the current in the load's place.
"""

from typing import Final, NamedTuple

from sequencer.assembly.benches import PlannedBench
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.operations import ON_TIME
from sequencer.feasibility.timed_bursts import ProvenTimer
from sequencer.ports import Clock
from sequencer.vocabulary.sample import Sample

TIMED_S: Final = 2.0
"""What the timer is set to: shorter than any communication watchdog."""
LONGER_S: Final = 3.0
"""So long after its time it counts as not ended."""
LOOK_S: Final = 0.02
"""Between two looks at the supply: with the time of its answer, how well the end is known."""
SHARE: Final = 0.5
"""Of the load's current: what is drawn besides the resistor is the load's above this."""


class Witnessed(NamedTuple):
    """What was seen: that the load drew, and between which times (s since the order to switch on
    was begun) it ended; None where it did not end or another end was seen."""

    drew: bool
    ended_s: tuple[float, float] | None
    on_s: float
    words: str = ""


class OwnTimer:
    """The load's timer on one bench. ``before``: what the resistor alone drew."""

    def __init__(
        self,
        bench: PlannedBench,
        clock: Clock,
        names: tuple[str, str, str | None],
        before: Sample,
        load_a: float,
    ) -> None:
        """``names``: the supply's, the load's and the contactor's."""
        self._bench, self._clock = bench, clock
        self._supply, self._load, self._contactor = names
        self._before, self._load_a = before, load_a

    def measure(self, definition: InstrumentDefinition) -> tuple[ProvenTimer | None, str]:
        """What is kept, None where it did not do what it was set to; and what was seen, in words.

        Raises:
            InstrumentError: an instrument did not take or answer what it was told.
        """
        held = definition.capabilities[ON_TIME].range_for(TIMED_S)
        if held is None:
            return None, f"{self._load} takes no time of {TIMED_S:g} s"
        seen = self._watch()
        if not seen.drew:
            least_a = SHARE * self._load_a
            return None, f"{self._load} drew less than {least_a:g} A beside the resistor"
        if seen.ended_s is None:
            return None, seen.words or (
                f"with the link cut {self._load} had NOT ended its current {LONGER_S:g} s after"
                f" {TIMED_S:g} s"
            )
        # It may have begun at any time of the order, and ended at any between two looks.
        soonest, latest = seen.ended_s[0] - seen.on_s, seen.ended_s[1]
        measured, half = 0.5 * (soonest + latest), 0.5 * (latest - soonest)
        told = f"set to {TIMED_S:g} s with the link cut, {self._load} ended its current by itself"
        told += f" after {measured:.3f} ± {half:.3f} s"
        stated = held.gain * TIMED_S + held.offset + held.resolution.value
        if abs(measured - TIMED_S) > half + stated:
            return None, f"{told}: NOT within {stated:g} s, as its definition says"
        return ProvenTimer(self._load, TIMED_S, round(measured, 4), round(half, 4)), told

    def _watch(self) -> Witnessed:
        """Switch on, cut the link, and look at the supply until the load's part is gone."""
        for operation, value in ((ON_TIME, TIMED_S), ("set current", self._load_a)):
            self._bench.perform(self._load, operation, value)
        began_ns = self._clock.now_ns()
        self._bench.perform(self._load, "output on")
        on_s = self._since(began_ns)
        self._bench.let_go(self._load)
        last_s, drew = 0.0, False
        while (asked_s := self._since(began_ns)) < TIMED_S + LONGER_S:
            drawn_a, supply_a = self._beside_the_resistor()
            if drawn_a > SHARE * self._load_a:
                last_s, drew = asked_s, True
            elif drew and supply_a < SHARE * self._before.supply_a:
                words = "the supply's own current ended before the load's"
                return Witnessed(drew, None, on_s, words)
            elif drew:
                return Witnessed(drew, (last_s, self._since(began_ns)), on_s)
            self._clock.wait_until(self._clock.now_ns() + round(LOOK_S * 1e9))
        return Witnessed(drew, None, on_s)

    def _since(self, began_ns: int) -> float:
        return (self._clock.now_ns() - began_ns) * 1e-9

    def _beside_the_resistor(self) -> tuple[float, float]:
        """What the supply gives beyond the resistor's part (A), and all that it gives; a contactor
        with a watchdog hears something, too."""
        if self._contactor is not None:
            self._bench.perform(self._contactor, "state")
        read = self._bench.perform(self._supply, "measure")
        per_volt = self._before.supply_a / self._before.supply_v
        return float(read["current"]) - float(read["voltage"]) * per_volt, float(read["current"])

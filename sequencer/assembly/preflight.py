"""The look at a bench before anything is energised: zeros, and whether everything fits together.

Used by a run (as a bench that looks after its protections are set) and by ``bench check``. It
refuses by raising; every value that it saw is recorded as the journal's ``zero``. Zeros are
recorded, not subtracted: correcting with them is the analysis's affair. A run on a bench with a
contactor also closes it for a moment, outputs off: only then do sense wires show that they are on.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from math import fsum, isfinite
from statistics import fmean
from typing import Any, Final

from sequencer.assembly.benches import PlannedBench
from sequencer.executive import CHECKING_S, SWITCHING_S, TICK_S, Beat
from sequencer.interlocks.before import oddities, oddities_connected, reasons_to_refuse
from sequencer.interlocks.panel import make_panel
from sequencer.plan.step import PlanLimits
from sequencer.ports import Clock, Identity
from sequencer.vocabulary.commands import RESTING, Command
from sequencer.vocabulary.faults import RefusedError
from sequencer.vocabulary.intent import Intent, State
from sequencer.vocabulary.outfit import Outfit
from sequencer.vocabulary.sample import TIME_STEP_NS, Sample
from sequencer.vocabulary.verdict import Trip

READINGS: Final = 5
EVERY_NS: Final = 200_000_000
READINGS_CONNECTED: Final = 17
"""So many (3.2 s) see every instrument anew: what is off is read every other second."""
_PHASE: Final = "checking"
_ZEROS: Final = ("current_a", "supply_a", "load_a")
_CONNECTED: Final = ("voltage_v", "supply_v", "load_v", *_ZEROS)
Note = Callable[[str, Mapping[str, Any]], None]


def look(bench: PlannedBench, clock: Clock) -> list[Sample]:
    """Some readings with every output off; nothing is switched."""
    return list(readings(bench, clock, READINGS))


def readings(bench: PlannedBench, clock: Clock, count: int) -> Iterator[Sample]:
    """So many readings, one every 0.2 s."""
    for number in range(count):
        now_ns = clock.now_ns()
        if number:
            now_ns = clock.wait_until(now_ns + EVERY_NS)
        at_ns = -(-now_ns // TIME_STEP_NS) * TIME_STEP_NS
        yield bench.read(at_ns, 0, 1_000_000_000)


def zeros(samples: Sequence[Sample]) -> dict[str, Any]:
    """The mean of every current with the outputs off (A), of those that are measured at all."""
    found: dict[str, Any] = {"at_ns": samples[-1].at_ns, "readings": len(samples)}
    for name in _ZEROS:
        values = [getattr(one, name) for one in samples]
        if isfinite(fsum(values)):
            found[name] = round(fmean(values), 6)
    return found


class Preflight:
    """A bench that is looked at once its protections are set. Hands everything else on.

    ``of_specimen`` says from the cell voltage (V) why this is not the specimen that was named.
    """

    def __init__(
        self,
        bench: PlannedBench,
        clock: Clock,
        note: Note,
        limits: PlanLimits,
        outfit: Outfit,
        *,
        blocked: bool = False,
        of_specimen: Callable[[float], list[str]] = lambda _volts: [],
        beat: Beat = lambda _phase, _seconds: None,
    ) -> None:
        self._bench, self._clock, self._note = bench, clock, note
        self._limits, self._outfit, self._blocked = limits, outfit, blocked
        self._of_specimen, self._beat = of_specimen, beat
        self.apply, self.read, self.close = bench.apply, bench.read, bench.close
        self.make_safe, self.prove_off = bench.make_safe, bench.prove_off

    def identify(self) -> Sequence[Identity]:
        """As the bench does it."""
        return self._bench.identify()

    def protect(
        self, ceiling_v: float, charge_a: float, floor_v: float, discharge_a: float
    ) -> None:
        """As the bench does it; then zeros are recorded and everything is compared.

        Raises:
            RefusedError: every reason, those of the first sample among them.
        """
        self._bench.protect(ceiling_v, charge_a, floor_v, discharge_a)
        samples = look(self._bench, self._clock)
        self._note("zero", zeros(samples))
        last = samples[-1]
        reasons = oddities(self._outfit, last, self._blocked)
        reasons += self._of_specimen(last.voltage_v)
        if not reasons and self._outfit.contactor and self._bench.prove_off().is_off:
            reasons = self._connected()
        if reasons:
            panel = make_panel(self._limits, self._outfit)
            proof = self._bench.prove_off()
            reasons += reasons_to_refuse(panel, self._limits, proof, last)
            raise RefusedError(list(dict.fromkeys(reasons)))

    def _connected(self) -> list[str]:
        """What is odd while the contactor is closed for a moment, every output off. The feedback of
        an open contactor is no proof that a supply is off: each reading is judged as in a rest of
        the run, beats as often, and the contactor opens at the first that trips."""
        self._beat(_PHASE, SWITCHING_S)
        self._bench.apply(Command(RESTING, connected=True))
        since_ns = self._clock.now_ns()
        try:
            last, trip = self._judged(since_ns)
        finally:
            self._beat(_PHASE, SWITCHING_S)
            self._bench.apply(Command(RESTING, connected=False))
        self._beat(_PHASE, CHECKING_S)
        seen = {name: getattr(last, name) for name in _CONNECTED if isfinite(getattr(last, name))}
        self._note("connected", {"at_ns": last.at_ns, **seen})
        if trip is not None:
            return [f"with the contactor closed and every output off: {trip.reason}"]
        return oddities_connected(self._outfit, last, since_ns, self._blocked)

    def _judged(self, since_ns: int) -> tuple[Sample, Trip | None]:
        """The last reading, and what trips the interlocks if anything does."""
        panel = make_panel(self._limits, self._outfit)
        resting = Intent(state=State.RESTING, since_ns=since_ns, connected=True)
        for sample in readings(self._bench, self._clock, READINGS_CONNECTED):
            self._beat(_PHASE, TICK_S)
            trip = panel.judge(sample, resting).trip
            if trip is not None:
                break
        return sample, trip

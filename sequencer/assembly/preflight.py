"""The look at a bench before anything is energised: zeros, and whether everything fits together.

Used by a run (as a bench that looks after its protections are set) and by ``bench check``. It
refuses by raising; every value that it saw is recorded as the journal's ``zero``. Zeros are
recorded, not subtracted: correcting with them is the analysis's affair. A run on a bench with a
contactor also closes it for a moment, outputs off: only then do sense wires show that they are on.
"""

from collections.abc import Callable, Mapping, Sequence
from math import fsum, isfinite
from statistics import fmean
from typing import Any, Final

from sequencer.assembly.benches import PlannedBench
from sequencer.interlocks.before import oddities, oddities_connected, reasons_to_refuse
from sequencer.interlocks.panel import make_panel
from sequencer.plan.step import PlanLimits
from sequencer.ports import Clock, Identity
from sequencer.vocabulary.commands import RESTING, Command
from sequencer.vocabulary.faults import RefusedError
from sequencer.vocabulary.outfit import Outfit
from sequencer.vocabulary.sample import TIME_STEP_NS, Sample

READINGS: Final = 5
EVERY_NS: Final = 200_000_000
LOOKS_CONNECTED: Final = 4
"""So many looks (3.2 s) see every instrument anew: what is off is read every other second."""
_ZEROS: Final = ("current_a", "supply_a", "load_a")
_CONNECTED: Final = ("voltage_v", "supply_v", "load_v", *_ZEROS)
Note = Callable[[str, Mapping[str, Any]], None]


def look(bench: PlannedBench, clock: Clock) -> list[Sample]:
    """Some readings with every output off; nothing is switched."""
    seen = []
    for number in range(READINGS):
        now_ns = clock.now_ns()
        if number:
            now_ns = clock.wait_until(now_ns + EVERY_NS)
        at_ns = -(-now_ns // TIME_STEP_NS) * TIME_STEP_NS
        seen.append(bench.read(at_ns, 0, 1_000_000_000))
    return seen


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
    ) -> None:
        self._bench, self._clock, self._note = bench, clock, note
        self._limits, self._outfit, self._blocked = limits, outfit, blocked
        self._of_specimen = of_specimen
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
        """What is odd once the contactor is closed for a moment, all outputs proven off before."""
        self._bench.apply(Command(RESTING, connected=True))
        try:
            samples = [
                one for _ in range(LOOKS_CONNECTED) for one in look(self._bench, self._clock)
            ]
        finally:
            self._bench.apply(Command(RESTING, connected=False))
        last = samples[-1]
        seen = {name: getattr(last, name) for name in _CONNECTED if isfinite(getattr(last, name))}
        self._note("connected", {"at_ns": last.at_ns, **seen})
        return oddities_connected(self._outfit, last, self._blocked)

"""The look at a bench before anything is energised: zeros, and whether everything fits together.

A step of the executive, rehearsed like every other; ``bench check`` looks with the same functions.
It refuses by raising; every value that it saw is recorded as the journal's ``zero``.
Zeros are recorded, not subtracted: correcting with them is the analysis's affair. On a bench with a
contactor it also closes it for a moment, outputs off: only then do sense wires show that they are
on, and only then is it seen that the contact parts what it should.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from math import fsum, isfinite
from statistics import fmean
from typing import Any, Final, NamedTuple

from sequencer.interlocks.before import oddities, oddities_connected, reasons_to_refuse
from sequencer.interlocks.panel import make_panel
from sequencer.plan.step import PlanLimits
from sequencer.ports import Bench, Clock
from sequencer.vocabulary.commands import RESTING, Command
from sequencer.vocabulary.faults import RefusedError
from sequencer.vocabulary.intent import Intent, State
from sequencer.vocabulary.measuring_channels import MeasuringChannels
from sequencer.vocabulary.sample import TIME_STEP_NS, Sample
from sequencer.vocabulary.verdict import Level, Proof, Trip

Beat = Callable[[str, float], None]
CHECKING_S = 30.0
"""How long checking may take before the watchdog is told again (real time)."""
SWITCHING_S = 2.2
"""How long one change of outputs may take, read-backs included (real time); an executive that
freezes in the middle of it must still be replaced within three seconds."""
TICK_S = 2.0
"""How late the heartbeat may be while running, beyond one sampling period (real time)."""
READINGS: Final = 5
EVERY_NS: Final = 200_000_000
READINGS_CONNECTED: Final = 17
"""So many (3.2 s) see every instrument anew: what is off is read every other second."""
_PHASE: Final = "checking"
_ZEROS: Final = ("current_a", "supply_a", "load_a")
_CONNECTED: Final = ("voltage_v", "supply_v", "load_v", *_ZEROS)
Note = Callable[[str, Mapping[str, Any]], None]


def look(bench: Bench, clock: Clock) -> list[Sample]:
    """Some readings with every output off; nothing is switched."""
    return list(readings(bench, clock, READINGS))


def readings(bench: Bench, clock: Clock, count: int) -> Iterator[Sample]:
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


def _says_off(proof: Proof) -> bool:
    """Every output says that it is off, and nothing speaks against it: enough to close the
    contactor for a moment while the interlocks judge, as in a rest."""
    return proof.level is not Level.NONE and not proof.contradicted


class Questions(NamedTuple):
    """What an inspection asks besides. ``announced``: the level at which off can be proven, as a
    person was told. ``blocked``: something between supply and cell keeps its voltage from showing
    the cell. ``of_specimen`` says from the cell voltage (V) why this is not the specimen that was
    named."""

    announced: Level | None = None
    blocked: bool = False
    of_specimen: Callable[[float], Sequence[str]] = lambda _volts: ()


NO_QUESTIONS = Questions()


class Inspection:
    """One look at one bench. ``note`` writes to the journal, ``beat`` tells the watchdog."""

    def __init__(
        self,
        bench: Bench,
        clock: Clock,
        note: Note,
        limits: PlanLimits,
        channels: MeasuringChannels,
        questions: Questions,
        beat: Beat,
    ) -> None:
        self._bench, self._clock, self._note = bench, clock, note
        self._limits, self._channels, self._questions = limits, channels, questions
        self._beat = beat

    def insist(self) -> None:
        """Look, and refuse whatever is odd.

        Raises:
            RefusedError: every reason, those of the first sample among them.
            InstrumentError: an instrument that does not do what it is told.
        """
        samples = look(self._bench, self._clock)
        self._note("zero", zeros(samples))
        last = samples[-1]
        proof, panel = self._bench.prove_off(), make_panel(self._limits, self._channels)
        unfit = [
            reason
            for one in samples
            for reason in reasons_to_refuse(panel, self._limits, proof, one)
        ]
        reasons = oddities(self._channels, last, self._questions.blocked)
        reasons += self._questions.of_specimen(last.voltage_v)
        if not (reasons or unfit) and self._channels.contactor and _says_off(proof):
            reasons = self._connected()
        if not (reasons or unfit):
            reasons = self._falls_short()
        if reasons:
            raise RefusedError(list(dict.fromkeys([*reasons, *unfit])))

    def _falls_short(self) -> list[str]:
        """Off must be proven now as well as was announced, or the run rests on what is not so."""
        announced, proof = self._questions.announced, self._bench.prove_off()
        if announced is None or proof.contradicted or proof.reaches(announced):
            return []
        told = "; ".join(proof.evidence)
        return [
            (
                f"off can be proven at level {proof.level.value} only, and level"
                f" {announced.value} was announced for this bench: {told}"
            )
        ]

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
        return oddities_connected(self._channels, last, since_ns, self._questions.blocked)

    def _judged(self, since_ns: int) -> tuple[Sample, Trip | None]:
        """The last reading, and what trips the interlocks if anything does."""
        panel = make_panel(self._limits, self._channels)
        resting = Intent(state=State.RESTING, since_ns=since_ns, connected=True)
        for sample in readings(self._bench, self._clock, READINGS_CONNECTED):
            self._beat(_PHASE, TICK_S)
            trip = panel.judge(sample, resting).trip
            if trip is not None:
                break
        return sample, trip

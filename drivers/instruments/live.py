"""Off and its proof over the sessions that stand, ahead of whatever the lanes are doing.

Owns the bounds in real time and the rounds of questions; which evidence is worth what is judged
elsewhere, and what happens when this is not enough is the bench's.
"""

from collections.abc import Iterable, Mapping
from functools import partial
from time import monotonic, sleep
from typing import Any

from drivers.instruments.instrument import Instrument
from drivers.instruments.lane import Lane, Pending
from drivers.instruments.testimony import witness
from drivers.off.evidence import Round, Testimony, admits_off, is_settled, weigh
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.safing import LEAST_SETTLING_S, SafingPlan
from sequencer.ports import Clock
from sequencer.vocabulary.faults import InstrumentError
from sequencer.vocabulary.verdict import Proof

OFF_S = 0.2
"""Longest that the live sessions may take to send off; then fresh ones are opened."""
_SPARE_S = 0.1
LET_GO_S = 0.1
"""Longest that letting go of sessions is waited for; a lane that hangs is left behind."""


class LiveSessions:
    """The lanes of a bench, by instrument name, asked about *off*."""

    def __init__(
        self,
        lanes: Mapping[str, Lane],
        definitions: Mapping[str, InstrumentDefinition],
        clock: Clock,
    ) -> None:
        self._lanes, self._definitions, self._clock = lanes, definitions, clock

    def switch_off(self, plan: SafingPlan) -> bool:
        """Off to everything at once, contactor included; whether all of it was sent in time."""
        jobs = [self._lanes[one.name].interrupt(_send_off) for one in plan.instruments if one.offs]
        return finish_all(jobs, OFF_S)

    def prove(self, plan: SafingPlan, *, insist: bool) -> tuple[Proof, bool]:
        """Rounds of questions until it is proven off as well as this bench can; with ``insist``
        everything must admit that it is off. Whether that was reached comes second."""
        ends = monotonic() + plan.proof_s
        rounds = [self._hear(plan)]
        while True:
            self.pause(LEAST_SETTLING_S)
            rounds.append(self._hear(plan))
            proof = weigh(plan, rounds)
            is_confirmed = not (insist and _unconfirmed(plan, rounds[-1]))
            if is_settled(plan, proof) and is_confirmed:
                return proof, True
            is_heard = all(said.counts for said in rounds[-1].values())
            is_over = monotonic() > ends or len(rounds) * LEAST_SETTLING_S > plan.proof_s
            if not is_heard or is_over:
                return proof, proof.is_off and is_confirmed and is_heard

    def _hear(self, plan: SafingPlan) -> Round:
        deadline = monotonic() + plan.round_s + _SPARE_S
        jobs = {
            one.name: self._lanes[one.name].call(
                partial(witness, self._lanes[one.name], self._definitions[one.name], one)
            )
            for one in plan.instruments
        }
        return {name: _testimony(job, deadline) for name, job in jobs.items()}

    def pause(self, seconds: float) -> None:
        """Let bench time pass; when nobody leads it any more, real time."""
        try:
            self._clock.wait_until(self._clock.now_ns() + round(seconds * 1e9))
        except InstrumentError:
            sleep(seconds)

    def let_go(self) -> None:
        """Close every session, so that fresh ones get through."""
        finish_all((lane.interrupt(lane.let_go) for lane in self._lanes.values()), LET_GO_S)


def finish_all(jobs: Iterable[Pending[Any]], seconds: float) -> bool:
    """Wait for all, together at most ``seconds`` (real time); whether all succeeded."""
    started = list(jobs)
    deadline = monotonic() + seconds
    succeeded = [_succeeds(job, deadline) for job in started]  # each one, also after a failure
    return all(succeeded)


def _send_off(instrument: Instrument) -> None:
    instrument.off()


def _succeeds(job: Pending[Any], deadline: float) -> bool:
    try:
        job.result(deadline)
    except Exception:  # noqa: BLE001 making safe goes on another way, whatever this one met
        return False
    return True


def _testimony(job: Pending[Testimony], deadline: float) -> Testimony:
    try:
        return job.result(deadline)
    except InstrumentError as error:
        return Testimony((), False, (f"{error.kind.value}: {error.told}",))
    except Exception as error:  # noqa: BLE001 making safe goes on another way, whatever this one met
        return Testimony((), False, (f"{type(error).__name__}: {error}",))


def _unconfirmed(plan: SafingPlan, heard: Round) -> list[str]:
    """Who has not said by itself that it is off or open."""
    said = [(one, heard[one.name]) for one in plan.instruments]
    must = [pair for pair in said if pair[0].is_output or pair[0].asks_for("contact")]
    return [one.name for one, its in must if not (its.counts and admits_off(one, its))]

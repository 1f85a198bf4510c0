"""Off and its proof over the sessions that stand, ahead of whatever the lanes are doing.

Owns the bounds in real time and the rounds of testimony; which evidence is worth what is weighed
elsewhere, and what happens when this is not enough is the bench's.
"""

from collections.abc import Collection, Iterable, Mapping
from functools import partial
from time import monotonic, sleep
from typing import Any

from drivers.instruments.instrument import Instrument
from drivers.instruments.lane import Lane, Pending
from drivers.instruments.testimony import witness
from drivers.off.evidence import Testimony, weigh
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.safing import Safed, SafingPlan
from sequencer.ports import Clock
from sequencer.vocabulary.faults import InstrumentError
from sequencer.vocabulary.verdict import Proof

OFF_S = 0.2
"""Longest that the live sessions may take to send off; then fresh ones are opened."""
WITNESS_S = 0.3
"""Longest that the live sessions may take to say what they see."""
LET_GO_S = 0.1
"""Longest that letting go of sessions is waited for; a lane that hangs is left behind."""
_ROUNDS = 4
_ROUND_S = 0.05


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

    def prove(self, plan: SafingPlan, idle: Collection[str], *, insist: bool) -> tuple[Proof, bool]:
        """Rounds of testimony until it proves off, or somebody cannot be heard; with ``insist``
        everything must admit that it is off. Whether that was reached comes second."""
        for number in range(_ROUNDS):
            if number:
                self.pause(_ROUND_S)
            heard = self._hear(plan)
            proof = weigh(plan, heard, idle)
            if proof.is_off and not (insist and _unconfirmed(plan, heard)):
                return proof, True
            if not all(said.counts for said in heard.values()):
                break
        return proof, False

    def _hear(self, plan: SafingPlan) -> dict[str, Testimony]:
        deadline = monotonic() + WITNESS_S
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
        return Testimony((), False, (f"{error.kind.value}: {error.detail}",))


def _unconfirmed(plan: SafingPlan, heard: Mapping[str, Testimony]) -> list[str]:
    """Who has not said by itself that it is off or open."""
    return [one.name for one in plan.instruments if not _admits(one, heard[one.name])]


def _admits(one: Safed, said: Testimony) -> bool:
    if one.is_output:
        return said.counts and said.value("output") == 0.0
    return not one.asks_for("contact") or (said.counts and said.value("contact") == 0.0)

"""One sample a tick: waited for, read from the bench, and what the computer says beside it.

Owns when a sample is due and how coarse the computer's own figures are. Judges nothing.
"""

from collections.abc import Callable

from sequencer.machine.machine import IDLE_PERIOD_NS, Machine
from sequencer.ports import Bench, Clock, RunLog
from sequencer.vocabulary.sample import PLENTY_BYTES, TIME_STEP_NS, WELL, Host, Sample

Request = Callable[[], str]
_HOST_EVERY = 16
"""Ticks between two looks at the disk."""
_FREE_STEP = 1 << 24
_UNSYNCED_STEP_NS = 5_000_000_000
"""Rows that wait for less than this are the ordinary work of a disk."""


class Sampler:
    """Samples of one run. ``request`` says what a person wants, ``watchdog`` what is wrong with it
    (``Host.watchdog``), mostly nothing. ``host`` is what the computer said last."""

    def __init__(
        self, bench: Bench, clock: Clock, log: RunLog, request: Request, watchdog: Request
    ) -> None:
        self._bench, self._clock, self._log = bench, clock, log
        self._request, self._watchdog = request, watchdog
        self._ticks = 0
        self.host = WELL

    def forget_request(self) -> None:
        """What was asked has been answered."""
        self.host = self.host._replace(request="")

    def sample(self, machine: Machine) -> Sample:
        """The next sample that the machine waits for."""
        due_ns = machine.due_ns or self._clock.now_ns()
        at_ns = -(-self._clock.wait_until(due_ns) // TIME_STEP_NS) * TIME_STEP_NS
        late_ns = 0
        if at_ns > due_ns:
            late_ns = (at_ns - due_ns) // TIME_STEP_NS * TIME_STEP_NS
        period_ns = machine.step.sampling.every_ns if machine.step else IDLE_PERIOD_NS
        sample, host = self._bench.read(at_ns, late_ns, period_ns), self._look_at_host()
        return sample if sample.host is host else sample._replace(host=host)

    def _look_at_host(self) -> Host:
        """What the computer says, coarse enough that it seldom changes (it is journaled then)."""
        self._ticks += 1
        request, slept_ns, watchdog = self._request(), self._clock.slept_ns(), self._watchdog()
        known = self.host
        seen = (request, slept_ns, watchdog)
        is_due = self._ticks % _HOST_EVERY == 1
        if is_due or seen != (known.request, known.slept_ns, known.watchdog):
            now = Host(
                free_bytes=_coarse_bytes(self._log.free_bytes(), known.free_bytes),
                unsynced_ns=_coarse_ns(self._log.unsynced_ns()),
                slept_ns=slept_ns,
                write_failure=self._log.write_failure,
                request=request,
                watchdog=watchdog,
            )
            # One object for one answer: what looks at it asks first whether it is another.
            self.host = known if now == known else now
        return self.host


def _coarse_bytes(free: int, known: int) -> int:
    """Free room in steps, never more than there is; what is known stands until a whole step more
    is free than it says, so that files of others that come and go change nothing."""
    free = min(free, PLENTY_BYTES)
    if known <= free < known + 2 * _FREE_STEP:
        return known
    return free // _FREE_STEP * _FREE_STEP


def _coarse_ns(unsynced_ns: int) -> int:
    """How long rows wait for the disk, in steps and never less than it is; at first nothing."""
    if unsynced_ns < _UNSYNCED_STEP_NS:
        return 0
    return -(-unsynced_ns // _UNSYNCED_STEP_NS) * _UNSYNCED_STEP_NS

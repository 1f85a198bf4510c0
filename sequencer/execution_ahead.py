"""The executive where samples can be read ahead: quiet stretches of a rehearsal, many at once.

For a simulated bench alone, in virtual time, while nobody asks for anything. Samples
that decide nothing are passed over together, and recorded like any other; the first that may decide
something goes the loop's own way, on a bench that stands where it would have stood. The decisions,
the journal and the rows are the same to the last bit.
"""

from collections.abc import Callable

from sequencer.executive import Execution
from sequencer.inspection import NO_QUESTIONS, Questions
from sequencer.interlocks.panel import Panel
from sequencer.machine.ahead import over, times_ahead
from sequencer.plan.plan import Plan
from sequencer.ports import BenchAhead, Clock, RunLogAhead
from sequencer.sampling import Request
from sequencer.vocabulary.measuring_channels import MeasuringChannels
from sequencer.vocabulary.sample import Sample

LEAST, MOST = 16, 256
"""Ticks that are passed over at once. Where fewer were quiet than tried, so many (the least) go one
by one: whatever never is calm costs little more than before."""


class ExecutionAhead(Execution):
    """One run of one plan on a bench that reads ahead."""

    def __init__(
        self,
        plan: Plan,
        channels: MeasuringChannels,
        bench: BenchAhead,
        clock: Clock,
        log: RunLogAhead,
        panel: Panel,
        questions: Questions = NO_QUESTIONS,
        request: Request = str,
        may_ask: Callable[[], bool] = bool,
    ) -> None:
        """``may_ask``: whether ``request`` may soon say something; until then it is asked at single
        ticks only."""
        ports = plan, channels, bench, clock, log, panel
        super().__init__(*ports, request=request, questions=questions)
        self._ahead, self._record = bench, log
        self._many, self._one_by_one = LEAST, 0
        self._may_ask = may_ask

    def _sample(self) -> Sample:
        """The next sample that may decide something; those before it are passed over."""
        if self._one_by_one:
            self._one_by_one -= 1
        elif not self._may_ask():
            times = times_ahead(self._machine, self._many)
            if len(times) >= LEAST:
                is_quiet = self._pass_over(times)
                self._many = min(2 * self._many, MOST) if is_quiet else LEAST
                self._one_by_one = 0 if is_quiet else LEAST
        return super()._sample()

    def _pass_over(self, times: range) -> bool:
        """Whether nothing was decided at any of ``times``."""
        samples = self._ahead.read_ahead(times)
        passed = over(self._machine, samples)
        quiet = self._panel.judge_each(samples[: len(passed.marks)], self._machine.intent)
        if quiet < len(passed.marks):
            passed = over(self._machine, samples[:quiet])
        self._ahead.keep(quiet)
        self._machine = passed.machine
        if quiet:
            self._clock.wait_until(samples[quiet - 1].at_ns)
            self._record.append_each(samples[:quiet], passed.marks)
        return quiet == len(times)

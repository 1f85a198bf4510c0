"""How fast a trip acts over loopback sockets, idle and loaded; worst phase of the period.

What is measured is real: real sockets and terminals, the real executive, interlocks and drivers,
in real time since several ticks before the limit is crossed. Only what lies around it is cut short:
until the discharge runs the bench is led in lockstep, then let go; and once off is proven, looking
on until the cell is cool is ended as Ctrl-C ends it.
"""

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import nullcontext
from typing import Any, NamedTuple

from drivers.instruments.bench import WiredBench
from drivers.transports.base import Transport
from drivers.transports.choice import transport_for
from sequencer.clocks import LockstepClock
from sequencer.documents.link import Link
from sequencer.executive import Execution, Outcome
from sequencer.interlocks.panel import make_panel
from sequencer.run_documents.channels import measuring_channels_of
from sequencer.run_documents.reading import RunDocuments
from sequencer.vocabulary.commands import Command
from sequencer.vocabulary.verdict import Exit, Proof
from tests.builders import FixedPlan
from tests.fakes import MemoryLog
from tests.performance.desk import read_demonstration, serving
from tests.performance.figure import Figure, loaded, percentile
from tests.performance.loop import PERIOD_NS, discharge

COUNT = 200
"""Trips idle, and as many loaded; ``NIGHTBENCH_TRIPS`` names another number."""
A_SERVED_BENCH = 250
"""Trips on one served bench: its cell must not run empty."""
LED_TICKS, REAL_TICKS = 3, 3
"""Ticks of the discharge in lockstep, so that voltages under current are remembered, and in real
time before the limit is crossed."""
GOALS_MS = (("off commanded", 50.0), ("off proven", 650.0))
"""Beyond one period. Proven includes settling (0.2 s) and two rounds at least 0.2 s apart."""


class LettingGo:
    """Leads the served bench in lockstep, then lets it and itself go on in real time. After
    ``over`` nothing is waited for: the next wait is interrupted from the keyboard."""

    def __init__(self, control: tuple[str, int]) -> None:
        self._led = LockstepClock(*control)
        self._ahead_ns: int | None = None
        self.over = False

    def let_go(self) -> None:
        """From now on bench time is real."""
        self._ahead_ns = self._led.now_ns() - time.monotonic_ns()
        self._led.close()

    def close(self) -> None:
        """Let go of the control connection, if that was not done."""
        self._led.close()

    def now_ns(self) -> int:
        """The bench time now."""
        if self._ahead_ns is None:
            return self._led.now_ns()
        return time.monotonic_ns() + self._ahead_ns

    def wait_until(self, deadline_ns: int) -> int:
        """Move the bench there, or sleep until it is there."""
        if self.over:
            raise KeyboardInterrupt
        if self._ahead_ns is None:
            return self._led.wait_until(deadline_ns)
        while (left_ns := deadline_ns - self.now_ns()) > 0:
            time.sleep(left_ns / 1e9)
        return self.now_ns()

    def slept_ns(self) -> int:
        """Nobody sleeps."""
        return 0


class _Noted:
    """A transport that tells when it has handed bytes to the kernel."""

    def __init__(self, inner: Transport, sent: Callable[[str, bytes], None]) -> None:
        self._inner, self._sent = inner, sent

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)

    def write(self, data: bytes) -> None:
        """Send, and tell."""
        self._inner.write(data)
        self._sent(self._inner.culprit, data)


class Took(NamedTuple):
    """One trip, ms since the limit was crossed, and what was wrong with it (or nothing)."""

    commanded_ms: float
    proven_ms: float
    wrong: str


class _Night:
    """The executive's bench, noting when things happened (ns, monotonic)."""

    def __init__(self, run_documents: RunDocuments, served: Any) -> None:
        self._run_documents, self._served = run_documents, served
        self.clock = LettingGo(served.control)
        document = run_documents.bench.bench.document  # type: ignore[union-attr]
        self._bench = WiredBench(
            document, run_documents.definitions, self.clock, served.addresses, self._wire
        )
        plan = self._bench.safing_plan
        self._offs = {
            (one.name, off.encode("latin-1")) for one in plan.instruments for off in one.offs
        }
        self._off_ns: dict[str, int] = {}
        self._crossed_ns = self._proven_ns = 0
        self._proof: Proof | None = None
        self._drives, self._ticks = False, 0

    def _wire(self, address: str, link: Link, culprit: str) -> Any:
        return _Noted(transport_for(address, link, culprit), self._sent)

    def _sent(self, name: str, data: bytes) -> None:
        if self._crossed_ns and not self._proven_ns and (name, data.strip()) in self._offs:
            self._off_ns[name] = time.monotonic_ns()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._bench, name)

    def apply(self, command: Command) -> None:
        """Obey; the ticks of the discharge are counted from here."""
        self._bench.apply(command)
        self._drives = command.drive.current_a > 0.0

    def make_safe(self, off_sent: Callable[[], None] = lambda: None) -> Proof:
        """Make safe; the first time, note when off was proven, and leave the rest out."""
        self._proof = self._bench.make_safe(off_sent)
        self._proven_ns = self._proven_ns or time.monotonic_ns()
        self.clock.over = True
        return self._proof

    def prove_off(self) -> Proof:
        """As the bench does it; after the trip nothing is waited for any more."""
        return self._proof or self._bench.prove_off()

    def request(self) -> str:
        """Nothing is asked. Called right after a reading: what is crossed now is seen a whole
        period later."""
        self._ticks += self._drives
        if self._ticks == LED_TICKS:
            self.clock.let_go()
        if self._ticks == LED_TICKS + REAL_TICKS and not self._crossed_ns:
            self._crossed_ns = time.monotonic_ns()
            self._served.inject(
                {"kind": "stuck reading", "reading": "cell voltage", "value": "4.9 V"}
            )
        return ""

    def trip(self) -> Took | None:
        """Run until it has tripped; None when it was refused before anything was energised, which
        a computer that stands still for a third of a second brings about."""
        limits, channels = (
            self._run_documents.plan.limits,
            measuring_channels_of(self._run_documents),
        )
        outcome = Execution(
            FixedPlan("performance", limits, [discharge(60.0)]),
            channels,
            self,  # type: ignore[arg-type]
            self.clock,
            MemoryLog([]),
            make_panel(limits, channels),
            request=self.request,
        ).run()
        self.clock.close()
        self._served.mend()
        if outcome.exit is Exit.REFUSED and not self._crossed_ns:
            sys.stderr.write(f"begun again: {'; '.join(outcome.refusals)}\n")
            return None
        wrong = self._wrong(outcome)
        last_off_ns = max(self._off_ns.values(), default=0)
        return Took(
            (last_off_ns - self._crossed_ns) / 1e6,
            (self._proven_ns - self._crossed_ns) / 1e6,
            wrong,
        )

    def _wrong(self, outcome: Outcome) -> str:
        truth, trip = self._served.truth(), outcome.trip
        if trip is None or trip.interlock != "voltage high" or not self._crossed_ns:
            return f"ended by {trip}, {'; '.join(outcome.refusals)}"
        if outcome.exit is not Exit.TRIPPED or self._proof is None or not self._proof.is_off:
            return f"ended with {outcome.exit}, {self._proof}"
        if truth["load_on"] or truth["contactor_closed"]:
            return "is not off"
        silent = {name for name, _ in self._offs} - self._off_ns.keys()
        return f"nobody told {', '.join(sorted(silent))}" if silent else ""


def trip_many(run_documents: RunDocuments, count: int) -> Iterator[Took]:
    """So many trips, one after the other, on fresh sessions each.

    Raises:
        RuntimeError: more than one night in fifty was refused.
    """
    refused = 0
    for first in range(0, count, A_SERVED_BENCH):
        with serving(run_documents) as served:
            left = min(A_SERVED_BENCH, count - first)
            while left:
                took = _Night(run_documents, served).trip()
                if took is None:
                    refused += 1
                    if refused > 1 + count // 50:
                        raise RuntimeError(f"{refused} nights were refused before they began")
                    continue
                left -= 1
                yield took


def trips() -> Iterator[Figure]:
    """From a limit crossed on the bench to off commanded everywhere, and to off proven."""
    count = int(os.environ.get("NIGHTBENCH_TRIPS", COUNT))
    run_documents = read_demonstration()
    for words, load in (("idle", nullcontext), ("loaded", loaded)):
        before = os.getloadavg()[0]
        with load():
            took = list(trip_many(run_documents, count))
        wrong = [one.wrong for one in took if one.wrong]
        beside = f"load average {before:.1f} before, {os.getloadavg()[0]:.1f} after"
        beside += f"; {len(wrong)} went wrong: {wrong[0]}" if wrong else ""
        for (what, beyond), values in zip(GOALS_MS, _columns(took), strict=True):
            p99, most = percentile(values, 99), PERIOD_NS / 1e6 + beyond
            yield Figure(
                f"value limit crossed to {what}, {words}, p99 of {len(values)}",
                f"{p99:.1f} ms (median {percentile(values, 50):.1f}, most {max(values):.1f} ms)",
                f"<= {most:.0f} ms",
                beside,
                p99 <= most and not wrong,
            )


def _columns(took: list[Took]) -> tuple[list[float], list[float]]:
    return [one.commanded_ms for one in took], [one.proven_ms for one in took]

"""When the faults of a simulated bench begin and end.

Owns the schedule in bench time, for both forms of the twin; what a fault does is left to the
``FaultSite``: ``drivers.simulated.disturbance`` for physical ones, else the served wires. Pure.
"""

import heapq
import itertools
from collections.abc import Callable, Sequence
from typing import Protocol

from sequencer.documents.faults import MOMENTARY, FaultDocument

NEVER_NS = 1 << 62
FLOWS_ABOVE_A = 1e-3
"""A cell current above this counts as charging or discharging."""


class FaultSite(Protocol):
    """Where faults are brought about."""

    def begin(self, fault: FaultDocument) -> None:
        """The fault holds from now on."""
        ...

    def end(self, fault: FaultDocument) -> None:
        """The fault is over."""
        ...


class FaultSchedule:
    """Moves a bench through time so that every fault begins and ends at its own moment.

    ``move`` advances the physics to a bench time (ns); ``flow`` is the cell current now (A,
    positive charges).
    """

    def __init__(
        self,
        move: Callable[[int], None],
        flow: Callable[[], float],
        site: FaultSite,
        faults: Sequence[FaultDocument] = (),
        start_ns: int = 0,
    ) -> None:
        """A schedule at ``start_ns`` with the faults of the documents in it."""
        self._move, self._flow, self._site = move, flow, site
        self._events: list[tuple[int, int, bool, FaultDocument]] = []
        self._numbers = itertools.count()
        self._waiting: list[FaultDocument] = []
        self._active: list[FaultDocument] = []
        self.next_ns = NEVER_NS
        for fault in faults:
            self.add(fault, start_ns)

    def add(self, fault: FaultDocument, now_ns: int) -> None:
        """Schedule one fault, its ``at`` counted from ``now_ns`` or from a flow yet to come."""
        if fault.counted_from == "start":
            self._push(now_ns + round(fault.at * 1e9), True, fault)
        else:
            self._waiting.append(fault)

    def advance_to(self, to_ns: int) -> None:
        """Move to ``to_ns``, stopping on the way for whatever begins or ends."""
        while self.next_ns <= to_ns:
            at_ns, _, begins, fault = heapq.heappop(self._events)
            self._move(at_ns)
            self._happen(at_ns, begins, fault)
            self._find_next()
        self._move(to_ns)
        if self._waiting:
            self._look(to_ns)

    def mend(self) -> None:
        """End every fault that holds and forget those that have not begun."""
        self._events.clear()
        self._waiting.clear()
        self.next_ns = NEVER_NS
        for fault in list(self._active):
            self._finish(fault)

    def _happen(self, at_ns: int, begins: bool, fault: FaultDocument) -> None:
        if not begins:
            self._finish(fault)
            return
        lasts_s = fault.lasting if fault.boots_for is None else fault.boots_for
        if fault.kind not in MOMENTARY or lasts_s is not None:
            self._active.append(fault)
        self._site.begin(fault)
        if lasts_s is not None:
            self._push(at_ns + round(lasts_s * 1e9), False, fault)

    def _finish(self, fault: FaultDocument) -> None:
        if any(one is fault for one in self._active):
            self._active = [one for one in self._active if one is not fault]
            self._site.end(fault)

    def _look(self, now_ns: int) -> None:
        """Start the clock of faults that wait for a current which now flows."""
        current = self._flow()
        if abs(current) < FLOWS_ABOVE_A:
            return
        seen = "charging" if current > 0.0 else "discharging"
        armed = [fault for fault in self._waiting if fault.counted_from == seen]
        self._waiting = [fault for fault in self._waiting if fault.counted_from != seen]
        for fault in armed:
            self._push(now_ns + round(fault.at * 1e9), True, fault)
        if self.next_ns <= now_ns:
            self.advance_to(now_ns)

    def _push(self, at_ns: int, begins: bool, fault: FaultDocument) -> None:
        heapq.heappush(self._events, (at_ns, next(self._numbers), begins, fault))
        self._find_next()

    def _find_next(self) -> None:
        self.next_ns = self._events[0][0] if self._events else NEVER_NS

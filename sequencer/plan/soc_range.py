"""Between which bounds the state of charge must lie: one rule for ``check`` and for the interlock.

Charge is counted, or planned, in Ah; the true capacity of the cell is known only to a factor. So a
bound that charge moves outwards moves by the most it may mean, and one that it moves inwards by the
least. ``check`` takes of a plan what it may move, the interlock what was counted, which is never
outside: what ``check`` allows does not trip on a bench without a fault.
"""

from typing import Final, NamedTuple

from sequencer.plan.step import PlanLimits
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.sample import Sample

CAPACITY_DOUBT: Final = 1.25
"""The true capacity may differ from the rated one by this factor while it has not been measured
(our choice: a cell that falls short of its claim by a fifth, or exceeds it by a quarter)."""
FULL: Final = 0.9
"""A cell at the recommended charge voltage with a current of at most ``TAPERED`` is above this."""
EMPTY: Final = 0.5
"""A cell at its recommended cut-off under a current of at most ``SLOW`` is below this."""
TAPERED: Final = 0.1
"""A charge to the recommended voltage leaves the cell full when it ends at a termination current of
at most this C-rate (common practice: 0.02 to 0.1 C)."""
SLOW: Final = 0.5
"""A discharge to the recommended cut-off leaves it empty at no more than this C-rate: above it more
than a few percent stay behind (common practice)."""
AT_VOLTAGE: Final = 0.985
"""A meter at the cell may show this part of the charge voltage while the supply holds it: its error
and the drop of the leads at the termination current (63 mV of 4.2 V; our choice)."""


class SocRange(NamedTuple):
    """Where the state of charge must be: fractions of the cell's capacity, each from 0 to 1."""

    low: float = 0.0
    high: float = 1.0

    def moved(self, least: float, most: float) -> "SocRange":
        """After ``least`` to ``most`` went in, fractions of the rated capacity; negative: out."""
        low = self.low + min(least * CAPACITY_DOUBT, least / CAPACITY_DOUBT)
        high = self.high + max(most * CAPACITY_DOUBT, most / CAPACITY_DOUBT)
        return SocRange(min(max(low, 0.0), 1.0), min(max(high, 0.0), 1.0))

    def filled(self) -> "SocRange":
        """After it was seen full: a bound that is known better stays."""
        return SocRange(max(self.low, FULL), max(self.high, FULL))

    def emptied(self) -> "SocRange":
        """After it was seen at its cut-off: a bound that is known better stays."""
        return SocRange(min(self.low, EMPTY), min(self.high, EMPTY))

    def seen(self, sample: Sample, way: Direction, since_ns: int) -> "SocRange":
        """Narrowed where voltage and current at the cell have shown it full or at its cut-off since
        then (``shown_since``) and both were read anew: one that was read before the current was
        switched, and one from behind it, show nothing together."""
        if not since_ns or min(sample.voltage_at_ns, sample.current_at_ns) <= since_ns:
            return self
        return self.filled() if way is Direction.CHARGE else self.emptied()


def shown_since(sample: Sample, way: Direction, limits: PlanLimits, since_ns: int) -> int:
    """Since which reading (ns) voltage and current have shown the cell full, or at its cut-off, in
    every sample; 0 where this one does not."""
    size, volts = abs(sample.current_a), sample.voltage_v
    if way is Direction.CHARGE:
        is_shown = volts >= AT_VOLTAGE * limits.full_v and size <= TAPERED * limits.rated_ah
    else:
        is_shown = volts <= limits.empty_v and size <= SLOW * limits.rated_ah
    if not is_shown or way is Direction.REST:
        return 0
    return since_ns or max(sample.voltage_at_ns, sample.current_at_ns)


ANYWHERE: Final = SocRange()

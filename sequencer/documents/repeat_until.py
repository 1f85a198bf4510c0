"""What ends a repeat before its last pass."""

from collections.abc import Iterable, Iterator

from sequencer.documents.fields import (
    ChargeOrFraction,
    Document,
    Seconds,
    StateOfCharge,
    WattHours,
)
from sequencer.documents.rules import Broken
from sequencer.documents.symbolic_values import LoopCutOffVoltage


class RepeatUntil(Document):
    """What ends a loop before its last pass, whichever is met first: the cut-off at once, anything
    else at the end of a pass."""

    capacity_retention: StateOfCharge | None = None
    time: Seconds | None = None
    charge_out: ChargeOrFraction | None = None
    charge_in: ChargeOrFraction | None = None
    energy_out: WattHours | None = None
    energy_in: WattHours | None = None
    cut_off_voltage: LoopCutOffVoltage | None = None

    def rules(self) -> Iterable[Iterator[Broken]]:
        """Some condition; a share that can be fallen to."""
        return (self._some_condition(), self._less_than_all())

    def _some_condition(self) -> Iterator[Broken]:
        names = type(self).model_fields
        if all(getattr(self, name) is None for name in names):
            keys = ", ".join(f"'{field.alias}'" for field in names.values())
            yield f"needs a condition: one or more of {keys}", ()

    def _less_than_all(self) -> Iterator[Broken]:
        share = self.capacity_retention
        if share is not None and not 0.0 < share < 1.0:
            rule = "must be above 0 % and below 100 %: it is a share of the first pass's capacity"
            yield rule, ("capacity retention",)

"""What a voltage must do when the current goes off: pure.

The evidence itself is weighed elsewhere; here the voltage is held to what must follow: with the
charging current gone it cannot rise, with the discharging current gone not fall.
"""

from collections.abc import Callable, Mapping
from math import inf
from typing import NamedTuple

from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.safing import Part, Safed, SafingPlan
from sequencer.vocabulary.sample import NAN, Sample

_MARGIN_V = 0.005
"""What a voltage may move the wrong way between two readings, beyond the meter's own offset and
counts, before it contradicts (our choice)."""
GONE_V = 0.5
"""Below this no cell is behind the leads any more (its own protection or a lead opened), so nothing
flows out of it; our choice, far under any cell's floor."""
_LEAST_SHARE = 1.0 / 3.0


class Witnessed(NamedTuple):
    """One voltage channel under current: what it read, with which current (positive charges), and
    the resistance (ohm) that it saw when that current was switched on; NaN when it was not seen."""

    volts: float
    amps: float
    ohm: float = NAN


def switched_on(rested: Sample, driven: Sample, field: str, visible_a: float) -> float:
    """What a voltage channel sees of cell and leads: its step over the current that was switched
    on between two samples (ohm); NaN when it cannot be told, as when the contactor closed too."""
    amps = abs(driven.current_a)
    is_parted = rested.contactor_closed != driven.contactor_closed and field != "voltage_v"
    if is_parted or not amps > 2.0 * visible_a:
        return NAN
    volts: float = getattr(driven, field) - getattr(rested, field)
    return abs(volts) / amps


def before_and_after(
    plan: SafingPlan,
    definitions: Mapping[str, InstrumentDefinition],
    witnessed: Mapping[str, Witnessed],
) -> SafingPlan:
    """The plan with the bounds of every voltage drawn in by what it was under current (see
    ``off_between``). ``witnessed`` is by instrument name, without the one that drove."""
    instruments = tuple(
        _held_to(one, witnessed[one.name], margin_v(definitions[one.name], witnessed[one.name]))
        if one.name in witnessed
        else one
        for one in plan.instruments
    )
    return plan._replace(instruments=instruments)


def margin_v(definition: InstrumentDefinition, before: Witnessed) -> float:
    """What two readings of the same voltage may differ by."""
    held = definition.capability("measure voltage").range_for(before.volts)
    return _MARGIN_V + 2.0 * (held.offset + held.resolution.value if held else 0.0)


def off_between(before: Witnessed, margin: float) -> tuple[float, float]:
    """Low and high between which a voltage must lie once the current is gone: it steps by at least
    a third of what the same current made it step when switched on (resistance falls with warmth
    and charge), where that is visible, and never moves the other way."""
    step_v = _LEAST_SHARE * before.ohm * abs(before.amps)
    least_v = step_v - margin if step_v > 2.0 * margin else -margin
    if before.amps > 0.0:
        return -inf, before.volts - least_v
    return before.volts + least_v, inf


def _held_to(one: Safed, before: Witnessed, margin: float) -> Safed:
    low, high = off_between(before, margin)
    asks = tuple(
        ask._replace(parts=tuple(_bounded(part, low, high) for part in ask.parts))
        for ask in one.asks
    )
    shows_a = one.visible_a
    if before.ohm > 0.0 and not one.asks_for("current"):
        shows_a = 2.0 * margin / (_LEAST_SHARE * before.ohm)
    note = f"was {before.volts:.3f} V under {abs(before.amps):.3f} A"
    return one._replace(asks=asks, note=note, visible_a=shows_a)


def _bounded(part: Part, low: float, high: float) -> Part:
    if part.quantity != "voltage":
        return part
    return part._replace(low=max(part.low, low), high=min(part.high, high), gone=GONE_V)


class Memory:
    """What the voltage channels read under current, kept until they were seen to step back.

    ``fields``: by instrument name, the field of the sample with its voltage; ``visible_a``: the
    largest current that the outputs cannot tell from zero.
    """

    def __init__(self, fields: Mapping[str, str], visible_a: float) -> None:
        self._fields, self._visible_a = fields, visible_a
        self._rested: Sample | None = None
        self._driven: Sample | None = None
        self._ohm: dict[str, float] = {}

    def rest(self, sample: Sample) -> None:
        """A sample with no output commanded on."""
        self._rested = sample

    def forget(self) -> None:
        """Off was seen: what was under current before matters no more."""
        self._driven = None

    def explains_off(
        self, sample: Sample, driver: str | None, since_ns: int, margins: Callable[..., float]
    ) -> bool | None:
        """Whether every voltage newer than ``since_ns`` lies where off puts it; None when there is
        none to tell. ``margins`` gives the margin (V) for an instrument's name and memory."""
        answers = []
        for name, before in self.witnessed(driver).items():
            field = self._fields[name]
            if getattr(sample, f"{field.removesuffix('_v')}_at_ns") > since_ns:
                low, high = off_between(before, margins(name, before))
                volts = getattr(sample, field)
                answers.append(low <= volts <= high or volts < GONE_V)
        return all(answers) if answers else None

    def drive(self, sample: Sample, *, is_on: bool) -> None:
        """A sample under current; one without new readings, or of an output that went off by
        itself, teaches nothing."""
        before = self._driven
        is_new = before is None or (
            sample.current_at_ns > before.current_at_ns
            and sample.voltage_at_ns > before.voltage_at_ns
        )
        if not (is_on and is_new):
            return
        if not abs(sample.current_a) > self._visible_a:
            self._driven = None  # on without current: an open lead or cell; off changes nothing
            return
        if self._rested is not None:
            self._ohm = {
                name: switched_on(self._rested, sample, field, self._visible_a)
                for name, field in self._fields.items()
            }
            self._rested = None
        self._driven = sample

    def witnessed(self, driver: str | None) -> dict[str, Witnessed]:
        """What each channel but the driver's own read last under current; nothing after off."""
        if self._driven is None:
            return {}
        amps, found = self._driven.current_a, {}
        for name, field in self._fields.items():
            volts = getattr(self._driven, field)
            if name != driver and volts == volts:
                found[name] = Witnessed(volts, amps, self._ohm.get(name, NAN))
        return found

"""Each step in its place in the run: what came before it, how full the cell was.

Owns the words *full*, *complete* and *residual*. State of charge is counted from the nearest full
charge, in parts of a capacity that this run measured, or else of the rated one.
"""

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace

from sequencer.analysis.commanded import StepEnding
from sequencer.analysis.rested_charge import RestedCharge, rested_charges
from sequencer.analysis.survey import SurveyedStep
from sequencer.documents.cell import CellDocument

FULL_BAND_V = 0.03
"""A charge that ended this near below the charge voltage filled the cell (no outside source)."""
CUT_OFF_BAND_V = 0.02
"""Two cut-offs this near are one; without a journal, the last voltage this near to a cut-off has
reached it (no outside source)."""
NEARLY_FULL = 1e-3
"""Pulses that took out no more than this part of a discharge left the cell full before it (our
choice: well below what a capacity is known to)."""
TAPERED = 0.5
"""A charge that no termination current ended (its time did, or nobody tells) was tapered when its
current had fallen to this part of its usual one: held for hours, it ends as full as others."""


@dataclass(frozen=True, slots=True)
class StepContext:
    """A step and what it followed.

    ``after`` is the driven step before it, ``rest_s`` the rest between. ``filled_by`` is the charge
    that filled the cell, when the step began with a full cell. ``emptied_by`` is the complete
    discharge that a charge followed. ``pulsed_ah`` is what pulses took out since the cell was full.
    ``before_ah`` is the charge in the cell at its beginning,
    relative to full (Ah, zero or negative; NaN when the run never filled the cell), counted from
    the full charge of the step ``counted_from``. ``rested`` is
    its state of charge by the voltage of the cell as it came, where a curve is stated.
    ``cut_off_v`` is where a discharge ended, NaN when it was not ended by its voltage.
    ``is_residual``: it goes on below the recommended cut-off; ``goes_on`` is then the complete
    discharge that it follows without a rest.
    """

    surveyed: SurveyedStep
    after: SurveyedStep | None = None
    rest_s: float = math.nan
    filled_by: SurveyedStep | None = None
    emptied_by: SurveyedStep | None = None
    pulsed_ah: float = 0.0
    before_ah: float = math.nan
    counted_from: int | None = None
    rested: RestedCharge | None = None
    cut_off_v: float = math.nan
    is_residual: bool = False
    goes_on: SurveyedStep | None = None

    @property
    def filled_step(self) -> int | None:
        """The step of the charge that filled the cell."""
        return self.filled_by.step if self.filled_by is not None else None

    @property
    def is_complete(self) -> bool:
        """Whether it is a discharge of a full cell down to a cut-off, unbroken and recorded."""
        return (
            self.surveyed.kind == "discharge"
            and self.filled_by is not None
            and math.isfinite(self.cut_off_v)
            and not self.surveyed.is_broken
            and not self.surveyed.is_mostly_unseen
            and not self.surveyed.is_against
            and not self.is_residual
        )

    @property
    def is_full_charge(self) -> bool:
        """Whether it is a charge from a complete discharge to full, unbroken."""
        surveyed = self.surveyed
        doubtful = surveyed.is_broken or surveyed.is_mostly_unseen or surveyed.is_against
        return self.emptied_by is not None and not doubtful


def in_order(
    surveyed_steps: Sequence[SurveyedStep], cell: CellDocument | None
) -> tuple[StepContext, ...]:
    """The steps of a run as contexts."""
    volts = _Voltages.of(surveyed_steps, cell)
    relative = _relative(surveyed_steps, volts.top_v)
    contexts: list[StepContext] = []
    past = _Past()
    rested = rested_charges(surveyed_steps, cell)
    for surveyed, (before_ah, full), charge in zip(surveyed_steps, relative, rested, strict=True):
        context = replace(_context(surveyed, past, before_ah, volts), counted_from=full)
        if not math.isfinite(before_ah):
            context = replace(context, rested=charge)
        contexts.append(context)
        if surveyed.is_driven and surveyed.whole is not None:
            past = past.then(context, volts.top_v)
        elif surveyed.kind == "rest" and surveyed.whole is not None:
            past = replace(past, rest_s=past.rest_s + surveyed.duration_s)
    return tuple(contexts)


@dataclass(frozen=True, slots=True)
class _Voltages:
    """At which voltages a cell is full and empty (V), and below which what is left is residual."""

    top_v: float
    cut_v: float
    recommended_v: float

    @classmethod
    def of(cls, surveyed_steps: Sequence[SurveyedStep], cell: CellDocument | None) -> "_Voltages":
        """By the cell's document; without one by what the run itself reached."""
        if cell is not None:
            low_v = cell.recommended.cut_off_voltage
            return cls(cell.recommended.charge_voltage, low_v, low_v)
        seen = [
            surveyed for surveyed in surveyed_steps if surveyed.is_driven and not surveyed.is_pulse
        ]
        tops = [surveyed.highest_v for surveyed in seen if surveyed.kind == "charge"]
        lows = [surveyed.last_v for surveyed in seen if surveyed.kind == "discharge"]
        top_v = max((v for v in tops if math.isfinite(v)), default=math.nan)
        cut_v = min((v for v in lows if math.isfinite(v)), default=math.nan)
        return cls(top_v, cut_v, math.nan)


@dataclass(frozen=True, slots=True)
class _Past:
    """What a step follows: the last driven step and the rest since (s); the charge that filled the
    cell, where only pulses followed, and what they took out (Ah)."""

    last: StepContext | None = None
    rest_s: float = 0.0
    filled_by: SurveyedStep | None = None
    pulsed_ah: float = 0.0

    def then(self, context: StepContext, top_v: float) -> "_Past":
        """After one driven step more."""
        surveyed = context.surveyed
        if fills_up(surveyed, top_v):
            return _Past(context, filled_by=surveyed)
        if surveyed.is_pulse and self.filled_by is not None:
            pulsed_ah = self.pulsed_ah - surveyed.signed_ah
            return _Past(context, filled_by=self.filled_by, pulsed_ah=pulsed_ah)
        return _Past(context)

    def filled(self, surveyed: SurveyedStep) -> SurveyedStep | None:
        """The charge that left the cell full for a step; None when it is not full."""
        moved_ah = abs(surveyed.signed_ah)
        is_full = self.pulsed_ah == 0.0 or abs(self.pulsed_ah) <= NEARLY_FULL * moved_ah
        return self.filled_by if is_full else None


def _context(
    surveyed: SurveyedStep, past: _Past, before_ah: float, volts: _Voltages
) -> StepContext:
    last = past.last
    after = last.surveyed if last is not None else None
    fills = surveyed.kind == "charge" and fills_up(surveyed, volts.top_v)
    emptied = last.surveyed if last is not None and last.is_complete and fills else None
    filled_by = past.filled(surveyed)
    is_residual = _is_residual(surveyed, last, volts.recommended_v)
    at_once = is_residual and last is not None and last.is_complete and not past.rest_s
    return StepContext(
        surveyed=surveyed,
        after=after,
        rest_s=past.rest_s if after is not None else math.nan,
        filled_by=filled_by,
        emptied_by=emptied,
        pulsed_ah=past.pulsed_ah if filled_by is not None else 0.0,
        before_ah=before_ah,
        cut_off_v=cut_off_of(surveyed, volts.cut_v),
        is_residual=is_residual,
        goes_on=after if at_once else None,
    )


def full_v(surveyed_steps: Sequence[SurveyedStep], cell: CellDocument | None) -> float:
    """The voltage (V) at which a cell is full: its document's, or the highest that a charge
    reached; NaN when nothing says it."""
    return _Voltages.of(surveyed_steps, cell).top_v


def fills_up(surveyed: SurveyedStep, top_v: float) -> bool:
    """Whether a charge ended full: tapered at the charge voltage."""
    if surveyed.kind != "charge" or surveyed.is_pulse or surveyed.is_against:
        return False
    if not surveyed.last_v >= top_v - FULL_BAND_V:
        return False
    is_held = math.isfinite(surveyed.told.held_v)
    if surveyed.told.ended is StepEnding.TERMINATION and is_held:
        return True
    is_planned = surveyed.told.ended not in (StepEnding.VOLTAGE, StepEnding.UNFINISHED)
    return is_planned and abs(surveyed.last_a) <= TAPERED * surveyed.size_a


def cut_off_of(surveyed: SurveyedStep, recommended_v: float) -> float:
    """The cut-off (V) that ended a discharge: the commanded one, or where no journal tells, the
    recommended one when it was reached, or else its last voltage. NaN: it ended otherwise."""
    if surveyed.kind != "discharge" or surveyed.is_pulse or surveyed.whole is None:
        return math.nan
    if surveyed.told.ended is StepEnding.VOLTAGE:
        return (
            surveyed.told.cut_off_v if math.isfinite(surveyed.told.cut_off_v) else surveyed.last_v
        )
    if surveyed.told.ended is not StepEnding.UNKNOWN:
        return math.nan
    if not math.isfinite(recommended_v):
        return surveyed.last_v
    if abs(surveyed.last_v - recommended_v) <= CUT_OFF_BAND_V:
        return max(recommended_v, surveyed.last_v)
    return surveyed.last_v if surveyed.last_v < recommended_v else math.nan


def _is_residual(surveyed: SurveyedStep, last: StepContext | None, recommended_v: float) -> bool:
    """A discharge that goes on below the recommended cut-off after one that reached a cut-off."""
    return (
        surveyed.kind == "discharge"
        and not surveyed.is_pulse
        and last is not None
        and last.surveyed.kind == "discharge"
        and math.isfinite(last.cut_off_v)
        and surveyed.lowest_v < recommended_v - CUT_OFF_BAND_V / 2
    )


def _relative(
    surveyed_steps: Sequence[SurveyedStep], top_v: float
) -> list[tuple[float, int | None]]:
    """Charge in the cell at the beginning of each step relative to full (Ah), and the step of the
    full charge: the last one before it, or the first one after it. A broken count (a step without
    readings while driven) begins anew."""
    level, levels, fulls = 0.0, [], []
    for number, surveyed in enumerate(surveyed_steps):
        levels.append(level)
        level += surveyed.signed_ah
        if fills_up(surveyed, top_v):
            level = level if math.isfinite(level) else 0.0
            fulls.append((number, level))
    found: list[tuple[float, int | None]] = []
    places = [place for place, _ in fulls]
    for number, level in enumerate(levels):
        before = bisect_left(places, number)
        place, full = fulls[max(before - 1, 0)] if fulls else (None, math.nan)
        found.append((level - full, None if place is None else surveyed_steps[place].step))
    return found


@dataclass(frozen=True, slots=True)
class Scale:
    """What a state of charge is a part of (Ah), and whether it was "measured" or is "rated"."""

    ah: float
    by: str

    def soc(self, relative_ah: float) -> float:
        """State of charge (1) from a charge relative to full."""
        return 1.0 + relative_ah / self.ah if self.ah > 0 else math.nan


def scale_of(contexts: Sequence[StepContext], cell: CellDocument | None) -> Scale:
    """The largest complete discharge of the run, or the rated capacity."""
    whole = [
        s.surveyed.whole.ah for s in contexts if s.is_complete and s.surveyed.whole is not None
    ]
    if whole:
        return Scale(max(whole), "measured")
    return Scale(cell.rated_capacity if cell is not None else math.nan, "rated")

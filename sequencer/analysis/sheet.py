"""The sheet on which figures are written down: one form for all, one list of what is left out.

Owns the conditions that every figure of a step carries, and the words for a rate. Owns no formula.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from sequencer.analysis.formulas import Number
from sequencer.analysis.integrals import Integral
from sequencer.analysis.results import Curve, Figure, Tested
from sequencer.analysis.step_context import Scale, StepContext
from sequencer.analysis.survey import SurveyedStep
from sequencer.analysis.uncertainty.measured import By, Measured, Place
from sequencer.vocabulary import units

COMPENSATED = "lead-compensated"
_PLACES: Mapping[str, Place] = {
    "surface_c": "surface", "surface_start_c": "surface", "room_c": "room",
}  # fmt: skip
_VOLTS = frozenset({"charge_voltage_v", "rest_v"})
_READ = frozenset({*_PLACES, *_VOLTS, "termination_a", "current_a"})
"""The conditions that an instrument reads."""
UNSEEN = "what flowed while nothing was recorded"
HOW_FULL = "how full its charge left the cell is in doubt"
"""The words that begin what is said beside every number that depends on it."""


class InDoubt(NamedTuple):
    """The span (Ah) within which a charge may have left the cell less or more full than was read,
    both positive; NaN where nobody knows how wide."""

    less_ah: float
    more_ah: float

    def words(self, rated_ah: float) -> str:
        """In mAh with one digit at least, and in % of the rated capacity where that is known."""
        if not math.isfinite(self.less_ah + self.more_ah):
            return HOW_FULL
        less, more = (1000.0 * ah for ah in self)
        digits = 0 if min(self) >= 0.0095 else max(0, -math.floor(math.log10(min(less, more))))
        told = f"{HOW_FULL} by -{less:.{digits}f} to +{more:.{digits}f} mAh"
        if not math.isfinite(rated_ah):
            return told
        shares = [f"{100.0 * ah / rated_ah:.2g}" for ah in self]
        return f"{told} (-{shares[0]} to +{shares[1]} %)"


@dataclass
class FigureSheet:
    """What is being said of one run. ``two_wire``: the voltage was read through the leads.
    ``unseen_ends``: by the step of a charge whose last current nobody knows, how full it may have
    left the cell; and by that of a discharge which it filled the cell for. ``stored``: the steps of
    a storage charge."""

    tested: Tested
    measured: Measured
    scale: Scale
    two_wire: bool = False
    figures: list[Figure] = field(default_factory=list)
    curves: list[Curve] = field(default_factory=list)
    excluded: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    unseen_ends: dict[int, InDoubt] = field(default_factory=dict)
    stored: set[int] = field(default_factory=set)
    _known_standards: dict[tuple[str, float, By], float] = field(default_factory=dict)

    @property
    def rated_ah(self) -> float:
        """The cell's rated capacity, NaN without a cell document."""
        return self.tested.cell.rated_capacity if self.tested.cell is not None else math.nan

    def add(self, key: str, label: str, value: Number, unit: str, **rest: Any) -> Figure:
        """Writes a figure down; conditions that are not known (NaN, None, empty) are left out."""
        rest["conditions"] = known(rest.get("conditions", {}))
        rest["condition_standards"] = self._standards(rest["conditions"])
        rest["flags"] = tuple(rest.get("flags", ()))
        figure = self.measured.figure(key, label, value, unit, **rest)
        self.figures.append(figure)
        return figure

    def in_doubt(self, *steps: int | None) -> tuple[str, ...]:
        """What must be said beside a number that depends on how full these charges left the cell,
        or on what these discharges gave: their widest doubt, nothing where all ends were seen."""
        spans = [self.unseen_ends[step] for step in steps if step in self.unseen_ends]
        if not spans:
            return ()
        widest = max(spans, key=lambda one: math.inf if math.isnan(sum(one)) else sum(one))
        return (f"{widest.words(self.rated_ah)}; the \u00b1 does not hold it",)

    def rate(self, current_a: float) -> float:
        """A current as a C-rate of the rated capacity (IEC 61434 convention)."""
        return abs(current_a) / self.rated_ah

    def rate_words(self, current_a: float) -> str:
        """``0.2 C``, or ``0.60 A`` where no rated capacity is known."""
        rate = self.rate(current_a)
        return f"{rate:.2g} C" if math.isfinite(rate) else f"{abs(current_a):.3g} A"

    def drawn_words(self, surveyed: SurveyedStep, current_a: float) -> str:
        """What a discharge held: ``5.0 W``, ``2.00 Ohm``, or its rate."""
        if math.isfinite(surveyed.told.power_w):
            return units.watts(surveyed.told.power_w)
        if math.isfinite(surveyed.told.resistance_ohm):
            return units.ohms(surveyed.told.resistance_ohm)
        table = " by the table" if surveyed.told.follows_table else ""
        return self.rate_words(current_a) + table

    def charge(self, part: Integral) -> Number:
        """The part's charge (Ah) with its uncertainty."""
        read = self.measured.charge(part.ah, part.hours, part.by)
        return read + self.measured.within(part.open_ah, UNSEEN)

    def energy(self, part: Integral) -> Number:
        """The part's energy (Wh) with its uncertainty."""
        read = self.measured.energy(part.wh, part.ah, part.volt_hours, part.hours, part.by)
        return read + self.measured.within(part.open_wh, UNSEEN)

    def lead_energy(self, part: Integral) -> Number:
        """What the leads took of the part's energy (Wh, positive)."""
        return self.measured.lead_ohms() * part.amp2_hours

    def conditions(self, context: StepContext) -> dict[str, float | str]:
        """What every figure of a driven step carries."""
        surveyed, mean_a = context.surveyed, _mean_a(context.surveyed)
        filled = surveyed if surveyed.kind == "charge" else context.filled_by
        return {
            "direction": surveyed.kind,
            "cycle": float(surveyed.cycle),
            "current_a": mean_a,
            "rate_c": self.rate(mean_a),
            **self._varying(surveyed),
            "cut_off_v": context.cut_off_v,
            **self._filling(filled),
            "surface_c": surveyed.warmth.surface_c,
            "surface_start_c": surveyed.warmth.start_c,
            "room_c": surveyed.warmth.room_c,
            "rest_s": context.rest_s,
            **unseen(surveyed.whole),
            "label": surveyed.label,
        }

    def _varying(self, surveyed: SurveyedStep) -> dict[str, float]:
        """Of a discharge whose current changes, and of a charge in parts: between which rates; of a
        discharge also what it held."""
        if not surveyed.varies and not surveyed.parts:
            return {}
        return {
            "rate_low_c": self.rate(surveyed.least_a),
            "rate_high_c": self.rate(surveyed.most_a),
            "power_w": surveyed.told.power_w,
            "resistance_ohm": surveyed.told.resistance_ohm,
        }

    def _standards(self, conditions: Mapping[str, float | str]) -> dict[str, float]:
        """The standard uncertainties of the conditions that an instrument read."""
        by: By = "charge" if conditions.get("direction") == "charge" else "discharge"
        found = {}
        for name, value in conditions.items():
            if isinstance(value, float) and name in _READ:
                place = (name, value, by)
                if place not in self._known_standards:
                    self._known_standards[place] = _read(self.measured, name, value, by)
                found[name] = self._known_standards[place]
        if "current_a" in found and "rate_c" in conditions:
            found["rate_c"] = found["current_a"] / self.rated_ah
        return {name: one for name, one in found.items() if math.isfinite(one)}

    def _filling(self, charge: SurveyedStep | None) -> dict[str, float]:
        """How the cell was filled: the voltage it was held at, as it was read at the end."""
        if charge is None:
            return {}
        return {
            "charge_voltage_v": charge.last_v,
            "charge_rate_c": self.rate(charge.size_a),
            "termination_a": charge.last_a,
        }


def _read(measured: Measured, name: str, value: float, by: By) -> float:
    """The standard uncertainty of one condition that an instrument read; NaN: not known."""
    if name in _PLACES:
        return float(measured.celsius(value, _PLACES[name]).std_dev)
    if name in _VOLTS:
        return float(measured.volts(value).std_dev)
    return float(measured.amps(abs(value), "charge" if name == "termination_a" else by).std_dev)


def unseen(part: Integral | None) -> dict[str, float]:
    """By which share a part may be off for what was not recorded of it; nothing where all was."""
    return {} if part is None or not part.open_share else {"unseen_share": part.open_share}


def known(conditions: Mapping[str, Any]) -> dict[str, float | str]:
    """Only the conditions that say something."""
    return {
        name: value
        for name, value in conditions.items()
        if (isinstance(value, str) and value)
        or (isinstance(value, int | float) and math.isfinite(value))
    }


def flags_of(surveyed: SurveyedStep, *more: str) -> tuple[str, ...]:
    """What must be said beside every number of a step."""
    return tuple(dict.fromkeys([*surveyed.troubles, *(one for one in more if one)]))


def each(*words: str) -> Iterable[str]:
    """The words that are not empty."""
    return [one for one in words if one]


def _mean_a(surveyed: SurveyedStep) -> float:
    """The mean current (A), positive; of a charge that is held, that of its constant part."""
    if surveyed.whole is None:
        return math.nan
    return surveyed.size_a if surveyed.kind == "charge" else abs(surveyed.whole.mean_a)

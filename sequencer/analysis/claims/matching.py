"""Which measurement a claim is set beside. Owns the choice, which looks at conditions and never at
values: whoever picks the measurement after seeing it can have any verdict.

One measurement on the claim's terms is enough, the earliest of several: claims are about a fresh
cell (``wear``). Without one, the nearest that is no kinder than the terms can support the claim,
and the nearest that is no harder can refute it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import hypot, inf, isfinite, log
from typing import Final

from sequencer.analysis.claims.beside import yields_of
from sequencer.analysis.claims.conformity import Bound, conformity
from sequencer.analysis.claims.differences import (
    AFTER_ALIKE,
    CHARGE_ALIKE,
    CUT_OFF_SAME_V,
    DIFFERENCES,
    ClaimSetting,
    ConditionDifference,
    Wires,
    differences,
    span,
)
from sequencer.analysis.claims.kinds import (
    LEAD_COMPENSATED,
    ClaimKind,
    FiguresByKey,
    bearing_on,
    family_of,
    number_in,
)
from sequencer.analysis.claims.rates import RATE_SAME
from sequencer.analysis.claims.rooms import NEARER_K, temperature_of
from sequencer.analysis.claims.terms import Terms
from sequencer.analysis.claims.time_differences import TIME_DIFFERENCES
from sequencer.analysis.results import Figure, Tested

_METHODS: Final = {"train": 0.0, "pulse": 1.0, "start": 2.0, "two-level": 3.0}
"""Ways to a resistance, best first: several pulses, one, the start of a discharge, two levels."""

_ALIKE: Final = (
    0.0, RATE_SAME, CUT_OFF_SAME_V, AFTER_ALIKE, CHARGE_ALIKE, NEARER_K, 0.0, 0.0, 0.0,
)  # fmt: skip
"""Within these two measurements are equally near: number of conditions that leave it open, rate,
cut-off (V), time after the edge, state of charge, temperature (K); way, kind of figure, step."""

_KNOWN: Final = {**DIFFERENCES, **TIME_DIFFERENCES}


@dataclass(frozen=True, slots=True)
class Candidate:
    """One measurement beside a claim's terms: what differs, and by which share that could change
    the figure. ``standard`` is the standard uncertainty of what was measured, leads corrected for;
    ``on_terms`` the one of the value on the claim's terms, with those of the conditions."""

    figure: Figure
    differences: tuple[ConditionDifference, ...]
    low: float
    high: float
    standard: float

    @property
    def is_bounded(self) -> bool:
        """What every condition is worth is known on both sides."""
        return all(one.is_bounded for one in self.differences)

    @property
    def on_terms(self) -> float:
        """The measured standard uncertainty and those of the conditions together."""
        shares = hypot(*(one.standard for one in self.differences))
        return hypot(self.standard, shares * self.figure.value)

    def at_worst(self, bound: Bound) -> float:
        """The value on the claim's terms that is worst for the seller (infinite: anything)."""
        share = self.low if bound is Bound.LEAST else self.high
        return self.figure.value * (1.0 + share)

    def at_best(self, bound: Bound) -> float:
        """The value on the claim's terms that is best for the seller (infinite: anything)."""
        share = self.high if bound is Bound.LEAST else self.low
        return self.figure.value * (1.0 + share)

    def probability(self, value: float, limit: float, bound: Bound) -> float:
        """Probability of conformity, were ``value`` the one on the claim's terms."""
        return conformity(value, self.on_terms, limit, bound, self.figure.degrees_of_freedom)


_Placed = tuple[tuple[float, ...], Candidate]
"""How far a measurement lies from a claim's terms, in the order of ``_ALIKE``, and itself."""


def wires_of(tested: Tested) -> Wires:
    """How the cell voltage was measured; without a bench document, at the cell."""
    if tested.bench is None:
        return Wires()
    wiring = tested.bench.wiring
    return Wires(wiring.voltage.sense == "two-wire", wiring.lead_resistance)


def candidates(
    kind: ClaimKind, terms: Terms, figures: Sequence[Figure], wires: Wires
) -> tuple[Candidate, ...]:
    """All measurements that bear on such a claim, nearest first."""
    by_key = FiguresByKey((one.key, one) for one in figures)
    usable = [one for one in bearing_on(figures, kind) if _is_whole(one, by_key)]
    placed = [at_cut_off(one, terms, by_key) for one in usable]
    found = [_candidate(one, kind, terms, by_key, wires) for one in placed]
    left = [(_distance(one, terms), one) for one in found]
    in_order = []
    while left:
        nearest = _nearest(left)
        in_order.append(nearest[1])
        left = [one for one in left if one is not nearest]
    return tuple(in_order)


def _nearest(among: Sequence[_Placed]) -> _Placed:
    """The nearest, by one condition after the other. What lies nearer by less than the condition's
    tolerance is no nearer, so that no thousandth of a kelvin chooses."""
    for place, tolerance in enumerate(_ALIKE):
        if len(among) == 1:
            break
        most = min(distance[place] for distance, _ in among) + tolerance
        among = [one for one in among if one[0][place] <= most]
    return among[0]


def _is_whole(figure: Figure, by_key: FiguresByKey) -> bool:
    """The yield at a cut-off counts only where the cell had been full: where its step has a
    capacity of its own. What lies apart (residual) bears another name."""
    if family_of(figure) not in ("capacity", "energy") or figure.step is None:
        return True
    return any(
        one.step == figure.step and key.startswith(f"{family_of(figure)}.discharge.")
        for key, one in by_key.of(family_of(figure))
    )


def at_cut_off(figure: Figure, terms: Terms, by_key: FiguresByKey) -> Figure:
    """A discharge that went further than the terms ask, as it stood at their cut-off: between the
    yields on either side, on a straight line. Others are returned as they are."""
    end, wanted = number_in(figure, "cut_off_v"), terms.cut_off_v
    if end is None or end >= wanted - CUT_OFF_SAME_V or ".cut-off." in figure.key:
        return figure
    if _has_yield_at(wanted, figure, by_key):
        return figure
    rows = [(end, figure.value), *(row for row in yields_of(figure, by_key) if row[0] > end)]
    for (v0, q0), (v1, q1) in pairwise(rows):
        if v0 <= wanted <= v1 and figure.value > 0.0:
            value = q0 + (q1 - q0) * (wanted - v0) / (v1 - v0)
            standard = figure.standard_uncertainty * value / figure.value
            conditions = {**figure.conditions, "cut_off_v": wanted}
            return replace(
                figure, value=value, standard_uncertainty=standard, conditions=conditions
            )
    return figure


def _has_yield_at(wanted_v: float, figure: Figure, by_key: FiguresByKey) -> bool:
    """Whether the yield at that very cut-off is a figure of its own."""
    return any(
        one.step == figure.step
        and key.startswith(f"{family_of(figure)}.cut-off.")
        and abs((number_in(one, "cut_off_v") or 0.0) - wanted_v) <= CUT_OFF_SAME_V
        for key, one in by_key.of(family_of(figure))
    )


def _candidate(
    figure: Figure, kind: ClaimKind, terms: Terms, by_key: FiguresByKey, wires: Wires
) -> Candidate:
    found = differences(ClaimSetting(figure, terms, by_key, wires), kind.depends_on, _KNOWN)
    low, high = span(found)
    standard = figure.standard_uncertainty
    if any(one.name == "leads" and one.is_bounded for one in found):
        standard = by_key[figure.key + LEAD_COMPENSATED].standard_uncertainty
    return Candidate(figure, found, low, high, standard)


def _distance(one: Candidate, terms: Terms) -> tuple[float, ...]:
    """The fewest conditions that leave it open, then by how much; then the pulses of a train
    together before a single one; then the earliest. In the order of ``_ALIKE``."""
    figure = one.figure
    rate, cut_off = number_in(figure, "rate_c"), number_in(figure, "cut_off_v")
    pulse, warmth = number_in(figure, "pulse_s"), temperature_of(figure)
    charge = number_in(figure, "state_of_charge")
    by_rate = pulse is None or "rate" in terms.given  # a resistance has no rate of its own
    return (
        sum(not each.is_bounded for each in one.differences),
        abs(log(rate / terms.rate_c)) if rate and by_rate else 0.0,
        abs(cut_off - terms.cut_off_v) if cut_off is not None else 0.0,
        abs(log(pulse / terms.after_s)) if pulse else 0.0,
        abs(charge - terms.state_of_charge) if charge is not None else 0.0,
        abs(warmth - terms.temperature_c) if warmth is not None else 0.0,
        _METHODS.get(str(figure.conditions.get("method")), 0.0),
        float(".cut-off." in figure.key),
        float(figure.step) if figure.step is not None else inf,
    )


def supporter(found: Sequence[Candidate], bound: Bound) -> Candidate | None:
    """The measurement that may support the claim."""
    return _chosen(found, lambda one: isfinite(one.at_worst(bound)))


def refuter(found: Sequence[Candidate], bound: Bound) -> Candidate | None:
    """The measurement that may refute the claim."""
    return _chosen(found, lambda one: isfinite(one.at_best(bound)))


def _chosen(found: Sequence[Candidate], can: Callable[[Candidate], bool]) -> Candidate | None:
    if found and found[0].is_bounded:
        return found[0]
    return next((one for one in found if can(one)), None)

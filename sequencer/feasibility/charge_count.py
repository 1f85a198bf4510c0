"""How far off a state of charge that is counted on this bench may be: told, or refused."""

from collections.abc import Iterator

from sequencer.documents.bench import BenchDocument
from sequencer.documents.cell import CellDocument
from sequencer.documents.profile import ProfileDocument
from sequencer.feasibility.finding import Finding, graded
from sequencer.feasibility.measuring_channels import Definitions, channels_of_bench
from sequencer.plan.breach import Breach
from sequencer.plan.foreseen_charge import MOST_ERROR, Adjustment, adjustments
from sequencer.plan.limits import plan_limits
from sequencer.plan.step import PlanLimits
from sequencer.vocabulary import units
from sequencer.vocabulary.measuring_channels import MeasuringChannels

_BARELY = 2.0 / 3.0


def breaches(
    profile: ProfileDocument,
    cell: CellDocument,
    bench: BenchDocument,
    definitions: Definitions,
) -> Iterator[Breach]:
    """Every state of charge that would be further off than may be."""
    channels = channels_of_bench(bench, definitions)
    limits = plan_limits(profile, cell, 0.0)
    for one in _counted(profile, cell):
        error = _error(one, channels, limits)
        if not error <= MOST_ERROR:
            message = (
                f"{_said(one)} may be off by {_points(error)}, and {_points(MOST_ERROR)} are"
                " allowed: by the errors of what measures the current on this bench, over all that"
                " flows since the cell was full or empty; let a full charge come closer before it,"
                " take a larger current, or measure the current more exactly"
            )
            yield Breach("profile", (*one.draft.path, "to"), message, ("bench", ("wiring",)))


def findings(
    profile: ProfileDocument, cell: CellDocument, channels: MeasuringChannels
) -> Iterator[Finding]:
    """How near each comes; the one that is furthest off of those to the same state of charge."""
    limits = plan_limits(profile, cell, 0.0)
    worst: dict[float, float] = {}
    for one in _counted(profile, cell):
        worst[one.to] = max(worst.get(one.to, 0.0), _error(one, channels, limits))
    for to, error in worst.items():
        words = f"{units.percent(to)} of the measured capacity within {_points(error)}."
        yield Finding(graded(error / MOST_ERROR, _BARELY, 1.0), "state of charge", words)


def _counted(profile: ProfileDocument, cell: CellDocument) -> Iterator[Adjustment]:
    """Without those that cannot be counted at all, which ``foreseen_charge.breaches`` refuses."""
    return (one for one in adjustments(profile, cell) if one.known.is_known)


def _error(one: Adjustment, channels: MeasuringChannels, limits: PlanLimits) -> float:
    return one.known.error(one.to, channels, limits)


def _said(one: Adjustment) -> str:
    return f"state of charge {units.percent(one.to)}"


def _points(error: float) -> str:
    return f"{100.0 * error:.1f} % of the capacity"

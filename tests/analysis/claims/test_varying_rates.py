"""A discharge whose current changes is at no one rate: what it gave lies between two that are."""

from math import inf
from pathlib import Path

import pytest

from drivers.simulated.cell import Cell
from drivers.simulated.truths import parameters_of
from sequencer.analysis.claims.rates import WARMTH, slowed, slowed_from_any
from sequencer.documents.simulation import SimulatedCellDocument
from sequencer.source.loading import load
from sequencer.vocabulary.commands import Direction, Drive, Held

ROOT = Path(__file__).parents[3]
OUT = Direction.DISCHARGE
TRUTHS = ["honest-cylinder-truth", "lamp-pouch-truth"]
CUT_OFF_V = 3.0


def emptied_ah(truth: str, drive: Drive) -> float:
    """What a full simulated cell gives down to the cut-off; its current follows every second."""
    document = load(ROOT / f"sim_configs/cells/{truth}.yaml", SimulatedCellDocument).document
    cell = Cell(parameters_of(document), 1.0, 25.0)
    given_ah = 0.0
    while cell.voltage_v > CUT_OFF_V:
        amps = drive.current_at(cell.voltage_v)
        cell.disconnect(-amps)
        cell.advance(1.0)
        given_ah += amps / 3600.0
    return given_ah


@pytest.mark.parametrize("truth", TRUTHS)
@pytest.mark.parametrize(
    "drive",
    [
        Drive(OUT, 6.0 / CUT_OFF_V, CUT_OFF_V, Held.POWER, 6.0),
        Drive(OUT, 4.2 / 2.5, CUT_OFF_V, Held.RESISTANCE, 2.5),
    ],
    ids=["power", "resistance"],
)
def test_what_a_varying_discharge_gives_lies_between_its_slowest_and_its_fastest(truth, drive):
    """The claim's span stands on this; nothing of it is a fit (simulated truth)."""
    ends = [drive.current_at(volts) for volts in (4.2, CUT_OFF_V)]
    least, most = (emptied_ah(truth, Drive(OUT, amps, CUT_OFF_V)) for amps in sorted(ends))
    given = emptied_ah(truth, drive)
    assert (1.0 - WARMTH) * most <= given <= (1.0 + WARMTH) * least
    assert most < 0.999 * least


def test_the_span_of_a_varying_rate_holds_the_spans_of_both_ends():
    """A claim between the two rates may be missed either way; above 1 C one side is open."""
    low, high = slowed_from_any((0.4, 0.6), 0.5)
    assert low + WARMTH == pytest.approx(slowed(0.4, 0.5)[0])
    assert high - WARMTH == pytest.approx(slowed(0.6, 0.5)[1])
    assert low < 0.0 < high
    assert slowed_from_any((0.8, 1.2), 0.5)[1] == inf

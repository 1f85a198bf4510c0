"""A cell that does not last: the cycle life sees it, ends by it, and says so of the claim."""

from pathlib import Path

from sequencer.analysis.results import VerdictWord
from tests.nights.shelf import ROOT, demonstrated


def test_a_cell_that_fades_ends_its_cycle_life_and_has_not_the_cycles_claimed(tmp_path: Path):
    """An eighth and a little less a full cycle: from one reference to the next the cell is charged
    and discharged twice, not quite to both ends, and 0.88 squared are 77.4 % (worked here). What
    the fresh cell gave stands at the top, and what is lost a cycle."""
    shown = demonstrated("cycle-life", tmp_path, ROOT / "sim_configs/benches/fading.yaml")
    (loop,) = shown.sheet.loops
    assert [one.number for one in loop.passes] == [1, 2]
    retention = loop.passes[1].retention
    assert retention is not None
    assert 0.774 < retention < 0.792
    assert "at or below 80 %" in loop.ended_by
    cycles = next(one for one in shown.analysis.verdicts if one.what == "cycle life")
    assert cycles.word is VerdictWord.NOT_SUPPORTED
    assert cycles.measured + 1.96 * cycles.standard_uncertainty > 1.7
    assert cycles.measured <= 2.0
    fade = shown.analysis.figure("fade.share.0.2-C")
    assert 0.093 < fade.value < 0.1003  # a line over four cycles, 0.774**2 to 0.792**2 left
    top = [one.key for one in shown.analysis.figures if one.headline]
    assert {"capacity.discharge.3", "capacity.discharge.7", "fade.share.0.2-C"} <= set(top)
    assert not {"capacity.discharge.11", "capacity.discharge.15"} & set(top)
    rated = next(one for one in shown.analysis.verdicts if one.what == "capacity")
    assert rated.figure == "capacity.discharge.3"

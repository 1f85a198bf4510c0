"""What a full cell gave in several steps, by closed forms; a device's trace on the twin is in
``tests/nights/test_golden.py``."""

import pytest

from sequencer.analysis.analyse import analyse
from sequencer.analysis.passages import MOST_TOLD
from tests.analysis.pretending import Part, cell, discharge, ran, rest
from tests.analysis.test_analyse import empty, full, line, value
from tests.analysis.uncertainty import pretended

KNOWN = {"bench": pretended.bench(), "definitions": pretended.definitions()}


def lamp(*, cut_off_v: float = 2.8) -> list[Part]:
    """Bright for 6 min, dim for 9, a rest of 1 min, and bright until the cut-off after 3 min."""
    bright = discharge(2.0, 360.0, line(4.2, 3.8, 360.0), 10.0)._replace(reason="time 6 min")
    dim = discharge(0.5, 540.0, line(3.8, 3.6, 540.0), 10.0)._replace(reason="time 9 min")
    last = discharge(2.0, 180.0, line(3.6, cut_off_v, 180.0), 10.0, cut_off_v=cut_off_v)
    return [bright, dim, rest(60.0, 3.65), last, rest(60.0, 3.0)]


def test_charge_energy_and_time_of_all_steps():
    """2 A for 540 s and 0.5 A for 540 s are 0.375 Ah; on straight lines 4.0 V, 3.7 V and 3.2 V are
    the means; 1140 s with the rest."""
    found = analyse(ran([*full(), *lamp()], cell=cell(), **KNOWN))
    told = [one for one in found.figures if one.key.startswith("from-full.")]
    assert [one.key for one in told] == [
        "from-full.charge.6", "from-full.energy.6", "from-full.time.6",
    ]  # fmt: skip
    charge, energy, lasted = told
    wh = (2.0 * 360.0 * 4.0 + 0.5 * 540.0 * 3.7 + 2.0 * 180.0 * 3.2) / 3600.0
    assert charge.low < 0.375 < charge.high
    assert charge.value == pytest.approx(0.375, rel=0.01)
    assert energy.low < wh < energy.high
    assert lasted.value == pytest.approx(1140.0, abs=10.0)
    assert lasted.low < 1140.0 < lasted.high
    assert charge.label == "Charge from full down to 2.80 V, in 3 steps"
    assert charge.conditions["rate_low_c"] == pytest.approx(0.2)
    assert charge.conditions["rate_high_c"] == pytest.approx(0.8)
    assert all(one.headline for one in told)


def test_one_curve_shows_all_steps_and_none_has_its_own():
    """Over the charge of 0.375 Ah that they gave together; the rest adds none. A single discharge
    keeps its own curves."""
    found = analyse(ran([*full(), *empty(), *full(), *lamp()], cell=cell()))
    (curve,) = (one for one in found.curves if one.key == "voltage.from-full.10")
    assert curve.label == "From full, in 3 steps (steps 7 to 10)"
    assert curve.x[-1] == pytest.approx(0.375, rel=0.01)
    assert (curve.x[1:] >= curve.x[:-1]).all()
    assert curve.y[0] == pytest.approx(4.2, abs=0.02)
    assert curve.y[-1] == pytest.approx(2.8, abs=0.02)
    own = {one.key for one in found.curves if one.key.startswith(("voltage.discharge", "energy"))}
    assert own == {"voltage.discharge.3", "energy-by-cut-off.3"}


def test_what_did_not_begin_full_has_no_energy_by_cut_off():
    """What the cell gave down to a voltage counts from a full one."""
    found = analyse(ran(lamp(), cell=cell()))
    keys = {one.key for one in found.curves}
    assert "voltage.discharge.1" in keys
    assert not any(one.startswith(("energy-by-cut-off", "voltage.from-full")) for one in keys)


def test_beside_a_capacity_it_is_no_headline():
    """A complete discharge says more; one single discharge is told as a capacity alone."""
    found = analyse(ran([*full(), *empty(), *full(), *lamp()], cell=cell()))
    assert value(found, "from-full.charge.10") == pytest.approx(0.375, rel=0.01)
    assert not any(one.headline for one in found.figures if one.key.startswith("from-full."))
    assert found.figure("from-full.charge.3") is None


@pytest.mark.parametrize(
    "steps",
    [
        [*full(), *lamp(cut_off_v=3.4)],  # to a voltage far above the cut-off of 2.8 V
        lamp(),  # nobody knows how full it was
        [*full(), *lamp()[:1], *full()[:1], *lamp()[1:2]],  # charged on the way
        [*full(), lamp()[0]._replace(reason="tripped"), *lamp()[1:]],  # broken off
    ],
)
def test_what_is_no_way_from_full_to_empty_is_not_told(steps):
    """Begun full, unbroken, down to a recommended cut-off."""
    found = analyse(ran(steps, cell=cell()))
    assert not [one for one in found.figures if one.key.startswith("from-full.")]


def test_of_many_the_first_are_told_and_that_is_said():
    """A year of a device."""
    many = [one for _ in range(MOST_TOLD + 2) for one in (*full(), *lamp())]
    found = analyse(ran(many, cell=cell()))
    told = [one for one in found.figures if one.key.startswith("from-full.time.")]
    assert len(told) == MOST_TOLD
    assert any(said.startswith("2 ways from full down") for said in found.excluded)

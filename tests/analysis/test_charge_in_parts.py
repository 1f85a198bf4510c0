"""A charge that was given in several steps tells what the same charge tells in one."""

import math
from itertools import pairwise

import numpy as np
import pytest

from sequencer.analysis.analyse import analyse
from sequencer.vocabulary.commands import Direction
from tests.analysis.pretending import Part, cell, every, ran, rest
from tests.analysis.test_analyse import empty, full, value

CUTS_S = (1200.0, 2400.0)
"""Where the charge of 54 minutes at 1 C and a taper is parted."""


def in_parts(whole: Part, *, at: tuple[float, ...] = CUTS_S) -> list[Part]:
    """The same charge as several; all but the last end by their voltage."""
    edges = [0.0, *at, float(whole.times_s[-1])]
    found = []
    for low, high in pairwise(edges):
        times = every(10.0, high - low)
        volts, amps = (lambda t, f=f, low=low: f(low + t) for f in (whole.volts, whole.amps))
        part = whole._replace(times_s=times, volts=volts, amps=amps)
        edge_v = float(whole.volts(np.array([high]))[0])
        ended = f"voltage at or above {edge_v:.3f} V"
        found.append(part if high == edges[-1] else part._replace(name="CC charge", reason=ended))
    return found


def night(*, parted: bool, between: tuple[Part, ...] = ()) -> list[Part]:
    """A discharge between two charges."""
    whole, after = full()
    parts = in_parts(whole) if parted else [whole]
    last = parts if not between else [parts[0], *between, *parts[1:]]
    return [*parts, after, *empty(), *last, after]


@pytest.mark.parametrize("name", ["capacity.charge", "energy.charge", "cv-charge", "cv-share"])
def test_it_is_told_as_the_one_charge_that_it_is(name):
    """Under the number of its last step: 2.25 Ah at 2.5 A and a taper, all by closed forms."""
    one = analyse(ran(night(parted=False), cell=cell()))
    parted = analyse(ran(night(parted=True), cell=cell()))
    assert value(parted, f"{name}.9") == pytest.approx(value(one, f"{name}.5"), rel=2e-3)
    told = parted.figure(f"{name}.9")
    assert any("put in by steps 7 to 9" in flag for flag in told.flags), told.flags


def test_it_has_an_efficiency_with_the_discharge_before_it():
    """2.5 Ah out, and what the charge of one step would have: the same figure."""
    one = analyse(ran(night(parted=False), cell=cell()))
    parted = analyse(ran(night(parted=True), cell=cell()))
    wanted = value(one, "efficiency.coulombic.3")
    assert value(parted, "efficiency.coulombic.5") == pytest.approx(wanted, rel=2e-3)
    assert value(parted, "efficiency.energy.5") == pytest.approx(
        value(one, "efficiency.energy.3"), rel=2e-3
    )


def test_a_rest_between_makes_two_charges_of_it():
    """Nothing is then told of a charge from empty to full."""
    found = analyse(ran(night(parted=True, between=(rest(60.0, 4.0),)), cell=cell()))
    assert not [one for one in found.figures if one.key.startswith("capacity.charge")]


def test_no_part_is_said_to_have_taken_the_cell_from_empty_to_full():
    """No charge time either, and that is said; each current counts for as long as it flowed."""
    found = analyse(ran(night(parted=True), cell=cell()))
    assert not [one for one in found.figures if one.key.startswith("charge-time")]
    assert any("no charge time" in said for said in found.excluded)
    carried = found.figure(f"highest-current.{Direction.CHARGE.value}")
    assert carried is not None
    assert "whole" not in carried.conditions
    assert float(carried.conditions["held_s"]) < 1300.0


def test_its_parts_follow_each_other_on_one_line():
    """One curve of voltage against charge, from where the first began to what all put in."""
    found = analyse(ran(night(parted=True), cell=cell()))
    curves = [one for one in found.curves if one.key.startswith("voltage.charge")]
    assert [one.key for one in curves] == ["voltage.charge.3", "voltage.charge.9"]
    assert curves[0].x[-1] == pytest.approx(value(found, "charge-moved.charge.3"), rel=2e-3)
    assert (np.diff(curves[0].x) >= 0.0).all()
    assert "(steps 1 to 3)" in curves[0].label


def test_a_step_that_the_supply_ended_early_filled_nothing():
    """A constant-current charge whose current only began to fall is no full one, however high its
    voltage; what follows it without a rest goes on with the same charge."""
    whole, after = full()
    first, *_, last = in_parts(whole, at=(3000.0,))
    first = first._replace(
        reason="termination current 2.25 A",
        sentence="Charge at 2.5 A until the voltage has risen to 4.2 V",
    )
    found = analyse(ran([first, last, after, *empty(), whole, after], cell=cell()))
    assert math.isfinite(value(found, "capacity.discharge.4"))
    assert value(found, "charge-moved.charge.2") == pytest.approx(2.25 + 0.55 * 0.277777, rel=1e-3)


@pytest.mark.parametrize(("end_s", "is_one"), [(3240.0, True), (2700.0, False)])
def test_a_charge_that_ends_at_its_voltage_and_holds_none_is_one_too(end_s, is_one):
    """54 minutes at 1 C come to 4.2 V; after 45 nobody says that the parts belong together."""
    whole, after = full()
    times = every(10.0, end_s)
    brief = whole._replace(times_s=times, name="CC charge", reason="voltage at or above 4.200 V")
    parts = in_parts(brief, at=(1200.0, 2400.0))
    found = analyse(ran([whole, after, *empty(), *parts, after], cell=cell()))
    moved = {one.key: one.value for one in found.figures if one.key.startswith("charge-moved")}
    keys = [f"charge-moved.charge.{number}" for number in (5, 6, 7)]
    assert [key in moved for key in keys] == ([False, False, True] if is_one else [True] * 3)
    assert sum(moved.get(key, 0.0) for key in keys) == pytest.approx(2.5 * end_s / 3600, rel=2e-3)
    assert not [key for key in ("capacity.charge.7", "charge-time.7") if found.figure(key)]

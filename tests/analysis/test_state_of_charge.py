"""The state of charge that a step reached, by closed forms; nights with a true one are in
``tests/nights/test_stored.py``."""

import math
from dataclasses import replace

import numpy as np
import pytest

from sequencer.analysis.analyse import analyse
from sequencer.analysis.results import ChargeCounted
from sequencer.analysis.state_of_charge import (
    CHANGED_SAID,
    GOES_ON,
    MOST_TOLD,
    NOT_STORED_SAID,
    REPEATED_SAID,
    TAPER_SAID,
    WARMTH_SAID,
)
from sequencer.plan.foreseen_charge import FALLS_WITHIN_S, REPEATED
from tests.analysis.pretending import Part, cell, charge, discharge, ends_of, ran, steady
from tests.analysis.test_analyse import empty, full, line
from tests.analysis.uncertainty import pretended

KNOWN = {"bench": pretended.bench(), "definitions": pretended.definitions()}
DOWN = discharge(2.5, 1800.0, line(4.2, 3.6, 1800.0), 10.0)._replace(reason="charge 1.25 Ah")
UP = charge(steady(2.5), 1800.0, line(2.8, 3.6, 1800.0), 10.0)._replace(reason="charge 1.25 Ah")
FROM_FULL = [*full(), *empty(), *full(), DOWN]
FROM_EMPTY = [*full(), *empty(), UP]
COUNTED = ChargeCounted(0.5, 2.5, 2.5, 2.8, measured_in=3, from_share=1.0, since=5)
EMPTY = COUNTED._replace(from_share=0.0, since=3)


def reached(parts: list[Part], counted: ChargeCounted, **more: object):
    """What is told of the last step."""
    ends = ends_of(parts)
    last = max(ends)
    ends[last] = replace(ends[last], counted=counted)
    found = analyse(ran(parts, cell=cell(), step_ends=ends, **more))
    return found, found.figure(f"state-of-charge.reached.{last}")


def share(figure, source: str) -> float:
    """What a source of error adds (standard)."""
    return sum(one.standard for one in figure.contributions if one.source == source)


@pytest.mark.parametrize(("parts", "counted"), [(FROM_FULL, COUNTED), (FROM_EMPTY, EMPTY)])
def test_it_is_counted_in_shares_of_the_measured_capacity(parts, counted):
    """2.5 Ah were measured, and 1.25 Ah flow: 50 %, from full and from empty."""
    _, figure = reached(parts, counted, **KNOWN)
    assert figure.value == pytest.approx(0.5, abs=0.005)
    assert figure.headline
    assert figure.low < 0.5 < figure.high
    assert share(figure, REPEATED_SAID) == pytest.approx(REPEATED / math.sqrt(3.0))


def test_charge_that_is_put_in_may_not_all_be_stored():
    """1 % of 1.25 Ah in 2.5 Ah; of a cell that was only emptied nothing."""
    _, up = reached(FROM_EMPTY, EMPTY, **KNOWN)
    _, down = reached(FROM_FULL, COUNTED, **KNOWN)
    assert share(up, NOT_STORED_SAID) == pytest.approx(0.01 * 0.5 / math.sqrt(3.0), rel=1e-3)
    assert share(down, NOT_STORED_SAID) == 0.0


def test_a_common_error_of_the_load_cancels():
    """Its gain is in what was taken out and in the capacity: half of 0.2 % is left, and not all of
    it twice. The offset of 5 mA flows for the hour and the half hour."""
    _, figure = reached(FROM_FULL, COUNTED, **KNOWN)
    assert share(figure, "load, current gain") < 1e-5


def test_another_end_of_the_charge_counts():
    """0.25 A for the capacity, 0.5 A now: they are FALLS_WITHIN_S apart."""
    whole = FROM_FULL[4]
    shorter = whole._replace(amps=lambda t: np.maximum(whole.amps(t), 0.5))
    parts = [*FROM_FULL[:4], shorter, *FROM_FULL[5:]]
    _, alike = reached(FROM_FULL, COUNTED, **KNOWN)
    _, other = reached(parts, COUNTED, **KNOWN)
    expected = 0.25 * FALLS_WITHIN_S / 3600.0 / 2.5 / math.sqrt(3.0)
    assert share(other, TAPER_SAID) == pytest.approx(expected, rel=0.02)
    assert share(alike, TAPER_SAID) == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(("later_c", "apart_k"), [(35.0, 10.0), (25.0, 0.0), (math.nan, 5.0)])
def test_a_full_cell_in_another_warmth_counts(later_c, apart_k):
    """0.25 A for 1000 s, 5 % of it a K: full at 25 degC when its capacity was measured. Where no
    sensor tells, 5 K are supposed; a count from empty, right behind that, knows of none."""
    ends = ends_of(FROM_FULL)
    ends[7] = replace(ends[7], counted=COUNTED)
    given = ran(FROM_FULL, cell=cell(), step_ends=ends, **KNOWN)
    warm = np.where(given.table.step < 4, 25.0, later_c)
    found = analyse(replace(given, table=replace(given.table, surface_c=warm)))
    expected = 0.05 * apart_k * 0.25 * FALLS_WITHIN_S / 3600.0 / 2.5 / math.sqrt(3.0)
    figure = found.figure("state-of-charge.reached.7")
    assert share(figure, WARMTH_SAID) == pytest.approx(expected, rel=0.02, abs=1e-9)
    _, from_empty = reached(FROM_EMPTY, EMPTY, **KNOWN)
    assert share(from_empty, WARMTH_SAID) == 0.0


def test_what_went_on_past_the_cut_off_counts():
    """The capacity was 2.4 Ah at its cut-off, and 0.1 Ah more were taken out before it was off."""
    counted = EMPTY._replace(capacity_ah=2.4)
    _, figure = reached(FROM_EMPTY, counted, **KNOWN)
    assert figure.value == pytest.approx((1.25 - 0.1) / 2.4, abs=0.005)


def test_a_capacity_of_another_run_is_told_as_that():
    """The run was resumed; its own readings do not hold it."""
    _, figure = reached(FROM_FULL, COUNTED._replace(measured_in=0), **KNOWN)
    assert any("before the run went on" in flag for flag in figure.flags)
    assert share(figure, TAPER_SAID) > 0.0


def test_where_the_cell_stood_unknown_nothing_is_told_and_that_is_said():
    """No number of an account that a break ended."""
    found, figure = reached(FROM_FULL, COUNTED._replace(since=0, from_share=math.nan))
    assert figure is None
    assert any("no state of charge" in said for said in found.excluded)


def test_without_a_bench_its_uncertainty_is_not_known():
    """The value stands."""
    _, figure = reached(FROM_FULL, COUNTED)
    assert figure.value == pytest.approx(0.5, abs=0.005)
    assert not math.isfinite(figure.standard_uncertainty)


@pytest.mark.parametrize(("part", "is_told"), [(1.0, False), (0.99, False), (0.9, True)])
def test_a_cell_that_takes_another_charge_than_was_measured_is_told(part, is_told):
    """2.4 Ah by the charge of ``full`` where 2.4 Ah were measured, and a tenth less: what neither
    the instruments nor 1 % that is not stored explain is doubt of the share."""
    parts = [*full(), *empty(seconds=3456.0), *full(amps=2.5 * part), DOWN]
    _, figure = reached(parts, COUNTED._replace(capacity_ah=2.4), **KNOWN)
    assert any("took" in flag for flag in figure.flags) is is_told
    lacking = GOES_ON * 0.1 * (1.0 - 0.01 * 0.9) if is_told else 0.0
    least, most = 0.7 * lacking / math.sqrt(3.0), lacking / math.sqrt(3.0)
    assert least <= share(figure, CHANGED_SAID) <= most


def test_of_many_the_first_and_the_last_are_told_and_that_is_said():
    """A loop may come to a state of charge ten thousand times."""
    parts = [*FROM_FULL, *[DOWN] * MOST_TOLD]
    ends = ends_of(parts)
    counted = [number for number in ends if number >= len(FROM_FULL)]
    ends |= {number: replace(ends[number], counted=COUNTED) for number in counted}
    found = analyse(ran(parts, cell=cell(), step_ends=ends))
    told = [one for one in found.figures if one.key.startswith("state-of-charge.reached.")]
    assert len(told) == MOST_TOLD
    assert [one.step for one in told if one.headline] == [max(ends)]
    assert any(said.startswith("1 more states of charge") for said in found.excluded)


def test_a_capacity_that_no_current_measured_is_none():
    """A damaged journal divides nothing by nothing."""
    found, figure = reached(FROM_FULL, COUNTED._replace(measured_at_a=0.0))
    assert figure is None
    assert any("no state of charge" in said for said in found.excluded)

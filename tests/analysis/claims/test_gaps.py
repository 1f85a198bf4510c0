"""A record with rows lost, repeated or shifted never turns a word, and makes no doubt certain."""

import os
from dataclasses import replace
from functools import cache
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sequencer.analysis import results
from sequencer.analysis.analyse import analyse
from sequencer.analysis.results import VerdictWord
from tests.analysis.claims.figures import cell
from tests.analysis.pretending import (
    Part,
    charge,
    discharge,
    ends_of,
    every,
    pulse,
    ran,
    rest,
    table_of,
)
from tests.analysis.uncertainty.pretended import bench, definitions, sheet

COLUMNS = ("time_s", "voltage_v", "current_a", "voltage_time_s", "current_time_s", "step", "cycle",
           "surface_c", "tab_c", "room_c")  # fmt: skip
PERIOD_S = 10.0
TRUE_AH = 3.0
TRUE_WH = TRUE_AH * (4.15 - 0.52 / 2.0 - 0.63 / 13.0)
"""The integral of ``falling`` over the discharge (closed form)."""
TRUE_MOHM = 32.0 + 2.5 * 10.0**0.5
TERMS = (
    "{rate: 0.2 C, cut-off: 3 V, charge voltage: 4.2 V, termination current: 60 mA, "
    "temperature: 25 degC}"
)
PULSE_TERMS = "{after: 10 s, state of charge: 50 %, temperature: 25 degC}"
FACTORS = (0.97, 0.985, 0.99, 1.0, 1.0005, 1.01, 1.015, 1.03)
"""Claims by the true value: plainly kept, kept, open, not kept, plainly not."""
GOOD_K = 0.05
PLAIN_K = 0.4
"""A thermometer that may be off by so much. With the good one, no claim lies at the threshold of a
word; with the plain one a resistance does: 93.9 %, where 95 % supports it."""
FEW = 16
NIGHTS = int(os.environ.get("NIGHTBENCH_GAPS", FEW))
"""Damaged records: the same in every judgement, others when more are asked for."""


def falling(t):
    """A curve that is flat and has a knee (V): 4.2 V full, 3.0 V after 18,000 s."""
    x = t / 18_000.0
    return 4.15 - 0.52 * x - 0.63 * x**12


def filling(t):
    """At most 1.5 A, then a hold that ends at 60 mA (V)."""
    return np.minimum(3.2 + t / 6480.0, 4.2)


def tapering(t):
    """The current of that charge (A): the hold begins at 6,480 s."""
    return np.where(t < 6480.0, 1.5, 1.5 * np.exp(-(t - 6480.0) / 900.0))


def parts() -> list[Part]:
    """Filled, emptied at 0.2 C, filled, emptied by half, two pulses."""
    put = charge(tapering, 9370.0, filling, PERIOD_S)
    put = put._replace(
        reason="termination current 0.060 A",
        sentence=(
            "Charge at 1.500 A (0.5 C) and hold 4.200 V until the current has fallen to 0.060 A"
        ),
    )
    half = discharge(0.6, 9000.0, falling, PERIOD_S)
    half = half._replace(reason="time 2.5 h", sentence="Discharge at 0.600 A (0.2 C) for 2.5 h")
    one = pulse(
        "discharge", 3.0, every(1.0, 12.0), lambda t: 3.85 - 3.0 * (0.032 + 0.0025 * np.sqrt(t))
    )
    return [
        rest(600.0, 3.2, PERIOD_S), put, rest(600.0, 4.18, PERIOD_S),
        discharge(0.6, 18_000.0, falling, PERIOD_S), rest(600.0, 3.2, PERIOD_S),
        put, rest(600.0, 4.18, PERIOD_S), half, rest(1800.0, 3.85, PERIOD_S),
        one, rest(60.0, 3.85), one, rest(60.0, 3.85),
    ]  # fmt: skip


@cache
def night(*, ours: bool, offset_k: float = GOOD_K) -> results.Tested:
    """That night on a good bench, with claims around what is true."""
    steps = parts()
    claims = [(f"capacity: {one * TRUE_AH:.6f} Ah", TERMS) for one in FACTORS]
    claims += [(f"energy: {one * TRUE_WH:.6f} Wh", TERMS) for one in FACTORS]
    claims += [(f"resistance: {TRUE_MOHM / one:.6f} mOhm", PULSE_TERMS) for one in FACTORS]
    fine = sheet(("0 A", "10 A", "0.1 mA", {"of reading": "0.1 %", "offset": "1 mA"}))
    warm = sheet(("-50 degC", "150 degC", "0.01 K", {"offset": f"{offset_k} K"}))
    table = table_of(steps, ours=ours)
    table = replace(table, room_c=np.full(len(table), 25.0))
    found = results.Tested(
        table,
        cell=cell(*claims),
        bench=bench(),
        definitions=definitions(
            load_current=fine, supply_current=fine, thermometer_temperature=warm
        ),
    )
    if not ours:
        return found
    ended_s = np.cumsum([float(one.times_s[-1]) for one in steps])
    ends = ends_of(steps)
    told = {n: replace(end, ended_s=float(ended_s[n - 1])) for n, end in ends.items()}
    return replace(found, step_ends=told)


def with_rows(tested: results.Tested, rows, shift=0.0) -> results.Tested:
    """The same night with only these rows of its record, their times shifted."""
    table = tested.table
    columns = {name: getattr(table, name)[rows] for name in COLUMNS}
    for name in ("time_s", "voltage_time_s", "current_time_s"):
        columns[name] = columns[name] + shift
    return replace(tested, table=replace(table, **columns))


def words(tested: results.Tested) -> list[VerdictWord]:
    """The word of every claim."""
    return [one.word for one in analyse(tested).verdicts]


@cache
def whole_words(*, ours: bool, offset_k: float = GOOD_K) -> tuple[VerdictWord, ...]:
    """What the record without damage says."""
    return tuple(words(night(ours=ours, offset_k=offset_k)))


def turned(before, after) -> list[str]:
    """Every verdict that became its opposite, and every doubt that became certain."""
    certain = (VerdictWord.SUPPORTED, VerdictWord.NOT_SUPPORTED)
    return [
        f"claim {number}: {one.value} became {two.value}"
        for number, (one, two) in enumerate(zip(before, after, strict=True), start=1)
        if two in certain and two is not one
    ]


@pytest.mark.parametrize("ours", [True, False], ids=["our record", "a foreign record"])
def test_the_whole_record_tells_all_three_words(ours):
    """The claims are worth judging: there is something to turn."""
    found = whole_words(ours=ours)
    for first in (0, 8, 16):
        seen = set(found[first : first + 8])
        assert {VerdictWord.SUPPORTED, VerdictWord.NOT_SUPPORTED, VerdictWord.CANNOT_TELL} <= seen


@pytest.mark.parametrize("ours", [True, False], ids=["our record", "a foreign record"])
@pytest.mark.parametrize("begins_s", [9970.0, 14_000.0, 21_000.0, 27_000.0, 28_270.0, 28_500.0])
def test_a_gap_of_300_s_changes_no_verdict(ours, begins_s):
    """At the beginning, in the middle, in the knee and across the end of the discharge."""
    base = night(ours=ours)
    times = base.table.time_s
    kept = np.flatnonzero((times < begins_s) | (times > begins_s + 300.0))
    assert len(kept) < len(times)
    assert not turned(whole_words(ours=ours), words(with_rows(base, kept)))


def test_a_gap_in_our_own_record_changes_no_verdict_at_all():
    """The current was commanded and stands on both sides: what flowed is known."""
    base = night(ours=True)
    times = base.table.time_s
    kept = np.flatnonzero((times < 14_000.0) | (times > 14_300.0))
    assert tuple(words(with_rows(base, kept))) == whole_words(ours=True)
    figure = analyse(with_rows(base, kept)).figure("capacity.discharge.4")
    assert figure.value == pytest.approx(analyse(base).figure("capacity.discharge.4").value)
    assert any("not recorded" in flag for flag in figure.flags)


@pytest.mark.parametrize("ours", [True, False], ids=["our record", "a foreign record"])
def test_more_than_5_percent_bridged_gives_no_capacity_and_it_is_said(ours):
    """1,000 s of 18,000 are lost."""
    base = night(ours=ours)
    times = base.table.time_s
    kept = np.flatnonzero((times < 14_000.0) | (times > 15_000.0))
    found = analyse(with_rows(base, kept))
    assert found.figure("capacity.discharge.4") is None
    assert any("not recorded" in told and "no capacity" in told for told in found.excluded)


class Damage(NamedTuple):
    """What happens to a record: rows lost one by one (by that share), blocks of rows lost, rows
    written twice, and times shifted by a part of the period: of each row's own, or the shortest."""

    alone: float
    blocks: tuple[tuple[int, int], ...]
    twice: float
    shift: float
    own_period: bool
    seed: int


SHIFTED_AT_A_PULSE = Damage(0.1, (), 0.0, 0.5, own_period=False, seed=116)
"""The row at the edge of the first pulse is lost, and all times are half a second late."""


@cache
def count_of(*, ours: bool) -> int:
    """Rows of the whole record."""
    return len(night(ours=ours).table)


def damages(*, ours: bool) -> st.SearchStrategy[Damage]:
    """Any damage: blocks of up to 80 rows lie near an edge, where they hurt most, or anywhere."""
    count = count_of(ours=ours)
    edges = (np.flatnonzero(np.diff(night(ours=ours).table.step)) + 1).tolist()
    near = st.builds(
        lambda edge, off: max(edge + off, 0), st.sampled_from(edges), st.integers(-80, 5)
    )
    block = st.tuples(st.one_of(near, st.integers(0, count - 1)), st.integers(1, 80))
    return st.builds(
        Damage,
        alone=st.sampled_from((0.0, 0.001, 0.01, 0.1, 0.3)),
        blocks=st.lists(block, max_size=4).map(tuple),
        twice=st.sampled_from((0.0, 0.05)),
        shift=st.floats(-0.5, 0.5),
        own_period=st.booleans(),
        seed=st.integers(0, 2**16),
    )


def spoiled(damage: Damage, base: results.Tested) -> results.Tested:
    """The record after that damage."""
    rng, rows = np.random.default_rng(damage.seed), np.arange(len(base.table))
    rows = rows[rng.random(len(rows)) >= damage.alone]
    for first, size in damage.blocks:
        rows = rows[(rows < first) | (rows >= first + size)]
    rows = np.repeat(rows, 1 + (rng.random(len(rows)) < damage.twice))
    period = np.where(base.table.step[rows] >= 10, 1.0, PERIOD_S)
    return with_rows(base, rows, damage.shift * (period if damage.own_period else 1.0))


def test_a_step_that_has_lost_all_its_rows_still_ended():
    """The end of the charge, all of the rest and the start of the discharge are lost: once the
    discharge was taken to begin at the end of the charge, 3.1 Ah for 3.0 and six words turned."""
    damage = Damage(0.0, ((978, 80),), 0.0, 0.0, own_period=False, seed=0)
    base = night(ours=True)
    assert not turned(whole_words(ours=True), words(spoiled(damage, base)))


@pytest.mark.parametrize(
    ("ours", "offset_k"),
    [(True, GOOD_K), (True, PLAIN_K), (False, GOOD_K)],
    ids=["our record", "our record, a claim at the threshold", "a foreign record"],
)
def test_no_damage_to_the_rows_changes_a_verdict(ours, offset_k):
    """Any damage, each with 24 claims: no word becomes its opposite, no doubt becomes certain."""
    base = night(ours=ours, offset_k=offset_k)
    before = whole_words(ours=ours, offset_k=offset_k)

    @settings(max_examples=NIGHTS, deadline=None, derandomize=NIGHTS == FEW)
    @given(damages(ours=ours))
    @example(SHIFTED_AT_A_PULSE)
    def holds(damage: Damage) -> None:
        assert not turned(before, words(spoiled(damage, base)))

    holds()


def pulsed(kept, shift_s: float = 0.0) -> results.Figure:
    """The resistance of the first pulse where its rows are those, by their seconds after the edge,
    and the record's times are shifted."""
    base = night(ours=True)
    step, began_s = base.table.step, base.step_ends[9].ended_s
    after_s = base.table.time_s - began_s
    figure = analyse(with_rows(base, np.flatnonzero((step != 10) | kept(after_s)), shift_s)).figure(
        "resistance.pulse.10.10s"
    )
    assert figure is not None
    return figure


def unseen(figure: results.Figure) -> float:
    """By which share it may be off for what was not read."""
    return float(figure.conditions.get("unseen_share", 0.0))


@pytest.mark.parametrize("shift_s", [-0.5, -0.3, 0.0, 0.3, 0.5])
def test_a_pulse_whose_first_row_is_lost_leaves_its_edge_open_by_half_a_period(shift_s):
    """Its edge is known by the journal's clock only; what the reading then misses of the true
    value is held by what is called open, in full."""
    figure = pulsed(lambda after_s: after_s > 0.0, shift_s)
    off = abs(1000.0 * figure.value / TRUE_MOHM - 1.0)
    assert off <= unseen(figure) < 0.01
    assert off > 0.001 or abs(shift_s) < 0.2


@pytest.mark.parametrize("kept", [(8.0, 12.0), (6.0, 11.0), (9.0, 13.0)])
def test_a_reading_that_is_lost_at_the_time_of_a_resistance_leaves_it_open(kept):
    """The voltage is interpolated between its neighbours, and the curve between them is not known.
    The true one (a square root of time) lies within what is called open."""
    low, high = kept
    figure = pulsed(lambda after_s: (after_s <= low) | (after_s >= high))
    whole = pulsed(lambda after_s: after_s >= 0.0)
    assert unseen(whole) == 0.0
    off = abs(1000.0 * figure.value / TRUE_MOHM - 1.0)
    assert 1e-4 < off <= unseen(figure) < 0.02


def test_a_pulse_that_ends_sooner_leaves_its_resistance_open():
    """The last reading, after 9.6 s, stands for the one after 10 s: by how much the voltage would
    have moved on is open."""
    one = pulse("discharge", 3.0, every(0.8, 9.6), lambda t: 3.85 - 3.0 * (0.032 + 0.0025 * t**0.5))
    found = analyse(ran([rest(60.0, 3.85), one, rest(60.0, 3.85)]))
    figure = found.figure("resistance.pulse.2.10s")
    assert figure is not None
    off = abs(1000.0 * figure.value / TRUE_MOHM - 1.0)
    assert 0.003 < off <= unseen(figure) < 0.02

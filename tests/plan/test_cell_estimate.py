"""Where the cell may stand in the maker's table, and its lowest row: never above the truth."""

from math import inf, isclose, nan
from random import Random

import pytest

from sequencer.plan.cell_estimate import CellEstimate
from sequencer.plan.soc_range import ANYWHERE, AT_VOLTAGE, CAPACITY_DOUBT, TAPERED, SocRange
from sequencer.vocabulary.commands import CurrentLimitRow, Direction, Drive
from sequencer.vocabulary.measuring_channels import ABSENT, Channel
from tests.builders import CHANNELS, LIMITS, S, sample
from tests.plan.followed_cells import DrawnCell

IN, OUT = Direction.CHARGE, Direction.DISCHARGE
UNKNOWN = CellEstimate(LIMITS, CHANNELS)
CELLS = 25


def test_no_drawn_cell_is_set_above_its_table():
    """A sample of what ``python -m tests.plan.followed_cells`` draws by the ten thousand."""
    cells = [DrawnCell(seed) for seed in range(CELLS)]
    assert [cell.first_above() for cell in cells] == [None] * CELLS
    assert sum(cell.counted for cell in cells) > 1000 * CELLS


def test_the_optimistic_edge_is_above_the_table_of_many(monkeypatch):
    """The same draws find a current that is taken from the kindest corner of the estimate."""

    def kindest(estimate: CellEstimate, drive: Drive) -> float:
        corners = ((at, c) for at in estimate.soc for c in (estimate.low_c, estimate.high_c))
        return max(
            min(
                (
                    row.current_a
                    for row in drive.table
                    if row.soc_from <= at <= row.soc_to
                    and row.temperature_from_c <= celsius <= row.temperature_to_c
                ),
                default=inf,
            )
            for at, celsius in corners
        )

    monkeypatch.setattr(CellEstimate, "lowest_a", kindest)
    found = [DrawnCell(seed).first_above() for seed in range(12)]
    assert sum(one is not None for one in found) >= 3


def test_charge_is_counted_between_readings_with_the_error_of_the_ammeter():
    """An hour at 1 A of a cell of 3 Ah: a third more, and 7 mA and 0.8 mA to either side (0.2 %,
    5 mA and a count); nothing before the first reading."""
    known = UNKNOWN._replace(soc=SocRange(0.4, 0.5))
    first = known.after(sample(100, 3.7, 1.0), IN)
    assert first.soc == known.soc
    after = first.after(sample(3700, 3.7, 1.0), IN).soc
    error = 0.002 + 0.006
    assert isclose(after.low, 0.4 + (1.0 - error) / 3.0 / CAPACITY_DOUBT)
    assert isclose(after.high, 0.5 + (1.0 + error) / 3.0 * CAPACITY_DOUBT)
    back = first.after(sample(3700, 3.7, -1.0), OUT).soc
    assert back.low == 0.0
    assert back.high == after.high  # between 1 A and -1 A it may have been either


@pytest.mark.parametrize(("was", "now"), [(1.0, 3.0), (3.0, 1.0), (-3.0, 1.0), (1.0, -3.0)])
def test_between_two_readings_it_may_have_been_either_with_the_larger_error(was, now):
    """Six minutes between 1 A and 3 A, or through nothing: 12 mA to either side (0.2 % of 3 A)."""
    first = UNKNOWN._replace(soc=SocRange(0.4, 0.5)).after(sample(100, 3.7, was), IN)
    after = first.after(sample(460, 3.7, now), IN).soc
    least, most = min(was, now) - 0.012, max(was, now) + 0.012
    doubt = CAPACITY_DOUBT if least < 0.0 else 1.0 / CAPACITY_DOUBT
    assert isclose(after.low, 0.4 + least * 0.1 / 3.0 * doubt)
    assert isclose(after.high, 0.5 + most * 0.1 / 3.0 * CAPACITY_DOUBT)
    fine = CHANNELS._replace(supply_a=Channel(True))  # the coarser of the two counts
    assert first._replace(channels=fine).after(sample(460, 3.7, now), IN).soc == after


@pytest.mark.parametrize("fields", [{"current_a": nan}, {"current_at_ns": 100 * S}])
def test_what_was_not_read_anew_is_not_counted(fields):
    """It is counted when the next reading comes, over the whole time."""
    first = UNKNOWN._replace(soc=SocRange(0.4, 0.5)).after(sample(100, 3.7, 1.0), IN)
    stale = first.after(sample(3000, 3.7, 1.0)._replace(**fields), IN)
    assert stale.soc == first.soc
    last = sample(3700, 3.7, 1.0)
    assert stale.after(last, IN).soc == first.after(last, IN).soc


ENDS = UNKNOWN._replace(limits=LIMITS._replace(full_v=4.2, empty_v=3.0))


@pytest.mark.parametrize(
    ("volts", "amps", "way", "charge"),
    [
        (4.2, 0.2, IN, SocRange(0.9, 1.0)),
        (AT_VOLTAGE * 4.2, TAPERED * LIMITS.rated_ah, IN, SocRange(0.9, 1.0)),
        (4.2, 0.4, IN, ANYWHERE),
        (4.1, 0.2, IN, ANYWHERE),
        (3.0, -1.0, OUT, SocRange(0.0, 0.5)),
        (3.0, -1.6, OUT, ANYWHERE),
        (3.1, -1.0, OUT, ANYWHERE),
        (2.9, 0.0, Direction.REST, ANYWHERE),
    ],
)
def test_it_is_narrowed_as_the_interlock_narrows_its_own(volts, amps, way, charge):
    """A cell at its charge voltage with hardly any current is full: two samples show it."""
    first = ENDS.after(sample(1, volts, amps), way)
    assert first.soc == ANYWHERE
    assert first.after(sample(1.1, volts, amps), way).soc.low == pytest.approx(charge.low, abs=1e-4)
    assert first.after(sample(1.1, volts, amps), way).soc.high == pytest.approx(
        charge.high, abs=1e-4
    )


@pytest.mark.parametrize("old", ["current_at_ns", "voltage_at_ns"])
def test_readings_from_before_and_after_a_switch_show_nothing_together(old):
    """A load is switched on: the voltage has sagged below the cut-off, and the current is still
    read as none. Or it was lowered: the voltage is still the one of before. The cell is not
    emptier for that, however often such a sample comes."""
    estimate = ENDS.after(sample(1, 3.4), Direction.REST)
    for at_s in (1.1, 1.2, 1.3):
        mixed = sample(at_s, 2.9, -0.1)._replace(**{old: 1 * S})
        estimate = estimate.after(mixed, OUT)
        assert estimate.soc.high > 0.99
    true = estimate.after(sample(1.4, 2.9, -6.0), OUT)
    assert true.after(sample(1.5, 2.9, -6.0), OUT).soc.high > 0.99


def test_both_readings_have_to_be_newer_than_the_first_that_showed_it():
    """The voltage is read 50 ms behind the current: one of each from behind that shows it."""
    first = ENDS.after(sample(1.1, 4.2, 0.2)._replace(voltage_at_ns=1 * S), IN)
    between = sample(1.2, 4.2, 0.2)._replace(voltage_at_ns=1_050_000_000)
    assert first.after(between, IN).soc.low < 0.1
    assert first.after(sample(1.3, 4.2, 0.2), IN).soc.low == pytest.approx(0.9, abs=1e-4)


def test_a_bound_of_temperature_stays_while_the_reading_moves_a_little():
    """0.6 K of error, 0.2 K of warming within 6 s; and 0.6 K in which nothing is set to and fro."""
    at = lambda estimate, celsius: estimate.after(sample(1, surface_c=celsius), IN)  # noqa: E731
    begun = at(UNKNOWN, 20.0)
    assert (begun.low_c, begun.high_c) == pytest.approx((18.6, 21.4))
    moved = at(begun, 20.3)
    assert (moved.low_c, moved.high_c) == pytest.approx((18.9, 21.4))
    settled = at(moved, 19.7)
    assert (settled.low_c, settled.high_c) == pytest.approx((18.9, 21.1))
    for celsius in (20.2, 19.8, 20.3, 19.7):
        after = at(settled, celsius)
        assert (after.low_c, after.high_c) == pytest.approx((18.9, 21.1))
    warm = at(begun, 22.0)
    assert (warm.low_c, warm.high_c) == pytest.approx((20.6, 22.8))
    cold = at(warm, 19.0)
    assert (cold.low_c, cold.high_c) == pytest.approx((18.2, 20.4))


def test_a_temperature_that_nobody_reads_may_be_any():
    """No sensor on the cell, or none that answers; the tab's where there is none on the surface."""
    blind = UNKNOWN.after(sample(1, surface_c=nan), IN)
    assert (blind.low_c, blind.high_c) == (-inf, inf)
    bare = UNKNOWN._replace(channels=CHANNELS._replace(surface=ABSENT, tab=ABSENT))
    assert bare.after(sample(1), IN).high_c == inf
    tab = UNKNOWN._replace(
        channels=CHANNELS._replace(surface=ABSENT, tab=Channel(True, 0, 0.0, 0.0))
    )
    seen = tab.after(sample(1, surface_c=nan, tab_c=30.0), IN)
    assert (seen.low_c, seen.high_c) == pytest.approx((29.3, 30.7))


@pytest.mark.parametrize(
    ("row", "way", "is_touched"),
    [
        (CurrentLimitRow(IN, 0.5, 0.0, 0.4), IN, True),
        (CurrentLimitRow(IN, 0.5, 0.0, 0.399), IN, False),
        (CurrentLimitRow(IN, 0.5, 0.6, 1.0), IN, True),
        (CurrentLimitRow(IN, 0.5, 0.602, 1.0), IN, True),  # 6 s at 3 A ahead of what is known
        (CurrentLimitRow(IN, 0.5, 0.603, 1.0), IN, False),
        (CurrentLimitRow(OUT, 0.5, 0.0, 0.398), OUT, True),
        (CurrentLimitRow(OUT, 0.5, 0.6, 1.0), OUT, True),
        (CurrentLimitRow(OUT, 0.5, 0.601, 1.0), OUT, False),
        (CurrentLimitRow(IN, 0.5, temperature_to_c=10.0), IN, True),
        (CurrentLimitRow(IN, 0.5, temperature_to_c=9.99), IN, False),
        (CurrentLimitRow(IN, 0.5, temperature_from_c=20.0), IN, True),
        (CurrentLimitRow(IN, 0.5, temperature_from_c=20.01), IN, False),
    ],
)
def test_a_row_counts_as_soon_as_the_estimate_touches_it(row, way, is_touched):
    """Edges included, and what may be charged or taken out until the next current is in force."""
    estimate = UNKNOWN._replace(soc=SocRange(0.4, 0.6), low_c=10.0, high_c=20.0)
    found = estimate.lowest_a(Drive(way, 3.0, 4.2, table=(row,)))
    assert found == (0.5 if is_touched else inf)


def test_the_lowest_of_several_rows_counts():
    """And a drive without a table is bound by none."""
    rows = (CurrentLimitRow(IN, 0.5), CurrentLimitRow(IN, 0.3), CurrentLimitRow(IN, 0.4))
    assert UNKNOWN.lowest_a(Drive(IN, 3.0, 4.2, table=rows)) == 0.3
    assert UNKNOWN.lowest_a(Drive(IN, 3.0, 4.2)) == inf


def test_the_interlocks_range_lies_within_the_estimate():
    """Over drawn currents to and fro, each counted as the interlock counts them: so a current that
    follows the table stays below what the interlock holds."""
    random, per_ns = Random("within"), 1.0 / (3.6e12 * LIMITS.rated_ah)
    for _ in range(20):
        estimate, within, last_ns = UNKNOWN, ANYWHERE, 0
        estimate = estimate._replace(soc=SocRange(0.9, 1.0))
        within, amps = SocRange(0.9, 1.0), 0.0
        for at_s in range(1, 4000, 20):
            if random.random() < 0.05:
                amps = random.choice((-1, 1)) * random.uniform(0.0, 3.0)
            one = sample(at_s, 3.7, amps)
            moved = amps * (one.at_ns - last_ns) * per_ns if last_ns else 0.0
            within = within.moved(moved, moved)
            last_ns, estimate = one.at_ns, estimate.after(one, Direction.REST)
            assert estimate.soc.low <= within.low
            assert within.high <= estimate.soc.high

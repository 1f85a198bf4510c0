"""``current: by table``: the drive, its words, its bounds, what `check` tells of it and refuses."""

import pytest

from sequencer.documents.cell import CellDocument
from sequencer.feasibility.against_bench import find_bench_breaches
from sequencer.plan.in_words import in_words
from sequencer.plan.likely import likely_s
from sequencer.plan.make import make_plan
from sequencer.plan.planned_soc import remarks_on_table
from sequencer.plan.step import Stop, StopKind
from sequencer.source.loading import load_text
from sequencer.vocabulary.commands import CurrentLimitRow, Direction, Drive, Held
from sequencer.vocabulary.faults import DocumentError
from tests.feasibility.benches import bench, definitions, with_capability
from tests.plan.documents import CELL_TEXT, cell, profile, told
from tests.plan.documents import loaded as documented

TABLE = """
current limits:
  - {direction: charge, current: 0.2 C, temperature to: 15 degC}
  - {direction: charge, current: 0.5 C, state of charge from: 80 %}
  - {direction: charge, current: 0.1 C, temperature to: 0 degC}
  - {direction: discharge, current: 1 C, state of charge to: 10 %}
"""
CELL = cell(TABLE)
COLD = CurrentLimitRow(Direction.CHARGE, 0.4, temperature_to_c=15.0)
NEARLY_FULL = CurrentLimitRow(Direction.CHARGE, 1.0, 0.8)
NEARLY_EMPTY = CurrentLimitRow(Direction.DISCHARGE, 2.0, 0.0, 0.1)
FULL = "- {step: charge, current: by table, voltage: recommended, termination current: 0.05 C}\n"
HALF = "- {step: charge, current: by table, until charge: 50 %}\n"
OUT = "- {step: discharge, current: by table, cut-off voltage: recommended}\n"


def planned(steps, of=CELL):
    """The steps of a plan that breaks no rule."""
    assert told(steps, of=of) == []
    return list(make_plan(profile(steps), of))


def test_a_drive_has_the_rows_that_the_cell_may_come_to_stand_in():
    """Those of its direction, within the absolute temperatures; the recommended current is the
    largest, and the lowest row bounds the time."""
    (step,) = planned(FULL)
    assert step.drive == Drive(Direction.CHARGE, 2.0, 4.2, Held.VOLTAGE, table=(COLD, NEARLY_FULL))
    assert step.sentence == (
        "Charge at what the cell's table allows (0.400 A to 2.00 A) to 4.200 V, then hold 4.200 V"
        " until the current has fallen to 0.100 A"
    )
    assert step.bound_s > 2.0 * 1.3 / 0.4 * 3600.0
    assert planned(FULL + OUT)[1].drive.table == (NEARLY_EMPTY,)


def test_a_largest_current_may_be_written_beside_it():
    """Where it is below every row the step is at that current."""
    (step,) = planned(HALF.replace("table", "table, largest current: 50 % of recommended"))
    assert (step.drive.current_a, step.drive.table_a) == (1.0, 0.4)
    (step,) = planned(HALF.replace("table", "table, largest current: 0.1 C"))
    assert step.sentence.startswith("Charge at what the cell's table allows (0.200 A) until")
    steps = """
- step: for each
  rates: [0.1 C, 0.3 C]
  steps: [{step: charge, current: by table, largest current: each rate, until charge: 5 %}]
"""
    assert [one.drive.current_a for one in planned(steps)] == [0.2, 0.6]


def test_a_current_that_is_lowered_is_no_crossing_over_and_no_end():
    """A CC charge ends by a fallen current only below its lowest row; its charge takes as long as
    at that row."""
    (step,) = planned(HALF)
    assert step.stops[-1] == Stop(StopKind.CURRENT_BELOW, 0.4 * 0.9, 3)
    assert step.bound_s == pytest.approx(1.0 / 0.4 * 3600 * 1.01 + 300)
    assert likely_s(planned(HALF + OUT), 2.0) > 1.0 / 0.4 * 3600


def test_what_is_held_behind_a_discharge_is_bounded_too():
    """And so is what goes on at a small current."""
    held = OUT.replace("}", ", termination current: 0.05 C}")
    assert [one.drive.table for one in planned(held)] == [(NEARLY_EMPTY,)] * 2
    two = "cut-off voltage: [{voltage: 3.0 V}, {voltage: 2.8 V, up to: 0.5 C}]"
    lower = CELL_TEXT.replace("cut-off voltage: 3.00 V", two)
    several = load_text(lower + TABLE, "cell.yaml", CellDocument).document
    text = OUT.replace("recommended", "recommended for small currents")
    assert [one.drive.table for one in planned(text, several)] == [(NEARLY_EMPTY,)] * 2


def test_the_plan_says_whether_anything_follows_a_table():
    """The machine and the interlocks count for it only then."""
    plain = HALF.replace("by table", "0.1 C")
    nested = f"- step: repeat\n  times: 2\n  steps:\n  {HALF}"
    for steps, follows in ((HALF, True), (plain, False), (nested, True)):
        assert make_plan(profile(steps), CELL).limits.follows_table is follows


def test_check_tells_between_which_currents_it_follows_and_what_is_not_known():
    """At first every state of charge counts; behind a full charge it is counted."""
    first, second, third = remarks_on_table(profile(HALF + FULL + OUT), CELL)
    known = "always the lowest row anywhere within what is known of state of charge and temperature"
    assert first == (
        f"step 1: CC charge follows the cell's table (0.400 A to 2.00 A): {known}; nothing before"
        " it leaves the cell known to be full or empty: every state of charge counts, and the"
        " lowest of its rows"
    )
    assert second.endswith("counts, and the lowest of its rows")
    assert third == (
        f"step 3: CC discharge follows the cell's table (2.00 A to 4.00 A): {known}; it begins with"
        " a state of charge between 90 % and 100 %, counted from there"
    )


def test_where_only_temperature_counts_nothing_is_said_of_charge():
    """And a table that allows more than the largest current is not followed at all."""
    warm = cell("current limits: [{direction: charge, current: 1.5 C, temperature to: 30 degC}]")
    (line,) = remarks_on_table(profile(HALF), warm)
    assert line.startswith("step 1: CC charge follows the cell's table (2.00 A): always")
    assert line.endswith("state of charge and temperature")


@pytest.mark.parametrize(
    ("steps", "message"),
    [
        (
            OUT.replace("}", ", termination current: 2 A}"),
            "termination current 2.00 A is not below the lowest discharge current of 2.00 A",
        ),
        (
            HALF.replace("table", "table, largest current: 5 A"),
            "charge current 5.00 A is above the cell's absolute limit of 4.00 A",
        ),
    ],
)
def test_what_is_refused_of_it(steps, message):
    """A termination current that a row may be, a largest current beyond the cell's limit."""
    assert message in told(steps, of=CELL)[0]


def test_without_a_row_there_is_nothing_to_follow():
    """For that direction; what is said to write is taken, and followed."""
    (line,) = told(OUT, of=cell("current limits: [{direction: charge, current: 0.3 C}]"))
    begins = "3:32: the cell document gives no limits of discharge current to follow: write your"
    begins += " maker's table into it, in this form: '"
    assert line.startswith(begins)
    assert line.endswith("' <cell: cell>")
    form = line.removeprefix(begins).removesuffix("' <cell: cell>")
    assert told(OUT, of=cell(form)) == []


@pytest.mark.parametrize(
    ("step", "message"),
    [
        (
            "{step: charge, current: 1 A, largest current: 2 A, until charge: 5 %}",
            "bounds a current that follows the table: it needs 'current: by table'",
        ),
        (
            "{step: discharge, power: 5 W, largest current: 2 A, cut-off voltage: 3 V}",
            "bounds a current that follows the table: it needs 'current: by table'",
        ),
        (
            (
                "{step: charge, current: by table, until charge: 5 %,"
                " until slope: {voltage: 10 mV/min, in: 2 min}}"
            ),
            "a current that follows the table makes voltage and warmth leap by itself",
        ),
        (
            "{step: pulse, direction: charge, current: by table, for: 10 s}",
            "'by table': not known here: write a quantity with its unit",
        ),
    ],
)
def test_what_is_refused_without_a_cell(step, message):
    """Each with its place."""
    with pytest.raises(DocumentError) as error:
        documented(f"- {step}")
    (fault,) = error.value.faults
    assert message in str(fault)


def test_an_instrument_that_cannot_set_the_lowest_row_is_refused():
    """The lowest row is what it would have to set."""
    amp = "[{low: 0.3 A, high: 5 A, resolution: 1 mA, accuracy: {offset: 1 mA}}]"
    supply = with_capability("supply", "set current", amp)
    steps = profile(HALF)
    assert find_bench_breaches(steps, CELL, bench(), definitions(supply=supply)) == []
    coarse = with_capability("supply", "set current", amp.replace("0.3", "0.5"))
    (one,) = find_bench_breaches(steps, CELL, bench(), definitions(supply=coarse))
    assert one.message == (
        "charge current 2.00 A is beyond supply, which can set 0.500 A at least, and the table goes"
        " down to 0.400 A"
    )


def test_in_words_without_a_cell():
    """As it was written, or what is recommended."""
    steps = FULL + OUT.replace("table", "table, largest current: 1.5 C")
    assert list(in_words(profile(steps).steps)) == [
        (
            "1. Charge at what the cell's table allows (at most the recommended current) to the"
            " recommended charge voltage, then hold it"
        ),
        "   stops when the current has fallen to 0.05 C",
        "2. Discharge at what the cell's table allows (at most 1.5 C)",
        "   stops when the voltage has fallen to the recommended cut-off",
    ]

"""Storage charge by count: from where it is counted, what is refused, what is said."""

import re

import pytest

from sequencer.plan.against_cell import find_breaches
from sequencer.plan.remarks import remarks
from sequencer.plan.step import Stop, StopKind
from sequencer.vocabulary.commands import Direction, Drive
from sequencer.vocabulary.faults import DocumentError
from tests.plan.documents import CELL, loaded, plan, profile

FULL = "{step: charge, current: 0.5 C, voltage: recommended, termination current: 0.05 C}"
EMPTY = "{step: discharge, current: 0.5 C, cut-off voltage: recommended}"
REST = "{step: rest, for: 10 min}"
STORE = "{step: finish at storage charge, state of charge: 30 %}"


def steps(*written: str) -> str:
    """A list of steps as YAML."""
    return "\n".join(f"- {one}" for one in written)


def test_out_of_a_full_cell():
    """70 % of 2 Ah at 0.5 C, no further than the recommended cut-off."""
    last = list(plan(steps(FULL, REST, STORE)))[-1]
    assert last.drive == Drive(Direction.DISCHARGE, 1.0, 3.0)
    assert last.stops == (
        Stop(StopKind.CHARGE, pytest.approx(1.4)),
        Stop(StopKind.VOLTAGE_BELOW, 3.0, 2),
    )
    assert last.sentence == (
        "Discharge at 1.00 A (0.5 C) until 1.400 Ah have been taken out or the voltage has fallen "
        "to 3.000 V (30 % of the rated capacity, counted from a full cell)"
    )


def test_into_an_empty_cell():
    """30 % of 2 Ah, no further than the recommended charge voltage."""
    last = list(plan(steps(EMPTY, STORE)))[-1]
    assert last.drive == Drive(Direction.CHARGE, 1.0, 4.2)
    assert last.stops == (
        Stop(StopKind.CHARGE, pytest.approx(0.6)),
        Stop(StopKind.VOLTAGE_ABOVE, 4.2, 2),
    )


@pytest.mark.parametrize(
    "before",
    [
        f"{{step: repeat, times: 3, steps: [{EMPTY}, {REST}, {FULL}, {REST}]}}",
        (
            "{step: for each, rates: [1 C, 0.5 C], steps: "
            "[{step: discharge, current: each rate, cut-off voltage: recommended}]}"
        ),
    ],
)
def test_the_last_of_steps_within_others_counts(before):
    """The last time round, the last value of a list."""
    assert find_breaches(profile(steps(before, STORE)), CELL) == []


@pytest.mark.parametrize(
    "before",
    [
        (),
        (REST,),
        (FULL, "{step: pulse, direction: discharge, current: 1 C, for: 10 s}"),
        (FULL, "{step: discharge, current: 0.5 C, until charge: 10 %}"),
        ("{step: charge, current: 0.5 C, voltage: recommended, for: 3 h}",),
        ("{step: charge, current: 0.5 C, voltage: 4.1 V, termination current: 0.05 C}",),
        (
            (
                "{step: charge, current: 0.5 C, voltage: recommended, "
                "termination current: 0.05 C, for: 2 h}"
            ),
        ),
        ("{step: charge, current: 0.5 C, voltage: recommended, termination current: 0.2 C}",),
        ("{step: charge, current: 0.5 C, until voltage: recommended}",),
        ("{step: discharge, current: 1 C, cut-off voltage: recommended}",),
        ("{step: discharge, current: 0.5 C, cut-off voltage: 3.2 V}",),
        ("{step: discharge, current: 0.5 C, cut-off voltage: recommended, for: 1 h}",),
    ],
)
def test_what_leaves_the_cell_neither_full_nor_empty_is_refused(before):
    """With place, rule and value."""
    document = loaded(steps(*before, STORE)).document
    (breach,) = find_breaches(document, CELL)
    assert breach.path == ("steps", len(before), "state of charge")
    assert breach.message.startswith(
        "state of charge 30 % is counted from a full or an empty cell, and the steps before leave "
        "neither: let a charge to 4.20 V that ends at a termination current of at most 0.1 C, or a "
        "discharge to 3.00 V at no more than 0.5 C, come before it"
    )


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ("state of charge: 0 %", "must be above 0 % and below 100 %"),
        ("state of charge: 100 %", "must be above 0 % and below 100 %"),
        (
            "state of charge: 30 %, termination current: 0.05 C",
            "belongs to the storage voltage: leave it out beside 'state of charge'",
        ),
    ],
)
def test_what_the_step_does_not_take(written, told):
    """A share inside the cell, and one target."""
    with pytest.raises(DocumentError, match=re.escape(told)):
        loaded(steps(FULL, f"{{step: finish at storage charge, {written}}}"))


def test_how_far_off_the_count_may_be_is_said():
    """Arithmetic: 1 - 0.7 / 0.8 = 12.5 %, and 0.3 / 0.8 = 37.5 %."""
    (out,) = remarks(profile(steps(FULL, STORE)), CELL)
    assert out == (
        "finish at storage charge: 30 % is counted in shares of the rated 2.000 Ah; a cell that "
        "holds 80 % of it is left at 12.5 %"
    )
    (into,) = remarks(profile(steps(EMPTY, STORE)), CELL)
    assert into.endswith("is left at 37.5 %")

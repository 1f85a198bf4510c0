"""The wiring in words, and what joined grounds make of it."""

import re

import pytest

from sequencer.feasibility.wiring import findings, wiring_words
from tests.feasibility.benches import WHOLE, appraisal, bench

STEPS = "- {step: charge, current: 1 A, voltage: 4.2 V, termination current: 0.2 A}"
NEGATIVE = WHOLE.replace("contactor lead: positive", "contactor lead: negative")
AMMETER = "  current: {by: meter, lead: %s}\n"


def grounded(wiring=WHOLE, **negatives):
    """A bench with what some negatives are joined to."""
    made = bench(wiring)
    said = {
        name: one.model_copy(update={"negative": negatives.get(name, one.negative)})
        for name, one in made.instruments.items()
    }
    return made.model_copy(update={"instruments": said})


def told(made):
    """The findings as they are told."""
    return [str(one) for one in findings(made)]


def test_the_whole_bench_pole_by_pole():
    """Every lead from the outputs to the cell, with what sits in it, and every ground."""
    made = grounded(supply="earth", load="isolated", meter="joined by link")
    assert wiring_words(made) == [
        (
            "+ pole: supply + and load + to contactor (contactor) to cell +; "
            "meter + to cell +, by a wire of its own"
        ),
        "- pole: supply - and load - to cell -; meter - to cell -, by a wire of its own",
        (
            "grounds: supply - on earth, load - isolated, "
            "meter - on the computer's ground, by its link"
        ),
        (
            "the negative lead is bypassed: leads - to supply - to earth to the computer's ground "
            "to meter - to cell -"
        ),
    ]


def test_a_bench_of_a_supply_alone():
    """What is not said is called so, and a hand measurement is told with its day."""
    isolation = "  isolation: {resistance: 20 MOhm, on: 2026-10-03, by: E. Example}\n"
    made = bench("\n  charge: supply\n  voltage: {by: supply}\n" + isolation)
    assert wiring_words(made) == [
        "+ pole: supply + to cell +",
        "- pole: supply - to cell -",
        "grounds: supply - not said",
        "isolation: 20 MOhm, measured by E. Example on 2026-10-03",
    ]


def test_a_lead_that_is_not_said_is_told_as_taken():
    """The contactor's lead is taken to be the negative one, and `check` asks for it."""
    made = bench(re.sub("  contactor lead: .*\n", "", WHOLE))
    assert wiring_words(made)[1].startswith(
        "- pole: supply - and load - to contactor (contactor; its lead is not said, and taken to be"
        " this) to cell -; "
    )
    (line,) = told(made)
    assert line == (
        "can barely: contactor and grounds: contactor is no evidence of off: nobody has said in "
        "which lead it sits. Write in which lead it sits ('contactor lead')."
    )


def test_what_is_bypassed_is_told_with_its_way():
    """And what to do about it."""
    (line,) = told(grounded(NEGATIVE, load="earth", meter="earth", supply="isolated"))
    assert line == (
        "can barely: contactor and grounds: contactor is no evidence of off: it sits in the "
        "negative lead, and load and meter may lead current past it (leads - to load - to earth to "
        "meter - to cell -). Move it to the positive lead; or isolate every instrument, measure "
        "that by hand (above 1 MOhm, everything on and linked, no cell), and write it down "
        "('isolation')."
    )


def test_a_lead_beside_a_ground_is_told():
    """With nothing in the lead it is the meter's own wire that carries current."""
    (line,) = told(grounded(load="earth", meter="earth"))
    assert line.startswith("can barely: the negative lead: a part of the current goes beside it: ")
    assert told(grounded(load="earth", meter="isolated")) == []


def test_a_short_that_nobody_has_ruled_out_is_told():
    """An ammeter in the positive lead: where its own negative and another's are on earth, the cell
    is short."""
    made = grounded(WHOLE.replace("  sensors:", AMMETER % "positive" + "  sensors:"))
    assert any(one.startswith("can barely: poles: the cell is short where") for one in told(made))
    isolated = dict.fromkeys(["supply", "load", "meter"], "isolated")
    assert told(grounded(WHOLE.replace("  sensors:", AMMETER % "positive" + "  sensors:"),
                         **isolated)) == []  # fmt: skip


@pytest.mark.parametrize(("wiring", "level"), [(WHOLE, "A"), (NEGATIVE, "B")])
def test_a_contactor_that_may_be_bypassed_reaches_no_a_and_ends_nothing(wiring, level):
    """Its watchdog does not end a charge that goes on past it, so that a person must stay."""
    made = appraisal(STEPS, wiring)
    assert made.level.value == level
    assert made.may_be_left is (level == "A")

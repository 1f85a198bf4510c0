"""What the instruments could not see is said beside the numbers that hang on it."""

import math

import pytest

from sequencer.analysis.analyse import analyse
from sequencer.analysis.uncertainty.measured import Measured
from tests.analysis.pretending import cell, ran
from tests.analysis.test_analyse import empty, full
from tests.analysis.uncertainty.pretended import bench, definitions, given, sheet


def amperes(offset: str, low: str = "0 A"):
    """An ammeter's papers: an offset and counts of 1 mA."""
    return sheet((low, "10 A", "1 mA", {"offset": offset}))


def night(supply):
    """A full charge that is ended at 0.1 A and a complete discharge, by that supply."""
    sheets = definitions(supply_current=supply)
    told = {"cell": cell(), "bench": bench(), "definitions": sheets}
    return analyse(ran([*full(), *empty()], **told))


@pytest.mark.parametrize(("offset", "seen"), [("19 mA", True), ("20 mA", False)])
def test_a_termination_current_is_seen_to_a_fifth_and_no_worse(offset, seen):
    """0.1 A within 20 mA is a fifth (19 mA and a count of 1 mA); the counterpart of ``check``."""
    found = night(amperes(offset))
    warned = [one for one in found.warnings if "tells the current of" in one]
    flagged = [
        one
        for key in ("capacity.discharge.3", "energy.discharge.3")
        for one in (found.figure(key) or pytest.fail(key)).flags
    ]
    assert len(warned) == (0 if seen else 1)
    assert len(flagged) == (0 if seen else 2)


def test_what_follows_is_told_in_ampere_hours():
    """The current as commanded, the span of what it was (0.1 A +- 60 mA), what that leaves open,
    and what to do about it."""
    found = night(amperes("59 mA"))
    flags = found.figure("capacity.discharge.3").flags
    assert len(flags) == 1
    assert flags[0].startswith("charged until anything from 0.04 to 0.16 A, as well as supply")
    (warning,) = [one for one in found.warnings if "tells the current of" in one]
    assert "of 0.1 A at which" in warning
    assert "to within 60 mA only" in warning
    assert "End charges at a larger current, or add a finer ammeter" in warning


def timed(offset="1 mA"):
    """The same night, its charge ended by its time."""
    first, *others = full()
    parts = [first._replace(reason="time 1 h"), *others, *empty()]
    sheets = definitions(supply_current=amperes(offset))
    return analyse(ran(parts, cell=cell(), bench=bench(), definitions=sheets))


def test_a_hold_that_its_time_ended_fills_the_cell_too():
    """The way out where a supply cannot see a termination current: a tenth of the current is left
    at the end of the hour, and that is what the capacity's conditions say."""
    capacity = timed().figure("capacity.discharge.3")
    assert capacity.value == pytest.approx(2.5, rel=1e-3)
    assert capacity.conditions["termination_a"] == pytest.approx(0.25, abs=0.01)
    assert not any("charged until anything" in one for one in capacity.flags)


def test_a_hold_that_ended_at_a_current_nobody_saw_says_so():
    """0.25 A within 100 mA and a count of 1 mA is no better than 0.15 to 0.35 A."""
    capacity = timed("100 mA").figure("capacity.discharge.3")
    assert any(
        one.startswith("charged until anything from 0.15 to 0.35 A") for one in capacity.flags
    )


def test_a_charge_that_its_time_ended_too_early_fills_nothing():
    """At the held voltage, but its current had hardly begun to fall."""
    first, *others = full()
    early = first._replace(reason="time 57 min", times_s=first.times_s[first.times_s < 3400.0])
    found = analyse(ran([early, *others, *empty()], cell=cell()))
    assert found.figure("capacity.discharge.3") is None


def zeros(**sheets):
    """Ammeters whose zero was recorded as exactly nothing."""
    told = {"supply_a": 0.0, "load_a": 0.0}
    return Measured.of(given(sheets=definitions(**sheets), current_zero_a=told)).hidden_zeros()


def test_a_zero_of_nothing_on_a_one_sided_display_is_hidden():
    """5 mA stay open; known to a tenth of that and half a count they would be 0.71 mA, 7.1 times
    less (worked here: hypot(0.5, 0.5))."""
    found = zeros(supply_current=amperes("5 mA"), load_current=amperes("5 mA", "-10 A"))
    assert list(found) == ["supply"]
    assert found["supply"][0] == pytest.approx(0.005)
    assert found["supply"][1] == pytest.approx(5.0 / math.hypot(0.5, 0.5))


def test_what_was_not_read_or_is_above_zero_hides_nothing():
    """No zero was recorded, or it is a number: nothing to say."""
    for told in ({}, {"supply_a": 0.003, "load_a": 0.001}):
        tested = given(sheets=definitions(supply_current=amperes("5 mA")), current_zero_a=told)
        assert Measured.of(tested).hidden_zeros() == {}


def test_the_report_says_it_once_with_what_to_do():
    """Beside the warnings, naming the instrument."""
    parts = [*full(), *empty()]
    sheets = definitions(load_current=amperes("5 mA", "-10 A"))
    told = {"cell": cell(), "bench": bench(), "definitions": sheets}
    found = analyse(ran(parts, current_zero_a={"supply_a": 0.0, "load_a": 0.0}, **told))
    (said,) = [one for one in found.warnings if "shows nothing below zero" in one]
    assert said.startswith("with the outputs off supply read exactly 0 A")
    assert "shunt that shows both signs" in said

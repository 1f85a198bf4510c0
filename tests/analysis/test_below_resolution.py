"""What the instruments could not see is said beside the numbers that hang on it."""

import math
import re

import numpy as np
import pytest

from sequencer.analysis.analyse import analyse
from sequencer.analysis.sheet import InDoubt
from sequencer.analysis.uncertainty.measured import Measured
from tests.analysis.pretending import cell, charge, ran, rest
from tests.analysis.test_analyse import empty, full
from tests.analysis.uncertainty.pretended import bench, definitions, given, sheet


def amperes(offset: str, low: str = "0 A"):
    """An ammeter's run documents: an offset and counts of 1 mA."""
    return sheet((low, "10 A", "1 mA", {"offset": offset}))


def slow(times: float = 25.0):
    """A full charge of 2.45 Ah whose taper falls so many times, to 0.1 A, with 0.5 h: an ampere of
    its end is worth 0.5 Ah."""
    held_s, tau_s = 1800.0, 1800.0

    def current(t):
        return np.where(t < held_s, 2.5, 2.5 * np.exp(-(t - held_s) / tau_s))

    def volts(t):
        return np.minimum(3.0 + 1.2 * t / held_s, 4.2)

    return [charge(current, held_s + tau_s * math.log(times), volts, 10.0), rest(60.0, 4.2)]


def night(supply, parts=slow):
    """A full charge that is ended at 0.1 A and a complete discharge, by that supply."""
    sheets = definitions(supply_current=supply)
    told = {"cell": cell(), "bench": bench(), "definitions": sheets}
    return analyse(ran([*parts(), *empty()], **told))


@pytest.mark.parametrize(("offset", "seen"), [("19 mA", True), ("20 mA", False)])
def test_a_termination_current_is_seen_to_a_fifth_and_no_worse(offset, seen):
    """0.1 A within 20 mA is a fifth (19 mA and a count of 1 mA); the counterpart of ``check``."""
    found = night(amperes(offset))
    warned = [one for one in found.warnings if "which may be anything" in one]
    flagged = [
        one
        for key in ("capacity.discharge.3", "energy.discharge.3")
        for one in (found.figure(key) or pytest.fail(key)).flags
    ]
    assert len(warned) == (0 if seen else 1)
    assert len(flagged) == (0 if seen else 2)


def test_what_follows_is_told_as_a_span_in_ampere_hours():
    """One plain sentence at the numbers: 60 mA x 0.5 h are 30 mAh each way, 1.2 % of 2.5 Ah (worked
    by hand; the fit of the taper is good to a tenth). Why, and what to do, once."""
    found = night(amperes("59 mA"))
    (flag,) = found.figure("capacity.discharge.3").flags
    said = re.fullmatch(
        r"how full its charge left the cell is in doubt by -(\d+) to \+(\d+) mAh"
        r" \(-(1\.\d) to \+(1\.\d) %\); the ± does not hold it",
        flag,
    )
    less, more, *shares = map(float, said.groups() if said else pytest.fail(flag))
    assert [less, more] == pytest.approx([30.0, 30.0], rel=0.1)
    assert shares == [pytest.approx(100.0 * less / 2500.0, abs=0.06)] * 2
    (warning,) = [one for one in found.warnings if "which may be anything" in one]
    assert "ended at 0.1 A as supply reads it, which may be anything from 0.04 to 0.16 A" in warning
    assert f"in doubt by -{less:.0f} to +{more:.0f} mAh" in warning
    assert "End charges at a larger current, or add a finer ammeter" in warning


def test_a_current_that_may_have_been_none_leaves_more_below_than_above():
    """An end read as 0.1 A within 0.2 A: no more than 0.1 A x 0.5 h was left to put in."""
    (flag,) = night(amperes("199 mA")).figure("capacity.discharge.3").flags
    less, more = re.search(r"by -(\d+) to \+(\d+) mAh", flag).groups()
    assert float(less) == pytest.approx(100.0, rel=0.1)
    assert float(more) == pytest.approx(50.0, rel=0.1)


def test_where_no_taper_is_left_to_see_the_slowest_one_counts():
    """A taper that went on below a fiftieth of the capacity, to be ended at 0.1 A within 80 mA: no
    model of it is left to say what an ampere is worth. 80 mA for 50 min (the time constant that
    plans are bounded by) are 67 mAh; it was told as 'in doubt' alone."""
    span = InDoubt(less_ah=0.08 * 3000 / 3600, more_ah=0.08 * 3000 / 3600)
    found = night(amperes("79 mA"), lambda: slow(1250.0))
    (flag,) = found.figure("capacity.discharge.3").flags
    assert flag.startswith(span.words(2.5)), flag


DEPENDS = re.compile(
    r"(capacity|energy|specific-energy|energy-density|efficiency|resistance|power|both-cut-offs"
    r"|peukert|fade|cycles|not-put-in|cc-charge|cv-charge|cv-share)\."
)


def test_every_figure_that_hangs_on_it_says_it():
    """What a full cell gave, by mass and at every cut-off, and how full it was at a resistance; but
    not what was counted, nor a mean voltage or a temperature."""
    told = {
        one.key: any("is in doubt by" in flag for flag in one.flags)
        for one in night(amperes("59 mA")).figures
    }
    hangs = {name for name in told if DEPENDS.match(name) and "recommended" not in name}
    assert len({name.split(".")[0] for name in hangs}) >= 5, hangs
    assert {name for name, is_told in told.items() if is_told} == hangs


def test_what_rounds_to_nothing_is_not_said():
    """A taper that falls by 5.6 mA a second: 60 mA more or less are 0.03 % of the capacity."""
    found = night(amperes("59 mA"), full)
    assert found.figure("capacity.discharge.3").flags == ()
    assert not [one for one in found.warnings if "which may be anything" in one]


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
    assert not any("is in doubt by" in one for one in capacity.flags)


def test_a_hold_that_ended_at_a_current_nobody_saw_says_so():
    """0.25 A within 100 mA and a count of 1 mA is no better than 0.15 to 0.35 A."""
    capacity = timed("100 mA").figure("capacity.discharge.3")
    assert any("is in doubt by" in one for one in capacity.flags)


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
    """5 mA below and 1 mA above stay open, 3 mA either way; known to a tenth of 5 mA and half a
    count they would be 0.71 mA, 4.2 times less (worked here: hypot(0.5, 0.5))."""
    found = zeros(supply_current=amperes("5 mA"), load_current=amperes("5 mA", "-10 A"))
    assert list(found) == ["supply"]
    assert found["supply"][0] == pytest.approx(0.005)
    assert found["supply"][1] == pytest.approx(3.0 / math.hypot(0.5, 0.5))


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


def test_a_charge_that_ends_below_full_is_said_with_its_voltage():
    """'recommended less 50 mV' fills no cell: 4.150 V of 4.200 V, where 30 mV count as full."""

    def low(t):
        return np.minimum(3.0 + 1.15 * t / 3240.0, 4.15)

    put, pause = full()
    found = analyse(ran([put._replace(volts=low), pause, *empty()], cell=cell()))
    assert found.figure("capacity.discharge.3") is None
    assert any(
        "charged full (the charge before it ended at 4.150 V; full is within 30 mV of the"
        " recommended 4.200 V)" in one
        for one in found.excluded
    )

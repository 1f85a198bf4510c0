"""A current so near to its limit that errors alone would trip the run is refused beforehand."""

import pytest

from sequencer.feasibility.against_bench import find_bench_breaches
from tests.feasibility.benches import WHOLE, bench, definitions
from tests.plan.documents import CELL, profile

LIMIT = {way: ("cell", ("absolute", f"{way} current")) for way in ("charge", "discharge")}


def breaches(steps, limits="", wiring=WHOLE, cell=CELL):
    """What a whole bench refuses of these steps."""
    return find_bench_breaches(profile(steps, limits), cell, bench(wiring), definitions())


def charge_at(amps):
    """A CC-CV charge with that current."""
    return f"- {{step: charge, current: {amps}, voltage: 4.2 V, termination current: 0.2 A}}"


def test_a_charge_at_its_limit_is_told_what_fits():
    """2 C of the 2 Ah cell is 4.00 A. The supply's own figures: set within 0.2 % + 5 mA + 1 count
    of 1 mA = 14 mA, read within 0.2 % + 10 mA + 1 count of 10 mA = 28 mA. With 1.004 I + 26 mA
    = 4.00 A the most is 3.958 A, and 1.97 C of 2 Ah is 3.94 A."""
    (one,) = breaches(charge_at("4 A"))
    assert one == (
        "profile",
        ("steps", 0, "current"),
        (
            "charge current 4.00 A is too near to the limit of 4.00 A: supply sets it within 14 mA"
            " and reads it within 28 mA, so a run in which nothing is wrong may trip; 3.958 A is"
            " the most here"
        ),
        LIMIT["charge"],
        "1.97 C",
    )


@pytest.mark.parametrize(
    ("amps", "is_told"),
    [("4 A", True), ("3.97 A", True), ("3.959 A", True), ("3.958 A", False), ("1.97 C", False)],
)
def test_what_is_said_to_fit_fits(amps, is_told):
    """Room for both errors is enough; for one of them it is not."""
    assert bool(breaches(charge_at(amps))) is is_told


def test_a_discharge_at_its_limit_is_told_of_the_load():
    """4 C is 8.00 A; the load's own figures: 0.1 % + 5 mA + 1 mA each = 14 mA."""
    (one,) = breaches("- {step: discharge, current: 8 A, cut-off voltage: 3.0 V}")
    assert "load sets it within 14 mA and reads it within 14 mA" in one.message
    assert (one.culprit, one.instead) == (LIMIT["discharge"], "3.98 C")


def test_what_the_profile_itself_tightens_the_limit_to_counts():
    """The interlock holds the tighter of cell and profile."""
    (one,) = breaches(charge_at("1 A"), "charge current: 1 A")
    assert one.message.endswith("0.970 A is the most here")
    assert (one.culprit, one.instead) == (("profile", ("limits", "charge current")), "0.48 C")


def test_what_is_above_the_limit_is_told_by_the_plan_alone():
    """One fault, one line."""
    assert breaches(charge_at("4.1 A")) == []


@pytest.mark.parametrize(
    ("steps", "place", "instead"),
    [
        (
            "- {step: pulse, direction: discharge, current: 4 C, for: 1 s}",
            ("steps", 0, "current"),
            "3.98 C",
        ),
        (
            (
                "- {step: for each, rates: [1 C, 4 C], steps: [{step: discharge, current: each"
                " rate, cut-off voltage: 3 V}]}"
            ),
            ("steps", 0, "rates", 1),
            "3.98 C",
        ),
        (  # 7.972 A at 3 V are 23.9 W
            "- {step: discharge, power: 24 W, cut-off voltage: 3 V}",
            ("steps", 0, "power"),
            "23.9 W",
        ),
        (  # 4.2 V draw 7.972 A through 527 mOhm
            "- {step: discharge, resistance: 525 mOhm, cut-off voltage: 3 V}",
            ("steps", 0, "resistance"),
            "527 mOhm",
        ),
    ],
)
def test_each_way_to_say_a_current_is_told_in_its_own_words(steps, place, instead):
    """At the place that was written, and rounded so that it fits."""
    (one,) = breaches(steps)
    assert (one.path, one.instead) == (place, instead)
    last = steps.replace(steps[slice(*_value(steps, place[-1]))], instead)
    assert breaches(last) == []


def _value(steps, key):
    """Where the last value of a key stands in a step on one line."""
    begin = steps.index("4 C") if key == 1 else steps.index(f"{key}: ") + len(str(key)) + 2
    return begin, min(end for mark in ",]" if (end := steps.find(mark, begin)) > 0)

"""Rules between profile and cell document: each on both sides of its limit, with both places."""

import pytest

from sequencer.plan.against_cell import find_breaches
from sequencer.plan.breach import Breach
from tests.plan.documents import cell, profile, told


@pytest.mark.parametrize(
    ("fine", "beyond", "message"),
    [
        (
            "- {step: charge, current: 1 A, voltage: 4.2 V, termination current: 0.1 A}",
            "- {step: charge, current: 1 A, voltage: 4.30 V, termination current: 0.1 A}",
            (
                "charge voltage 4.30 V is above the cell's absolute limit of 4.25 V "
                "<cell: absolute / charge voltage>"
            ),
        ),
        (
            "- {step: charge, current: 1 A, voltage: 4.2 V, termination current: 0.1 A}",
            "- {step: charge, current: 1 A, voltage: 4.201 V, termination current: 0.1 A}",
            (
                "charge voltage 4.201 V is above the cell's recommended 4.20 V, where "
                "normal steps end "
                "<cell: recommended / charge voltage>"
            ),
        ),
        (
            "- {step: charge, current: 1 A, until voltage: 4.2 V}",
            "- {step: charge, current: 1 A, until voltage: 4.3 V}",
            (
                "charge voltage 4.30 V is above the cell's absolute limit of 4.25 V "
                "<cell: absolute / charge voltage>"
            ),
        ),
        (
            "- {step: charge, current: 1 A, until voltage: 3.01 V}",
            "- {step: charge, current: 1 A, until voltage: 3 V}",
            (
                "charge voltage 3.00 V is not above the cell's recommended cut-off of 3.00 V "
                "<cell: recommended / cut-off voltage>"
            ),
        ),
        (
            "- {step: charge, current: 2 C, for: 1 min}",
            "- {step: charge, current: 2.01 C, for: 1 min}",
            (
                "charge current 4.02 A is above the cell's absolute limit of 4.00 A "
                "<cell: absolute / charge current>"
            ),
        ),
        (
            "- {step: discharge, current: 8 A, for: 1 min}",
            "- {step: discharge, current: 8.001 A, for: 1 min}",
            (
                "discharge current 8.001 A is above the cell's absolute limit of 8.00 A "
                "<cell: absolute / discharge current>"
            ),
        ),
        (
            "- {step: pulse, direction: discharge, current: 4 C, for: 1 s}",
            "- {step: pulse, direction: discharge, current: 4.1 C, for: 1 s}",
            (
                "pulse current 8.20 A is above the cell's absolute limit of 8.00 A "
                "<cell: absolute / discharge current>"
            ),
        ),
        (
            "- {step: discharge, current: 1 A, cut-off voltage: 3 V}",
            "- {step: discharge, current: 1 A, cut-off voltage: 2.99 V}",
            (
                "cut-off 2.99 V is below the cell's recommended 3.00 V, where normal steps end "
                "<cell: recommended / cut-off voltage>"
            ),
        ),
        (
            "- {step: discharge, current: 1 A, cut-off voltage: 3 V}",
            "- {step: discharge, current: 1 A, cut-off voltage: 2.4 V}",
            (
                "cut-off 2.40 V is below the cell's absolute limit of 2.50 V "
                "<cell: absolute / cut-off voltage>"
            ),
        ),
        (
            "- {step: discharge, current: 1 A, cut-off voltage: 4.19 V}",
            "- {step: discharge, current: 1 A, cut-off voltage: 4.2 V}",
            (
                "cut-off 4.20 V is not below the cell's recommended charge voltage of 4.20 V "
                "<cell: recommended / charge voltage>"
            ),
        ),
        (
            "- {step: charge, current: 1 A, voltage: 4.2 V, termination current: 0.99 A}",
            "- {step: charge, current: 1 A, voltage: 4.2 V, termination current: 1 A}",
            (
                "termination current 1.00 A is not below the charge current of 1.00 A "
                "<profile: steps / 0 / current>"
            ),
        ),
        (
            "- {step: charge, voltage: 4.2 V, termination current: 0.9 C}",
            "- {step: charge, voltage: 4.2 V, termination current: 1 C}",
            (
                "termination current 2.00 A is not below the charge current of 2.00 A "
                "<cell: recommended / charge current>"
            ),
        ),
        (
            "- {step: discharge, current: 1 A, until charge: 130 %}",
            "- {step: discharge, current: 1 A, until charge: 131 %}",
            (
                "charge 2.620 Ah is above the limit of 2.600 Ah, 130 % of the rated capacity "
                "<cell: rated capacity>"
            ),
        ),
        (
            "- {step: charge, current: 1 A, for: 1 h, until warmed to: 44 degC}",
            "- {step: charge, current: 1 A, for: 1 h, until warmed to: 45 degC}",
            (
                "temperature 45 degC is not between the limits of 5 degC and 45 degC "
                "<cell: absolute / charge temperature>"
            ),
        ),
        (
            "- {step: rest, for: 1 h, until temperature: {high: -9 degC, for at least: 30 min}}",
            "- {step: rest, for: 1 h, until temperature: {low: -10 degC, high: -6 degC, of: room}}",
            (
                "temperature -10 degC is not between the limits of -10 degC and 60 degC "
                "<cell: absolute / discharge temperature>"
            ),
        ),
        (
            "- {step: finish at storage charge, current: 2 C}",
            "- {step: finish at storage charge, current: 3 C}",
            (
                "charge current 6.00 A is above the cell's absolute limit of 4.00 A "
                "<cell: absolute / charge current>"
            ),
        ),
    ],
)
def test_a_step_is_refused_beyond_the_cells_limits_and_not_before(fine, beyond, message):
    """The number at the limit passes, the next one does not."""
    assert told(fine) == []
    assert [line.partition(": ")[2] for line in told(beyond)] == [message]


@pytest.mark.parametrize(
    ("limits", "fine", "beyond", "message"),
    [
        (
            "charge voltage: 4.1 V",
            "- {step: charge, current: 1 A, until voltage: 4.1 V}",
            "- {step: charge, current: 1 A, until voltage: recommended}",
            (
                "charge voltage 4.20 V is above the profile's own limit of 4.10 V "
                "<profile: limits / charge voltage>"
            ),
        ),
        (
            "cut-off voltage: 3.1 V",
            "- {step: discharge, current: 1 A, cut-off voltage: 3.11 V}",
            "- {step: discharge, current: 1 A, cut-off voltage: 3.1 V}",
            (
                "cut-off 3.10 V is not above the profile's own limit of 3.10 V, which would "
                "trip first "
                "<profile: limits / cut-off voltage>"
            ),
        ),
        (
            "discharge current: 1 C",
            "- {step: discharge, current: 2 A, for: 1 min}",
            "- {step: discharge, current: 2.1 A, for: 1 min}",
            (
                "discharge current 2.10 A is above the profile's own limit of 2.00 A "
                "<profile: limits / discharge current>"
            ),
        ),
        (
            "charge in: 50 %",
            "- {step: charge, current: 1 A, until charge: 1 Ah}",
            "- {step: charge, current: 1 A, until charge: 1.1 Ah}",
            "charge 1.100 Ah is above the limit of 1.000 Ah <profile: limits / charge in>",
        ),
        (
            "charge temperature: {low: 15 degC, high: 35 degC}",
            "- {step: charge, current: 1 A, for: 1 h, until warmed to: 34 degC}",
            "- {step: charge, current: 1 A, for: 1 h, until warmed to: 40 degC}",
            (
                "temperature 40 degC is not between the limits of 15 degC and 35 degC "
                "<profile: limits / charge temperature>"
            ),
        ),
    ],
)
def test_a_step_is_refused_beyond_the_profiles_own_limits(limits, fine, beyond, message):
    """What the profile tightened holds for its steps, and the profile is the culprit."""
    assert told(fine, limits) == []
    assert [line.partition(": ")[2] for line in told(beyond, limits)] == [message]


@pytest.mark.parametrize(
    ("fine", "loose", "message"),
    [
        (
            "charge voltage: 4.25 V",
            "charge voltage: 4.26 V",
            (
                "charge voltage 4.26 V loosens the cell's absolute limit of 4.25 V; a "
                "profile may only "
                "tighten <cell: absolute / charge voltage>"
            ),
        ),
        (
            "cut-off voltage: 2.5 V",
            "cut-off voltage: 2.4 V",
            (
                "cut-off voltage 2.40 V loosens the cell's absolute limit of 2.50 V; a "
                "profile may only "
                "tighten <cell: absolute / cut-off voltage>"
            ),
        ),
        (
            "charge current: 2 C",
            "charge current: 4.1 A",
            (
                "charge current 4.10 A loosens the cell's absolute limit of 4.00 A; a "
                "profile may only "
                "tighten <cell: absolute / charge current>"
            ),
        ),
        (
            "discharge current: 8 A",
            "discharge current: 5 C",
            (
                "discharge current 10.00 A loosens the cell's absolute limit of 8.00 A; a "
                "profile may "
                "only tighten <cell: absolute / discharge current>"
            ),
        ),
        (
            "charge temperature: {low: 5 degC, high: 45 degC}",
            "charge temperature: {low: 4 degC, high: 45 degC}",
            (
                "charge temperature from 4 degC loosens the cell's absolute limit of 5 "
                "degC; a profile "
                "may only tighten <cell: absolute / charge temperature / low>"
            ),
        ),
        (
            "discharge temperature: {low: 0 degC, high: 60 degC}",
            "discharge temperature: {low: 0 degC, high: 61 degC}",
            (
                "discharge temperature up to 61 degC loosens the cell's absolute limit of "
                "60 degC; a "
                "profile may only tighten <cell: absolute / discharge temperature / high>"
            ),
        ),
        (
            "warming: 3 K/min",
            "warming: 4 K/min",
            "warming 4 K/min is above the most of 3 K/min",
        ),
        (
            "charge out: 130 %",
            "charge out: 3 Ah",
            (
                "charge out 3.000 Ah is above 130 % of the rated capacity, 2.600 Ah "
                "<cell: rated capacity>"
            ),
        ),
        (
            "total time: 30 d",
            "total time: 721 h",
            "total time 30 d 1 h is above the most of 30 d",
        ),
    ],
)
def test_a_profiles_limits_may_only_tighten(fine, loose, message):
    """Equal is not looser."""
    rest = "- {step: rest, for: 1 min}"
    assert told(rest, fine) == []
    assert [line.partition(": ")[2] for line in told(rest, loose)] == [message]


def test_a_total_that_follows_from_the_steps_is_bounded_too():
    """Thirty days of bounds need a total time of the author's, told with what it will likely take
    and a quarter more: a discharge of 1 h finds half of 2 Ah in the cell, the others nothing."""
    steps = """
    - step: repeat
      times: 1000
      steps: [{step: discharge, current: 1 A, for: 1 h}]
    """
    assert told(steps) == [
        (
            "2:1: total time 42 d is above the most of 30 d (the sum of the steps' time bounds); it"
            " will likely take 2 h 23 min: write 'limits: {total time: 1 d}', at which it trips"
        )
    ]
    assert told(steps, "total time: 20 d") == []
    both = steps.replace("1 h}]", "1 h}, {step: charge, current: 1 A, for: 1 h}]")
    assert told(both) == [
        (
            "2:1: total time 84 d is above the most of 30 d, and it will likely take 83 d 10 h: "
            "repeat less, and run it again"
        )
    ]
    once = "- {step: discharge, current: 1 mA, cut-off voltage: recommended}"
    assert told(once) == [
        "2:1: total time 108 d 8 h is above the most of 30 d; give 'limits: total time'"
    ]


def test_a_value_of_a_list_is_refused_where_it_stands_in_the_list():
    """The steps say ``each rate``; the culprit is the list's entry."""
    steps = """
    - step: for each
      rates: [0.2 C, 4 C, 5 C]
      steps:
        - {step: discharge, current: each rate, cut-off voltage: recommended}
    """
    assert told(steps) == [
        (
            "4:25: discharge current 10.00 A is above the cell's absolute limit of 8.00 A "
            "<cell: absolute / discharge current>"
        )
    ]


def test_what_is_refused_many_times_is_told_once():
    """A repeated step is one place in the profile; a for-each runs it twice."""
    steps = """
    - step: for each
      rates: [0.2 C, 0.3 C]
      steps:
        - step: repeat
          times: 5
          steps:
            - {step: discharge, current: each rate, cut-off voltage: 2.8 V}
    """
    assert len(told(steps)) == 1


def test_a_floor_at_the_recommended_cut_off_would_trip_every_discharge():
    """Floor and ceiling are unfiltered: at the cut-off itself the floor comes first."""
    tight = cell().model_copy(
        update={"absolute_given": cell().absolute.model_copy(update={"cut_off_given": 3.0})}
    )
    steps = profile("- {step: discharge, current: 1 A, for: 1 min}")
    assert find_breaches(steps, tight) == [
        Breach(
            "profile",
            ("steps", 0),
            "cut-off 3.00 V is not above the cell's absolute limit of 3.00 V, which would "
            "trip first",
            ("cell", ("absolute", "cut-off voltage")),
        )
    ]

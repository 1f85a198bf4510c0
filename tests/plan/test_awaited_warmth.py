"""A rest that waits for a temperature at which the charge behind it would trip is refused."""

import pytest

from sequencer.plan.against_cell import find_breaches
from tests.plan.documents import CELL, profile, told

STEPS = """
- {{step: rest, for: 1 h, until temperature: {{{}}}}}
- {{step: charge, current: 1 C, voltage: recommended, termination current: 0.05 C}}
"""


@pytest.mark.parametrize(
    ("waits", "limits", "found"),
    [
        ("low: 5 degC, high: 45 degC", "", {}),  # the cell's absolute limits, edges included
        ("low: 2 degC, high: 8 degC", "", {"low": "6 degC"}),
        ("low: -2 degC, high: 4 degC", "", {"low": "6 degC", "high": "12 degC"}),
        ("low: 40 degC, high: 46 degC", "", {"high": "44 degC"}),
        ("low: 4 degC", "", {"low": "6 degC"}),
        ("high: 46 degC", "", {"high": "44 degC"}),
        ("high: 30 degC", "", {}),  # an open side says nothing
        ("low: 8 degC", "charge temperature: {low: 10 degC, high: 40 degC}", {"low": "11 degC"}),
        ("low: 4 degC, of: room", "", {}),  # the surface is judged
    ],
)
def test_each_edge_at_which_the_charge_may_begin_outside_its_limits(waits, limits, found):
    """With a window of the same width 1 K inside, which is then taken."""
    made = profile(STEPS.format(waits), limits)
    breaches = find_breaches(made, CELL)
    assert {one.path[-1]: one.instead for one in breaches} == found
    assert {one.path[:-1] for one in breaches} <= {("steps", 0, "until temperature")}
    for edge, value in found.items():
        old = next(part for part in waits.split(", ") if part.startswith(edge))
        waits = waits.replace(old, f"{edge}: {value}")
    assert find_breaches(profile(STEPS.format(waits), limits), CELL) == []


def test_where_it_collides_is_told():
    """The limit of whoever gives it."""
    (line,) = told(STEPS.format("low: 4 degC"))
    assert line == (
        "3:53: temperature 4 degC is not between the limits of 5 degC and 45 degC of the charge"
        " that follows, which may begin there, and trip <cell: absolute / charge temperature>"
    )
    (line,) = told(STEPS.format("low: 8 degC"), "charge temperature: {low: 10 degC, high: 40 degC}")
    assert line.endswith("and trip <profile: limits / charge temperature>")


def test_what_does_not_follow_at_once_is_another_matter():
    """Behind another step, or in another loop, the cell may be as warm as it likes."""
    rest, charge = STEPS.format("low: 2 degC").strip().splitlines()
    assert told(f"{rest}\n- {{step: rest, for: 1 h}}\n{charge}") == []
    assert told(f"{rest}\n- {{step: discharge, current: 1 C, for: 1 min}}\n{charge}") == []

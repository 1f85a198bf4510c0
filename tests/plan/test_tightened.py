"""Values said by the recommended ones: a share of a current, or within a voltage."""

import pytest

from sequencer.documents.profile import ProfileDocument
from sequencer.plan.step import StopKind
from sequencer.source.loading import load_text
from sequencer.vocabulary.faults import DocumentError
from tests.plan.documents import plan, profile, told


def only(steps: str):
    """The one step of a plan."""
    (step,) = plan(steps)
    return step


def test_a_share_is_of_the_recommended_current_in_the_direction_of_the_step():
    """1 C in and 2 C out of 2 Ah are recommended: half of them are 1 A and 2 A."""
    held = "voltage: recommended, termination current: 0.05 C"
    assert only(f"- {{step: charge, current: 50 % of recommended, {held}}}").drive.current_a == 1.0
    out = "- {step: discharge, current: 50 % of recommended, for: 1 min}"
    assert only(out).drive.current_a == 2.0
    pulse = "- {step: pulse, direction: charge, current: 12.5 % of recommended, for: 10 s}"
    assert only(pulse).drive.current_a == 0.25
    most = "- {step: discharge, current: 100 % of recommended, for: 1 min}"
    assert only(most).drive.current_a == 4.0


def test_a_voltage_lies_within_the_recommended_one():
    """4.20 V less 50 mV is exactly 4.15 V, and 3.00 V plus 50 mV is 3.05 V."""
    held = only("- {step: charge, voltage: recommended less 50 mV, termination current: 0.1 A}")
    assert held.drive.voltage_v == 4.15
    until = only("- {step: charge, current: 1 A, until voltage: recommended less 0.2 V}")
    assert [s.value for s in until.stops if s.kind is StopKind.VOLTAGE_ABOVE] == [4.0]
    out = only("- {step: discharge, current: 1 A, cut-off voltage: recommended plus 50 mV}")
    assert out.drive.voltage_v == 3.05


def test_the_forms_stand_in_lists_and_loops_as_well():
    """A list of cut-offs, and the cut-off that ends a loop."""
    listed = """
    - step: for each
      cut-offs: [recommended plus 0.5 V, recommended, 3.2 V]
      steps: [{step: discharge, current: 1 A, cut-off voltage: each cut-off}]
    """
    assert [step.drive.voltage_v for step in plan(listed)] == [3.5, 3.0, 3.2]
    loop = """
    - step: repeat
      times: 3
      until: {cut-off voltage: recommended plus 0.1 V}
      steps: [{step: discharge, current: 1 A, for: 1 min}]
    """
    assert [step.drive.voltage_v for step in plan(loop)] == [3.1, 3.1, 3.1]


@pytest.mark.parametrize(
    ("step", "rule"),
    [
        ("discharge, current: 101 % of recommended", "at most 100 %: it may only tighten"),
        ("discharge, current: 0 % of recommended", "above 0 % and at most 100 %"),
        ("discharge, current: -5 % of recommended", "above 0 % and at most 100 %"),
        ("discharge, current: 50 mV of recommended", "unit mV is not one for a"),
        ("discharge, current: of recommended", "not a fraction"),
        ("discharge, current: recommended less 50 mA", "write '50 % of recommended'"),
        ("discharge, current: recommended", "'by table', '50 % of recommended'"),
        ("charge, voltage: recommended plus 10 mV", "write 'recommended less 50 mV'"),
        ("charge, voltage: 50 % of recommended", "write 'recommended less 50 mV'"),
        ("charge, voltage: recommended less -10 mV", "must be above zero: it may only tighten"),
        ("charge, voltage: recommended less 0 mV", "must be above zero: it may only tighten"),
        ("charge, voltage: recommended less 50", "no unit"),
        ("charge, voltage: recommended less", "not a voltage"),
        ("discharge, cut-off voltage: recommended less 10 mV", "'recommended plus 50 mV'"),
    ],
)
def test_what_would_loosen_is_refused_with_place_rule_and_value(step, rule):
    """At the value itself, which the message quotes."""
    text = f"profile: x\nsteps:\n  - {{step: {step}, for: 1 min}}\n"
    with pytest.raises(DocumentError) as refused:
        load_text(text, "p.yaml", ProfileDocument)
    faults = [str(one) for one in refused.value.faults]
    value = step.split(": ", 1)[1]
    assert any(
        rule in one and f"'{value}'" in one and one.startswith("p.yaml:3:") for one in faults
    )


def test_a_tightened_value_may_not_pass_the_other_limit():
    """Nothing is left between 3.00 and 4.20 V when 1.3 V are taken off."""
    found = told("- {step: charge, voltage: recommended less 1.3 V, termination current: 0.1 A}")
    assert any(
        "charge voltage 2.90 V is not above the cell's recommended cut-off" in one for one in found
    )
    found = told("- {step: discharge, current: 1 A, cut-off voltage: recommended plus 1.3 V}")
    assert any("cut-off 4.30 V is not below the cell's recommended charge" in one for one in found)
    assert profile("- {step: rest, for: 1 min}")

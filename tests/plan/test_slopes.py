"""Ends by slope: what may be written, what is planned, and that no charge is known behind one."""

import pytest

from sequencer.documents.profile import ProfileDocument
from sequencer.plan.step import StopKind
from sequencer.source.loading import load_text
from sequencer.vocabulary.faults import DocumentError
from tests.plan.documents import plan, told

FALLS = "- {step: discharge, current: 0.5 C, until slope: {voltage: 20 mV/min, in: 2 min}, %s}"
OUT = FALLS % "cut-off voltage: recommended"
IN = (
    "- {step: charge, current: 0.5 C, voltage: recommended, termination current: 0.05 C, "
    "until slope: {temperature: 0.5 K/min, in: 5 min, at least: 10 min}}"
)


def test_a_slope_is_one_stop_more():
    """Falling in a discharge, rising in a charge; the cut-off ends the step as well."""
    (out,) = plan(OUT)
    kinds = [stop.kind for stop in out.stops]
    assert kinds == [StopKind.VOLTAGE_BELOW, StopKind.FALLING]
    assert out.stops[1].value == pytest.approx(0.02 / 60.0)
    assert "or the voltage falls by 20 mV/min or faster in 2 min" in out.sentence
    (into,) = plan(IN)
    assert "the surface warms by 0.5 K/min or faster in 5 min, 10 min at least" in into.sentence
    rising = "- {step: charge, current: 1 A, until slope: {voltage: 5 mV/min, in: 2 min}, for: 1 h}"
    (up,) = plan(rising)
    assert StopKind.RISING in [stop.kind for stop in up.stops]


def test_nothing_is_known_of_the_charge_behind_a_slope():
    """A cell whose discharge may end by one is not taken for empty, nor a charge for full."""
    counted = "- {step: adjust state of charge, to: 30 %}"
    full, out = (
        f"{IN.split(', until slope')[0]}}}",
        "- {step: discharge, current: 0.5 C, cut-off voltage: recommended}",
    )
    for pair in ((full, OUT), (IN, out)):
        written = "\n".join((*pair, counted))
        assert any("no step before it does" in one for one in told(written))
    assert told(f"{full}\n{out}\n{counted}") == []


@pytest.mark.parametrize(
    ("given", "rule"),
    [
        ("{in: 2 min}", "until slope: give the slope of one: 'voltage' or 'temperature'"),
        ("{voltage: 1 mV/min, temperature: 1 K/min, in: 2 min}", "give the slope of one"),
        ("{voltage: 1 mV/min, in: 10 s}", "in '10 s': is shorter than 60 s"),
        ("{voltage: 1 mV, in: 2 min}", "voltage '1 mV': unit mV is not one for a voltage slope"),
        ("{voltage: 0 mV/min, in: 2 min}", "must be above zero"),
        ("{voltage: 1 mV/min}", "key 'in' is missing"),
    ],
)
def test_what_cannot_be_meant_is_refused_at_its_place(given, rule):
    """With the value that stands there."""
    step = f"- {{step: discharge, current: 1 A, for: 1 h, until slope: {given}}}"
    with pytest.raises(DocumentError) as refused:
        load_text(f"profile: x\nsteps:\n{step}\n", "p.yaml", ProfileDocument)
    found = [str(one) for one in refused.value.faults]
    assert any(rule in one and one.startswith("p.yaml:3:") for one in found), found


def test_a_slope_alone_is_no_stop():
    """It may never come."""
    step = "- {step: charge, current: 1 A, until slope: {voltage: 1 mV/min, in: 2 min}}"
    with pytest.raises(DocumentError, match="this charge has no stop"):
        load_text(f"profile: x\nsteps:\n{step}\n", "p.yaml", ProfileDocument)

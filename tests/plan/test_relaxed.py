"""A rest until relaxed: what may be written, what is planned, what a meter must be able to tell."""

import pytest

from sequencer.documents.profile import ProfileDocument
from sequencer.plan.step import Stop, StopKind
from sequencer.plan.within import least_time
from sequencer.source.loading import load_text
from sequencer.vocabulary.faults import DocumentError
from tests.plan.documents import plan, profile

REST = "- {step: rest, for: 4 h, until relaxed: {below: 0.2 mV, in: 10 min, at least: 30 min}}"


def test_it_ends_by_either_and_says_so():
    """The time is the most; the sentence has both."""
    (step,) = plan(REST)
    assert step.stops == (
        Stop(StopKind.TIME, 14400.0),
        Stop(StopKind.RELAXED, 0.0002, over_s=600.0, least_s=1800.0),
    )
    assert step.sentence == (
        "Rest for 4 h, or until the voltage has moved by less than 0.20 mV in 10 min, "
        "30 min at least"
    )
    assert least_time(profile(REST).steps) == 1800.0
    assert least_time(profile(REST.replace(", at least: 30 min", "")).steps) == 600.0


@pytest.mark.parametrize(
    ("old", "new", "rule"),
    [
        ("4 h", "20 min", "for '20 min': ends before 'until relaxed' can"),
        ("10 min", "5 h", "for '4 h': ends before 'until relaxed' can"),
        ("10 min", "30 s", "in '30 s': is shorter than 60 s"),
        ("0.2 mV", "0 mV", "below '0 mV': must be above zero"),
        ("below: 0.2 mV, ", "", "key 'below' is missing"),
        ("at least", "at most", "unknown key 'at most': did you mean 'at least'?"),
    ],
)
def test_what_cannot_be_meant_is_refused_at_its_place(old, new, rule):
    """With the value that stands there."""
    with pytest.raises(DocumentError) as refused:
        load_text(f"profile: x\nsteps:\n{REST.replace(old, new)}\n", "p.yaml", ProfileDocument)
    told = [str(one) for one in refused.value.faults]
    assert any(rule in one and one.startswith("p.yaml:3:") for one in told), told

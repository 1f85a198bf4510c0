"""Parameters of a profile: put where they are used, bounded, set for one run."""

import pytest

from sequencer.documents.profile import ProfileDocument
from sequencer.documents.rules import UNKNOWN
from sequencer.source.loading import Intake, load_text
from sequencer.vocabulary.faults import DocumentError
from sequencer.vocabulary.quantities import Dimension, Quantity

TEXT = """\
profile: Ladder
parameters:
  rate: {default: 0.5 C, least: 0.1 C, most: 1 C}
  hold: {default: 30 min, least: 1 min, most: 2 h}
limits: {total time: parameter hold}
steps:
  - {step: rest, for: parameter hold, label: parameter of nature}
  - {step: discharge, current: parameter rate, for: 1 min}
  - step: for each
    rates: [parameter rate, 0.2 C]
    steps: [{step: pulse, direction: discharge, current: each rate, for: 10 s}]
"""


def read(text: str = TEXT, last_line: str = "") -> ProfileDocument:
    """The profile with what was set as its last line."""
    return load_text(text + last_line, "p.yaml", ProfileDocument).document


def faults(text: str = TEXT, last_line: str = "") -> list[str]:
    """Every fault as it is told."""
    with pytest.raises(DocumentError) as refused:
        read(text, last_line)
    return [str(one) for one in refused.value.faults]


def test_a_parameter_stands_for_its_default_wherever_a_quantity_stands():
    """In steps, in limits and in a list of rates; a person's own words stay as they are."""
    made = read()
    assert made.steps[0].for_ == made.limits.total_time == 1800.0
    assert made.steps[1].current == Quantity(0.5, Dimension.RATE)
    assert made.steps[2].rates == (0.5, 0.2)
    assert made.steps[0].label == "parameter of nature"
    assert made.title == "Ladder"


def test_what_is_set_stands_in_place_of_the_default():
    """And is part of the title, which manifest, screen and report say."""
    made = read(last_line='set: {"rate": "250 mC", "hold": "90 min"}'.replace("250 mC", "1 C"))
    assert made.steps[1].current == Quantity(1.0, Dimension.RATE)
    assert made.steps[0].for_ == 5400.0
    assert made.title == "Ladder (rate 1 C, hold 1 h 30 min)"


@pytest.mark.parametrize(
    ("given", "rule"),
    [
        ('{"rat": "1 C"}', "p.yaml:12:14: rat '1 C': no such parameter: did you mean 'rate'?"),
        ('{"x": "1 C"}', "p.yaml:12:12: x '1 C': no such parameter: there are 'rate', 'hold'"),
        ('{"rate": "1.5 C"}', "p.yaml:12:15: rate '1.5 C': is above the most, 1 C"),
        ('{"rate": "0.05 C"}', "p.yaml:12:15: rate '0.05 C': is below the least, 0.1 C"),
        ('{"rate": "1 A"}', "p.yaml:12:15: rate '1 A': is a current, and the least a C-rate"),
        ('{"hold": "3 h"}', "p.yaml:12:15: hold '3 h': is above the most, 2 h"),
        ('{"rate": "fast"}', "p.yaml:12:15: rate 'fast': not a quantity with its unit"),
        ('{"rate": "1 C", "rate": "0.2 C"}', "key 'rate' is repeated: it stands on line 12"),
    ],
)
def test_what_may_not_be_set_is_refused_with_place_rule_and_value(given, rule):
    """The line behind the last of the file is what was set."""
    told = faults(last_line=f"set: {given}")
    assert any(rule in one for one in told), told


@pytest.mark.parametrize(
    ("old", "new", "rule"),
    [
        ("current: parameter rate", "current: parameter rte", "'parameter rte': no such parameter"),
        ("for: parameter hold", "for: parameter rate", "7:23: for 'parameter rate' (0.5 C): unit"),
        ("default: 0.5 C", "default: 2 C", "3:19: default '2 C': is above the most, 1 C"),
        ("most: 1 C", "most: 0.05 C", "most '0.05 C': is below the least, 0.1 C"),
        ("most: 1 C", "most: 1 A", "most '1 A': is a current, and the least a C-rate"),
        ("most: 1 C", "highest: 1 C", "unknown key 'highest'"),
        (", most: 1 C", "", "key 'most' is missing"),
        ("default: 0.5 C", "default: half", "3:19: default 'half': not a quantity"),
    ],
)
def test_a_parameter_that_is_wrong_is_told_at_its_place(old, new, rule):
    """Where it was written, which is where it is used, or where it is bounded."""
    told = faults(TEXT.replace(old, new, 1))
    assert any(rule in one for one in told), told


def test_a_default_that_is_no_quantity_is_told_once():
    """Not again at each step that says it."""
    assert len(faults(TEXT.replace("default: 0.5 C", "default: half"))) == 1


def test_a_parameter_that_no_step_uses_is_refused():
    """It would be set, and change nothing."""
    spare = "  spare: {default: 1 V, least: 1 V, most: 2 V}\nlimits"
    (told,) = faults(TEXT.replace("limits", spare, 1))
    assert told.startswith("p.yaml:5:3: parameter 'spare': not used: say 'parameter spare'")


def test_the_rules_beside_a_wrong_parameter_are_judged_too(tmp_path):
    """Its uses are not known, and everything else is."""
    path = tmp_path / "p.yaml"
    path.write_text(TEXT.replace("default: 0.5 C", "default: half"), encoding="utf-8")
    found = Intake().look(path, ProfileDocument)
    assert found is not None
    assert found.document.steps[1].current is UNKNOWN
    assert found.document.steps[0].for_ == 1800.0

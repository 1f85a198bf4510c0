"""Parts of a profile: the plan of the steps written out, and each fault once, where it stands."""

import pytest

from sequencer.documents.profile import ProfileDocument
from sequencer.plan.against_cell import find_breaches
from sequencer.plan.make import make_plan
from sequencer.source.loading import load_text
from sequencer.vocabulary.faults import DocumentError
from tests.plan.documents import CELL
from tests.source.samples import PARTS

FULL = "{step: charge, current: 0.5 C, voltage: recommended, termination current: 0.05 C}"
PAUSE = "{step: rest, for: 30 min}"
WRITTEN_OUT = f"""\
profile: Two rates
steps:
  - {FULL}
  - {PAUSE}
  - step: for each
    rates: [0.2 C, 1 C]
    steps:
      - {{step: discharge, current: each rate, cut-off voltage: recommended}}
      - {PAUSE}
      - {FULL}
      - {PAUSE}
"""


def faults(text: str) -> list[str]:
    """Every fault as it is told."""
    with pytest.raises(DocumentError) as refused:
        load_text(text, "p.yaml", ProfileDocument)
    return [str(one) for one in refused.value.faults]


def test_a_profile_with_parts_is_the_one_written_out():
    """The same steps, but for the words that say where they stand."""
    one, other = (load_text(t, "p.yaml", ProfileDocument).document for t in (PARTS, WRITTEN_OUT))
    assert find_breaches(one, CELL) == find_breaches(other, CELL) == []
    plans = [make_plan(made, CELL) for made in (one, other)]
    assert len(plans[0]) == 10
    assert [step._replace(place="") for step in plans[0]] == [
        step._replace(place="") for step in plans[1]
    ]
    assert plans[0][1].place == "step 1.2.1, full charge, settle"
    assert plans[0][2].place == "step 2.1.1, at 0.2 C, at a rate"


def test_a_fault_in_a_part_is_told_once_where_it_stands():
    """Though the part is used three times; so is a rule against the cell."""
    text = PARTS.replace("current: 0.5 C", "current: 0.5 V", 1)
    (told,) = faults(text)
    assert told.startswith("p.yaml:5:31: current '0.5 V': ")
    (told,) = faults(PARTS.replace("parameter pause", "parameter pose"))
    assert told.startswith("p.yaml:8:25: for 'parameter pose': no such parameter")
    loaded = load_text(PARTS.replace("0.5 C", "9 C"), "p.yaml", ProfileDocument)
    breaches = find_breaches(loaded.document, CELL)
    assert {(loaded.place(*one.path), one.message) for one in breaches} == {
        (("p.yaml", 5, 31), "charge current 18.00 A is above the cell's absolute limit of 4.00 A")
    }


@pytest.mark.parametrize(
    ("old", "new", "rule"),
    [
        (
            "  - part: full charge",
            "  - part: full charg",
            "13:11: part 'full charg': no such part: did",
        ),
        (
            "  - part: full charge",
            "  - {part: full charge, label: x}",
            "13:12: a part stands alone",
        ),
        ("  - part: full charge", "  - {step: part}", "a part stands alone: write '- part: '"),
        ("  - part: full charge", "  - part: [a]", "a part stands alone: write '- part: '"),
        ("      - part: at a rate\n", "", "9:3: part 'at a rate': not used"),
        (
            "{step: rest, for: parameter pause}",
            "part: full charge",
            "'full charge', 'settle', 'full",
        ),
        (
            "    - part: settle\n  at",
            "    - part: at a rate\n  at",
            "'at a rate': stands within itself",
        ),
        (
            "  settle:\n    - {step: rest, for: parameter pause}",
            "  settle: []",
            "at least one step",
        ),
        ("  settle:\n    - {step: rest, for: parameter pause}", "  settle: rest", "write a list"),
        ("parts:", "parts: none\nothers:", "write keys and values"),
    ],
)
def test_a_part_that_is_wrong_is_refused_with_its_place(old, new, rule):
    """None of these may end in anything but faults."""
    if "within itself" in rule:
        text = PARTS.replace("- part: settle\nsteps", "- part: at a rate\nsteps")
    else:
        text = PARTS.replace(old, new, 1)
    told = faults(text)
    assert any(rule in one for one in told), told


def test_parts_that_grow_beyond_all_bounds_are_refused():
    """Ten parts, each with ten of the next, would be 10^10 steps."""
    parts = "".join(f"  p{n}: [{', '.join([f'{{part: p{n + 1}}}'] * 10)}]\n" for n in range(10))
    end = "  p10: [{step: rest, for: 1 min}]\n"
    told = faults(f"profile: x\nparts:\n{parts}{end}steps: [{{part: p0}}]\n")
    assert any("more than 20000 keys and values once every part is written out" in t for t in told)

"""Every bad document that a person is likely to hand in: a clear line with place, rule, value.

The list is the project's own promise; each entry is the whole of what is said.
"""

import pytest

from sequencer.documents.profile import ProfileDocument
from sequencer.source.loading import load
from sequencer.source.nodes import MAX_DEPTH
from sequencer.vocabulary.faults import DocumentError
from tests.source.samples import PROFILE

BOMB = "a: &a [x, x]\nb: &b [*a, *a]\nc: &c [*b, *b]\n"
EXAMPLE = "write a number and a unit, such as"
WORDS = (
    "not known here: write a quantity with its unit, or 'each rate', 'each current', 'by table', "
    "'50 % of recommended'"
)
DIGITS = "a number has at most 15 digits before and behind its point, and 2 in its exponent"
CLOCK = "write hours, minutes or seconds, such as"
CURRENTS = "needs one of A, mA, uA or C"

SPOILT = {
    "not YAML": ("profile: test", "profile: [test", None),
    "a tab": ("    for: 10", "\tfor: 10", ["4:1: a tab: indent and separate with spaces"]),
    "the wrong unit": (
        "10 min",
        "10 V",
        ["4:10: for '10 V': unit V is not one for a time: use s, min, h, d or ms"],
    ),
    "no unit": (
        "0.5 C",
        "0.5",
        [f"6:14: current '0.5': no unit: a current or C-rate {CURRENTS}"],
    ),
    "1:30": ("10 min", "1:30", [f"4:10: for '1:30': not a time: {CLOCK} '90 min'"]),
    "on": ("10 min", "on", [f"4:10: for 'on': not a time: {EXAMPLE} '5 s'"]),
    "a repeated key": (
        "    for: 10 min\n",
        "    for: 10 min\n    for: 20 min\n",
        ["5:5: key 'for' is repeated: it stands on line 4"],
    ),
    "an unknown key": (
        "termination current",
        "terminaton current",
        [
            "8:5: unknown key 'terminaton current': did you mean 'termination current'?",
        ],
    ),
    "NaN": ("0.5 C", "nan C", [f"6:14: current 'nan C': {WORDS}"]),
    "infinity": (
        "0.5 C",
        "inf C",
        [f"6:14: current 'inf C': {WORDS}"],
    ),
    "a huge number": (
        "0.5 C",
        "1e15 C",
        ["6:14: current '1e15 C': is larger than anything that belongs here"],
    ),
    "a huge count of digits": (
        "0.5 C",
        "9" * 40 + " C",
        [f"6:14: current '{'9' * 40} C': not a current or C-rate: {DIGITS}"],
    ),
    "deep nesting": (
        "rates: [0.2 C, 1 C]",
        f"rates: {'[' * 30}{']' * 30}",
        [f"10:{12 + MAX_DEPTH - 3}: nested deeper than {MAX_DEPTH} levels"],
    ),
    "an empty value": ("10 min", "", ["4:9: 'for': nothing is written here"]),
    "an alias bomb": (
        "profile: test\n",
        f"profile: test\n{BOMB}",
        [
            "2:4: anchor '&a': write the value out instead",
            "3:4: anchor '&b': write the value out instead",
            "3:8: alias '*a': write the value out",
        ],
    ),
    "code in a tag": (
        "10 min",
        "!!python/object/apply:os.system ['true']",
        None,
    ),
}


@pytest.mark.parametrize("case", SPOILT)
def test_each_bad_document_is_told_in_clear_lines(case, tmp_path):
    """What is said is the whole list, and nothing raises but DocumentError."""
    old, new, lines = SPOILT[case]
    assert old in PROFILE
    path = tmp_path / "night.yaml"
    path.write_text(PROFILE.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(DocumentError) as error:
        load(path, ProfileDocument)
    said = [str(fault).removeprefix(f"{path}:") for fault in error.value.faults]
    if lines is None:
        assert said
    else:
        assert said == lines


def test_a_tag_runs_nothing(tmp_path):
    """A tag that would make other loaders call the system is text here, and refused."""
    mark = tmp_path / "mark"
    path = tmp_path / "night.yaml"
    path.write_text(
        f"profile: !!python/object/apply:os.system ['touch {mark}']\n", encoding="utf-8"
    )
    with pytest.raises(DocumentError, match="values here are plain text"):
        load(path, ProfileDocument)
    assert not mark.exists()

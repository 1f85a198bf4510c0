"""Positioned nodes: text stays text, and what surprises in YAML is refused with its place."""

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from sequencer.source import nodes
from sequencer.source.nodes import MAX_DEPTH, MAX_NODES, grow


def said(text):
    """Every fault of a text as it is shown, without the file's name."""
    return [str(fault).removeprefix("night.yaml:") for fault in grow(text, "night.yaml").faults]


@pytest.fixture(params=["libyaml", "pure"], autouse=True)
def parser(request, monkeypatch):
    """Everything here holds for libyaml's parser and for the one that stands in for it."""
    loader = yaml.CSafeLoader if request.param == "libyaml" else yaml.SafeLoader
    monkeypatch.setattr(nodes, "_LOADER", loader)


def test_every_scalar_stays_text():
    """YAML's own typing reads 1:30 as 90, 012 as 10, no as false: none of it happens here."""
    text = "a: 1:30\nb: 012\nc: no\nd: 1e-3\ne: [on, 0x1F, 2026-01-02, .inf, '7']\nf: {g: true}\n"
    tree = grow(text, "night.yaml")
    assert tree.faults == []
    assert tree.root == {
        "a": "1:30",
        "b": "012",
        "c": "no",
        "d": "1e-3",
        "e": ["on", "0x1F", "2026-01-02", ".inf", "7"],
        "f": {"g": "true"},
    }


def test_every_key_and_value_knows_its_place():
    """Lines and columns count from one; a mapping and a list stand where their key stands."""
    tree = grow("a: b\nsteps:\n  - step: rest\n    for:  10 min\n  - [x, y]\n", "night.yaml")
    places = {
        (): (1, 1),
        ("a",): (1, 4),
        ("steps",): (2, 1),
        ("steps", 0): (3, 5),
        ("steps", 0, "step"): (3, 11),
        ("steps", 0, "for"): (4, 11),
        ("steps", 1): (5, 5),
        ("steps", 1, 1): (5, 9),
    }
    assert {loc: tree.place(loc) for loc in places} == places
    assert tree.keys["steps", 0, "for"] == (4, 5)


def test_what_is_not_there_is_placed_at_what_should_hold_it():
    """A missing key is told at the nearest thing above it."""
    tree = grow("a:\n  b: c\n", "night.yaml")
    assert tree.place(("a", "x", 3, "y")) == (1, 1)
    assert tree.place(("z",)) == (1, 1)


def test_columns_count_characters_not_bytes():
    """A letter outside ASCII is one column wide."""
    assert grow("é: {ü: x}\n", "night.yaml").place(("é", "ü")) == (1, 8)


@pytest.mark.parametrize(
    ("text", "faults"),
    [
        ("", ["1:1: the document is empty"]),
        ("# only words\n", ["1:1: the document is empty"]),
        ("- a\n", ["1:1: a document holds keys and values, such as 'cell: name'"]),
        ("just words\n", ["1:1: a document holds keys and values, such as 'cell: name'"]),
        ("a: b\na: c\n", ["2:1: key 'a' is repeated: it stands on line 1"]),
        ("a: {b: c, b: d}\n", ["1:11: key 'b' is repeated: it stands on line 1"]),
        ("a:\nb:\n", ["1:3: 'a': nothing is written here", "2:3: 'b': nothing is written here"]),
        ("a: [x, , y]\n", None),
        ("a: &x b\n", ["1:4: anchor '&x': write the value out instead"]),
        ("a: *x\n", ["1:4: alias '*x': write the value out"]),
        ("a: !!int 3\n", ["1:4: tag 'tag:yaml.org,2002:int': values here are plain text"]),
        ("a: !x 3\n", ["1:4: tag '!x': values here are plain text"]),
        ("%YAML 1.1\n---\na: b\n", ["1:1: a YAML directive ('%...'): leave it out"]),
        ("a: b\n---\nc: d\n", ["2:1: a second document in the file: one file holds one document"]),
        ("? [a]\n: b\n", ["1:3: a key must be plain text, not a list or a mapping"]),
        ("a:\n\tb: c\n", ["2:1: a tab: indent and separate with spaces"]),
        ("a:\tb\nc:\td\n", [f"{n}:3: a tab: indent and separate with spaces" for n in (1, 2)]),
        ("a: b\x00\n", ["1:5: a NUL character: this is not a text file"]),
        ("a: \x1b[31m\n", ["1:4: the invisible character U+001B: remove it"]),
        ("\ufeffa: b\n", ["1:1: the invisible character U+FEFF: remove it"]),
        ("a: b\u202e\n", ["1:5: the invisible character U+202E: remove it"]),
        ('"a\\nb":\n', ["1:8: 'a\\u000ab': nothing is written here"]),
        ('a: "\\e[31m"\n', ["1:4: the control character U+001B in a text"]),
        (
            "a: [b\n",
            ["1:4: not YAML: a '[' is not closed by ']', or a quote before it is not closed"],
        ),
    ],
)
def test_what_is_refused_and_where(text, faults):
    """Each surprise of YAML is one clear line with its place."""
    if faults is None:
        assert said(text) != []
    else:
        assert said(text) == faults


@pytest.mark.parametrize(
    "text",
    [
        "a: b: c",
        "a: 'b",
        'a: "b',
        "a: @b",
        "a: b\n c: d",
        "a\nb: c",
        "a: {b: c",
        "a: b\n}",
        "a: |x\n b",
    ],
)
def test_what_is_not_yaml_is_one_line_with_a_place(text):
    """The parser stops at its first fault; what it says has a line and a column."""
    (fault,) = grow(text, "night.yaml").faults
    assert fault.line >= 1
    assert fault.column >= 1
    assert fault.message.startswith("not YAML: ")
    assert "\n" not in fault.message


def test_the_second_of_a_repeated_key_counts_for_nothing():
    """The first is kept whole, and nothing inside the second is placed or judged."""
    tree = grow("a: {b: c}\na: {d: [], e: }\n", "night.yaml")
    assert tree.root == {"a": {"b": "c"}}
    assert len(tree.faults) == 1


def test_an_alias_bomb_costs_nothing():
    """Nine levels of nine aliases would be 387 million nodes; the first alias ends it."""
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
    for n in range(1, 9):
        lines.append(f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]")
    faults = said("\n".join(lines))
    assert faults[-1] == "2:10: alias '*a0': write the value out"
    assert len(faults) == 3


def test_depth_is_bounded():
    """As deep as the bound is read, one deeper is refused at its place."""
    deepest = "[" * (MAX_DEPTH - 1) + "]" * (MAX_DEPTH - 1)
    assert said(f"a: {deepest}") == []
    assert said(f"a: [{deepest}]") == [f"1:{3 + MAX_DEPTH}: nested deeper than {MAX_DEPTH} levels"]
    (fault,) = said("a: " + "[" * 100_000)
    assert fault.endswith(f"nested deeper than {MAX_DEPTH} levels")


def test_the_number_of_nodes_is_bounded():
    """Many small values are refused before they cost memory."""
    (fault,) = said("a: [" + "x," * MAX_NODES + "]")
    assert fault.endswith(f"more than {MAX_NODES} keys and values")


def test_the_length_of_a_text_is_bounded():
    """One very long value is refused, and its length told."""
    assert said("a: " + "x" * 5000) == ["1:4: a text of 5000 characters: at most 2000 are read"]


def test_the_number_of_faults_is_bounded():
    """A file full of faults does not fill the terminal."""
    assert len(said("a: \tb\n" * 1000)) == nodes.MAX_FAULTS
    assert len(said("a: b\n" * 1000)) <= nodes.MAX_FAULTS + 3


@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=80))
def test_no_text_raises(text):
    """Whatever the text, there is a mapping or there are faults with places."""
    tree = grow(text, "night.yaml")
    assert isinstance(tree.root, dict) or tree.faults
    assert all(fault.line >= 1 and fault.column >= 1 for fault in tree.faults)

"""What a model refuses is told in plain words, at its place, all of it at once."""

from typing import Annotated, Literal

import pytest
from pydantic import Field

from sequencer.documents.bench import BenchDocument
from sequencer.documents.cell import CellDocument
from sequencer.documents.fields import Amps, Count, Document, Number, Volts, YesNo
from sequencer.documents.profile import ProfileDocument
from sequencer.documents.rules import RuleError
from sequencer.documents.specimen import SpecimenDocument
from sequencer.source.loading import load_text
from sequencer.vocabulary.faults import DocumentError
from tests.source.samples import BENCH, CELL, PROFILE, SPECIMEN

NOT_ONE_VALUE = "write one value here, such as '5 V', not a list or a mapping"
CHEMISTRIES = "'NMC', 'NCA', 'LCO', 'LMO', 'LFP' or 'LTO'"


def said(text, model):
    """The faults of a text as shown, without the file's name; empty when it loads."""
    try:
        load_text(text, "night.yaml", model)
    except DocumentError as error:
        return [str(fault).removeprefix("night.yaml:") for fault in error.faults]
    return []


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ("4.2 V", "4.2", "5:19: charge voltage '4.2': no unit: a voltage needs one of V, mV or uV"),
        (
            "4.2 V",
            "4.2 A",
            "5:19: charge voltage '4.2 A': unit A is not one for a voltage: use V, mV or uV",
        ),
        (
            "4.2 V",
            "nan V",
            "5:19: charge voltage 'nan V': not a voltage: write a number and a unit, such as '5 V'",
        ),
        (
            "4.2 V",
            "1:30",
            "5:19: charge voltage '1:30': not a voltage: write a number and a unit, such as '5 V'",
        ),
        (
            "4.2 V",
            "on",
            "5:19: charge voltage 'on': not a voltage: write a number and a unit, such as '5 V'",
        ),
        ("4.2 V", "-4.2 V", "5:19: charge voltage '-4.2 V': must be above zero"),
        ("4.2 V", "0 V", "5:19: charge voltage '0 V': must be above zero"),
        (
            "4.2 V",
            "123456789012 V",
            "5:19: charge voltage '123456789012 V': is larger than anything that belongs here",
        ),
        (
            "4.2 V",
            "[4.2 V]",
            f"5:3: charge voltage: {NOT_ONE_VALUE}",
        ),
        ("charge voltage: 4.2 V", "chrge voltage: 4.2 V", None),
        ("-10 degC", "-300 degC", "10:32: low '-300 degC': is below absolute zero"),
        ("to: 15 %", "to: 150 %", "26:25: state of charge to '150 %': must be at most 100 %"),
        ("low: 10 degC", "low: 41 degC", "9:3: charge temperature: low must be below high"),
        (
            "chemistry: NMC",
            "chemistry: NCM",
            f"2:12: chemistry 'NCM': write {CHEMISTRIES}: did you mean 'NMC'?",
        ),
        ("cell: test cell", 'cell: ""', "1:7: cell '': must not be empty"),
        ("none given", "none", "33:17: conditions 'none': write 'none given', or keys and values"),
        ("none given", "{rte: 1 C}", "33:18: unknown key 'rte': did you mean 'rate'?"),
        (
            "none given",
            "{rate: 1}",
            "33:24: rate '1': no unit: a C-rate needs the unit C",
        ),
        ("  - said on: label\n", "  - label\n  - said on: label\n", None),
    ],
)
def test_one_spoilt_thing_in_a_cell_document(old, new, fault):
    """Place, rule, value: each in one line."""
    assert said(CELL, CellDocument) == []
    faults = said(CELL.replace(old, new, 1), CellDocument)
    if fault is not None:
        assert faults == [fault]
    else:
        assert faults != []


def test_a_misspelt_key_is_told_with_the_key_that_was_meant():
    """One mistake, one line: the key that was meant is not also told as missing."""
    assert said(CELL.replace("charge voltage: 4.2 V", "chrge voltage: 4.2 V", 1), CellDocument) == [
        "5:3: unknown key 'chrge voltage': did you mean 'charge voltage'?",
    ]


def test_a_key_that_is_near_to_none_is_told_with_all_that_are_known():
    """Where nothing is near, what would do is listed."""
    text = BENCH.replace(
        "{definition: generic-scpi-load,", "{xyzzy: a, definition: generic-scpi-load,"
    )
    keys = "'definition', 'address', 'serial number', 'negative' and 'channel'"
    assert said(text, BenchDocument) == [f"4:10: unknown key 'xyzzy': known here are {keys}"]


def test_every_fault_of_a_profile_is_told_at_once():
    """Nested lists of steps of different kinds: each fault at its own place, in order."""
    text = (
        PROFILE.replace("for: 10 min", "for: 1:30\n    fr: 1 min")
        .replace("step: charge", "step: chrage")
        .replace("each rate\n", "each rte\n")
        .replace("rates: [0.2 C, 1 C]", "rates: [0.2 C, 1]")
    )
    assert said(text, ProfileDocument) == [
        "4:10: for '1:30': not a time: write hours, minutes or seconds, such as '90 min'",
        "5:5: unknown key 'fr': did you mean 'for'?",
        "6:11: step 'chrage': unknown: did you mean 'charge'?",
        *[fault for fault in said(text, ProfileDocument) if fault.startswith(("11:", "14:"))],
    ]
    assert len(said(text, ProfileDocument)) == 5


def test_a_step_without_its_kind_is_told_so():
    """The key that says which step it is, is named."""
    text = PROFILE.replace("- step: rest\n    for", "- for")
    assert said(text, ProfileDocument) == ["3:5: steps entry 1: key 'step' is missing"]


def test_a_step_that_is_one_word_is_told_what_a_step_is():
    """``- rest`` is not yet a step."""
    text = PROFILE.replace("- step: rest\n    for: 10 min", "- rest")
    assert said(text, ProfileDocument) == [
        "3:5: steps entry 1 'rest': write keys and values here, with 'step'"
    ]


def test_rules_between_keys_are_told_at_the_key_that_breaks_them():
    """Two wrong names in the wiring are two faults, each at its own place."""
    text = BENCH.replace("charge: supply", "charge: suply", 1).replace("{by: meter}", "{by: dmm}")
    known = "supply, load, meter, thermometer, contactor"
    meant = ": did you mean 'supply'?"
    assert said(text, BenchDocument) == [
        f"9:11: charge 'suply': is not among the instruments, which are {known}{meant}",
        f"11:17: by 'dmm': is not among the instruments, which are {known}: did you mean 'meter'?",
    ]


class One(Document):
    """A member of unions."""

    kind: Literal["one"]
    voltage: Volts


class Two(Document):
    """Another member; its kind is spelt like a key that it has."""

    kind: Literal["two", "current"]
    current: Amps
    way: Literal["in", "out"] = "in"


class Mixed(Document):
    """Every shape that a union can have here."""

    tagged: Annotated[One | Two, Field(discriminator="kind")] | None = None
    plain: One | Two | None = None
    shapes: Volts | tuple[Volts, ...] | dict[str, One] | None = None
    named: dict[Literal["left", "right"], Volts] = Field(default_factory=dict)
    pair: tuple[Volts, Amps] | None = None
    count: Annotated[Count, Field(ge=1, le=3)] = 1
    number: Number = 0.0
    flag: YesNo = False
    word: str = Field(default="abc", pattern="^[a-z]+$", max_length=5)
    some: tuple[Count, ...] = Field(default=(), max_length=2)


@pytest.mark.parametrize(
    ("text", "faults"),
    [
        (
            "tagged: {kind: current, current: 1}",
            ["1:34: current '1': no unit: a current needs one of A, mA or uA"],
        ),
        (
            "tagged: {kind: onee}",
            ["1:16: kind 'onee': unknown: did you mean 'one'?"],
        ),
        (
            "tagged: {kind: two, current: 1 A, way: up}",
            ["1:40: way 'up': write 'in' or 'out'"],
        ),
        ("tagged: [a]", ["1:1: tagged: write keys and values here, with 'kind'"]),
        (
            "plain: {kind: one, voltage: 1}",
            ["1:29: voltage '1': no unit: a voltage needs one of V, mV or uV"],
        ),
        ("shapes: 1", ["1:9: shapes '1': no unit: a voltage needs one of V, mV or uV"]),
        (
            "shapes: [1 V, 2]",
            ["1:15: shapes entry 2 '2': no unit: a voltage needs one of V, mV or uV"],
        ),
        (
            "shapes: {a: {kind: one, voltage: 2}}",
            ["1:34: voltage '2': no unit: a voltage needs one of V, mV or uV"],
        ),
        (
            "pair: [1 V, 2]",
            ["1:13: pair entry 2 '2': no unit: a current needs one of A, mA or uA"],
        ),
        (
            "named: {lft: 1 V}",
            ["1:9: unknown key 'lft': write 'left' or 'right': did you mean 'left'?"],
        ),
        ("count: 4", ["1:8: count '4': must be at most 3"]),
        ("count: 0", ["1:8: count '0': must be at least 1"]),
        ("count: 1.0", ["1:8: count '1.0': write a whole number, such as 3"]),
        ("count: 01", ["1:8: count '01': a whole number has no leading zero"]),
        ("count: ٣", ["1:8: count '٣': write a whole number, such as 3"]),
        ("number: nan", ["1:9: number 'nan': not a plain number, such as 3 or 0.5"]),
        ("number: [1]", ["1:1: number: not a plain number, such as 3 or 0.5"]),
        ("flag: on", ["1:7: flag 'on': write yes or no"]),
        ("flag: true", ["1:7: flag 'true': write yes or no"]),
        ("word: ABC", ["1:7: word 'ABC': is not of the form ^[a-z]+$"]),
        ("word: abcdef", ["1:7: word 'abcdef': at most 5 characters"]),
        ("word: {a: b}", ["1:1: word: write one text here, not a list or a mapping"]),
        ("some: [1, 2, 3]", ["1:1: some: may have at most 2, has 3"]),
        ("some: 3", ["1:7: some '3': write a list here"]),
        ("some: {a: b}", ["1:1: some: write a list here"]),
        (
            "count: 4\nflag: on",
            ["1:8: count '4': must be at most 3", "2:7: flag 'on': write yes or no"],
        ),
    ],
)
def test_every_shape_of_refusal_finds_its_place(text, faults):
    """Unions, tuples, mappings and bounds: the place is the culprit's, the words are ours."""
    assert said(text, Mixed) == faults


@pytest.mark.parametrize(
    ("text", "model", "fault"),
    [
        (CELL, ProfileDocument, "1:1: 'cell:' begins another kind of document: here one with "),
        (PROFILE, CellDocument, "1:1: 'profile:' begins another kind of document: here one with "),
        (
            SPECIMEN,
            CellDocument,
            "1:1: 'specimen:' begins another kind of document: here one with ",
        ),
        (CELL, SpecimenDocument, "1:1: 'cell:' begins another kind of document: here one with "),
    ],
)
def test_a_document_of_another_kind_is_told_as_such(text, model, fault):
    """Two file names exchanged are one mistake, not one for every key."""
    (told,) = said(text, model)
    assert told.startswith(fault)


def test_a_share_of_c_is_told_as_a_rate():
    """``C/5`` is met with what to write."""
    (told,) = said(PROFILE.replace("current: 0.5 C", "current: C/2"), ProfileDocument)
    assert told == "6:14: current 'C/2': not known here: write '0.5 C'"


def test_what_the_parser_told_is_not_told_again():
    """An empty value is one fault, not also a text that is no quantity."""
    assert said(CELL.replace("charge voltage: 4.2 V", "charge voltage:", 1), CellDocument) == [
        "5:18: 'charge voltage': nothing is written here"
    ]


def test_faults_of_the_parser_and_of_the_model_come_together():
    """A repeated key and a value without its unit are told in one go."""
    text = CELL.replace("chemistry: NMC", "chemistry: NMC\nchemistry: LCO").replace("3.8 V", "3.8")
    assert said(text, CellDocument) == [
        "3:1: key 'chemistry' is repeated: it stands on line 2",
        "19:18: storage voltage '3.8': no unit: a voltage needs one of V, mV or uV",
    ]


def test_a_long_or_odd_value_is_shown_short_and_printable():
    """What is quoted cannot flood or disturb a terminal."""
    (fault,) = said(CELL.replace("3.8 V", "x" * 500), CellDocument)
    assert len(fault) < 200
    assert "xxx...'" in fault


def test_thousands_of_faults_are_not_all_told():
    """The first fifty by place, and how many more there are."""
    faults = said("profile: x\nsteps:\n" + "  - rest\n" * 1000, ProfileDocument)
    assert len(faults) == 51
    assert faults[0].startswith("3:5: steps entry 1 'rest'")
    assert faults[-1].endswith(": 950 further faults are not shown")


def test_a_rule_error_reads_as_all_its_rules():
    """As plain text it keeps what was broken."""
    assert str(RuleError(("a", ("x",)), ("b", ()))) == "a; b"

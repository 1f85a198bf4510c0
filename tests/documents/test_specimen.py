"""The specimen document: weighings, arrival and clamping of the one cell in hand."""

import pytest

from sequencer.documents.specimen import SpecimenDocument
from sequencer.source.loading import load_text
from sequencer.vocabulary.faults import DocumentError
from tests.source.samples import SPECIMEN


def said(old, new):
    """The faults of the specimen document with one text replaced."""
    assert old in SPECIMEN
    with pytest.raises(DocumentError) as error:
        load_text(SPECIMEN.replace(old, new, 1), "a.yaml", SpecimenDocument)
    return [str(fault) for fault in error.value.faults]


def test_a_specimen_knows_its_masses():
    """The mean of the weighings of one state; None when it was never weighed so."""
    text = SPECIMEN.replace("weighings:", "weighings:\n  - {mass: 47.7 g, of: bare}")
    specimen = load_text(text, "a.yaml", SpecimenDocument).document
    assert [one.net_g for one in specimen.weighed("bare")] == [47.7, 47.9]
    assert [one.net_g for one in specimen.weighed("with tabs")] == [48.6]
    bare = "specimen: A\ncell: test cell\n"
    assert load_text(bare, "a.yaml", SpecimenDocument).document.weighed("bare") == ()


def test_a_mass_less_what_hangs_on_the_cell_is_the_cell_s():
    """Weighed with its leads, and the leads by themselves: the bare cell."""
    text = "specimen: A\ncell: c\nweighings:\n  - {mass: 46.9 g, of: with leads, "
    text += "less: {wires: 3.1 g}, balance: 0.1 g}\n"
    (one,) = load_text(text, "a.yaml", SpecimenDocument).document.weighed("bare")
    assert one.net_g == pytest.approx(43.8)
    assert one.balance == 0.1


PACK = """\
specimen: A
cell: c
weighings:
  - {mass: 46.9 g, of: with leads, less: {wires: 3.1 g}}
out of: {pack: lamp battery, cells: 2, parts: {casing: 18.2 g, board: 4 g}}
"""


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ("with leads, less", "bare, less",
         "4:24: of 'bare': a bare cell has nothing to take off: write what lay on the balance"),
        ("wires: 3.1 g", "wires: 47 g",
         "4:12: mass '46.9 g': is not more than what is taken off, 47 g"),
        (", less: {wires: 3.1 g}", "",
         "5:1: out of: the mass of a pack needs the bare cell to be weighed"),
        ("cells: 2", "cells: 0", "5:37: cells '0': must be at least 1"),
        ("casing: 18.2 g", "casing: 18.2",
         "5:56: casing '18.2': no unit: a mass needs one of g, kg or mg"),
    ],
)  # fmt: skip
def test_a_mass_that_cannot_be_worked_out_is_refused(old, new, fault):
    """With its place and the rule."""
    load_text(PACK, "a.yaml", SpecimenDocument)
    assert old in PACK
    with pytest.raises(DocumentError) as error:
        load_text(PACK.replace(old, new, 1), "a.yaml", SpecimenDocument)
    assert [str(one) for one in error.value.faults] == [f"a.yaml:{fault}"]


def test_what_was_noted_is_kept_as_it_was_written():
    """A batch of digits stays text, with its zero; a day stays the day."""
    specimen = load_text(SPECIMEN, "a.yaml", SpecimenDocument).document
    assert specimen.batch == "0712"
    assert specimen.arrival is not None
    assert (specimen.arrival.voltage, specimen.arrival.on) == (3.71, "2026-03-02")
    assert specimen.clamping is not None
    assert specimen.clamping.resistance == 0.0004


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        (
            "mass: 47.9 g",
            "mass: 48.7 g",
            "6:12: mass '48.7 g': a bare cell cannot be heavier than with tabs, 48.6 g",
        ),
        (
            "mass: 47.9 g",
            "mass: 47.9",
            "6:12: mass '47.9': no unit: a mass needs one of g, kg or mg",
        ),
        ("of: bare", "of: naked", "6:24: of 'naked': write 'bare', 'with tabs' or 'with leads'"),
        (
            "on: 2026-03-03",
            "on: 2026-03-01",
            "7:39: on '2026-03-01': is before the cell arrived, 2026-03-02",
        ),
        (
            "on: 2026-03-03",
            "on: 2026-02-30",
            "7:39: on '2026-02-30': there is no such day in the calendar",
        ),
        (
            "on: 2026-03-03",
            "on: 3 March",
            "7:39: on '3 March': not a day: write year, month and day, such as 2026-03-14",
        ),
        ("cell: test cell", 'cell: ""', "2:7: cell '': must not be empty"),
    ],
)
def test_each_rule_is_told_at_its_place(old, new, fault):
    """Place, rule, value."""
    assert said(old, new) == [f"a.yaml:{fault}"]


def test_a_clamping_before_the_arrival_is_a_mistake():
    """Its day is judged like the weighings'."""
    assert said("resistance: 0.4 mOhm", "on: 2026-03-01") == [
        "a.yaml:8:52: on '2026-03-01': is before the cell arrived, 2026-03-02"
    ]

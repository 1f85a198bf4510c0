"""Masses as people have them: less their leads, on a balance with an error, out of a pack."""

from math import hypot, sqrt

import pytest

from sequencer.analysis.analyse import analyse
from sequencer.analysis.results import VerdictWord
from sequencer.documents.specimen import SpecimenDocument
from tests.analysis.pretending import cell, charge, discharge, ran, rest
from tests.analysis.uncertainty.pretended import bench, definitions

WH = 3.4
"""What the pretended discharge gives: 1 A for an hour at 3.4 V, worked."""


def found(specimen, claims=()):
    """The analysis of a full charge and a complete discharge of that specimen."""
    parts = [
        charge(lambda t: 1.0 - 0.95 * t / 3600.0, 3600, lambda t: 4.2 + 0.0 * t),
        rest(600, 4.18),
        discharge(1.0, 3600, lambda t: 3.8 - 0.8 * t / 3600.0),
        rest(600, 3.3),
    ]
    tested = ran(
        parts,
        cell=cell(rated_ah=1.0, claims=list(claims)),
        bench=bench(),
        definitions=definitions(),
        specimen=SpecimenDocument.model_validate({"specimen": "x", "cell": "x", **specimen}),
    )
    return analyse(tested)


LEADS = {"mass": "46.9 g", "of": "with leads", "less": {"wires": "3.1 g"}, "balance": "0.1 g"}


def share(figure):
    """The relative standard uncertainty."""
    return figure.standard_uncertainty / figure.value


def test_leads_are_taken_off_and_the_balance_s_error_is_in_the_wh_per_kg():
    """46.9 g less 3.1 g; two readings within 0.1 g each: 0.1 sqrt(2/3) g (JCGM 100, 4.3.7 and
    5.1.2, worked). The share of the mass adds to that of the energy."""
    told = found({"weighings": [LEADS]})
    mass = told.figure("mass.bare")
    assert mass.value == pytest.approx(43.8)
    assert mass.standard_uncertainty == pytest.approx(0.1 * sqrt(2.0 / 3.0))
    assert mass.label == "Mass, weighed with leads less wires"
    by_mass, energy = told.figure("specific-energy.bare.3"), told.figure("energy.discharge.3")
    assert energy.value == pytest.approx(WH, rel=1e-3)
    assert by_mass.value == pytest.approx(1000.0 * energy.value / 43.8)
    assert share(by_mass) == pytest.approx(hypot(share(energy), share(mass)), rel=1e-6)
    assert {"balance, within 0.1 g", "balance, within 0.1 g, of the wires"} <= {
        one.source for one in by_mass.contributions
    }


def test_a_coarse_balance_widens_the_wh_per_kg():
    """A kitchen balance of 1 g against one of 0.01 g."""
    fine, coarse = (
        share(found({"weighings": [{**LEADS, "balance": one}]}).figure("specific-energy.bare.3"))
        for one in ("0.01 g", "1 g")
    )
    assert coarse > 2.0 * fine


def test_with_leads_alone_is_heavier_than_the_claim_means():
    """It supports a mass that the whole stays below, and refutes none."""
    with_leads = {"weighings": [{"mass": "46.9 g", "of": "with leads"}]}
    claims = [
        {"said on": "a", "conditions": "none given", "mass": "48.0 g"},
        {"said on": "b", "conditions": "none given", "mass": "43.5 g"},
    ]
    told = found(with_leads, claims)
    assert [one.word for one in told.verdicts] == [
        VerdictWord.SUPPORTED,
        VerdictWord.NOT_COMPARABLE,
    ]
    less = found({"weighings": [LEADS]}, claims)
    assert [one.word for one in less.verdicts] == [VerdictWord.SUPPORTED, VerdictWord.NOT_SUPPORTED]


def test_a_pack_s_energy_per_mass_is_that_of_its_cells_and_its_parts():
    """Two cells of 43.8 g, a casing of 18.2 g and a board of 4.0 g: 109.8 g and twice the energy
    (worked). The cell's own error counts twice, each part's once."""
    pack = {"pack": "lamp battery", "cells": "2", "parts": {"casing": "18.2 g", "board": "4 g"}}
    specimen = {"weighings": [LEADS], "out of": {**pack, "balance": "0.2 g"}}
    at = {"rate": "1 C", "cut-off": "3 V", "mass": "pack", "termination current": "50 mA"}
    claim = {"said on": "a", "conditions": at, "energy per mass": "75.0 Wh/kg"}
    told = found(specimen, [claim])
    mass = told.figure("mass.pack")
    assert mass.value == pytest.approx(109.8)
    own, part = 0.1 * sqrt(2.0 / 3.0), 0.2 / sqrt(3.0)
    assert mass.standard_uncertainty == pytest.approx(hypot(2.0 * own, part, part))
    by_mass, energy = told.figure("specific-energy.pack.3"), told.figure("energy.discharge.3")
    assert by_mass.value == pytest.approx(2000.0 * energy.value / 109.8)
    assert by_mass.flags[-1] == "as if each of its 2 cells gave what this one gave"
    assert told.verdicts[0].figure == "specific-energy.pack.3"
    assert told.verdicts[0].word is VerdictWord.NOT_SUPPORTED

"""A resistance above its claim told apart: parts that were put in are found again, and sum."""

from math import exp, fsum, log2

import pytest

from sequencer.analysis.claims.differences import Wires
from sequencer.analysis.claims.excess import split_resistance
from sequencer.analysis.claims.judging import judge
from sequencer.analysis.claims.kinds import FiguresByKey, stated_in
from sequencer.analysis.claims.splitting import Shortfall
from sequencer.analysis.claims.terms import terms_of
from tests.analysis.claims.figures import cell, evidence, figure, pulse

CLAIMED = 0.028
TERMS = "{after: 1 s, state of charge: 50 %, temperature: 25 degC}"
FOUR, TWO = Wires(), Wires(two_wire=True, lead_ohm=0.03)


def parts(measured, *others, wires=FOUR):
    """The parts of what lies above 28 mOhm, by name."""
    document = cell((f"resistance: {CLAIMED} Ohm", TERMS))
    by_key = FiguresByKey((one.key, one) for one in (measured, *others))
    claim = document.claims[0]
    terms = terms_of(claim, stated_in(claim)[0], document)
    short = Shortfall(measured, CLAIMED, terms, by_key, wires)
    found = split_resistance(short)
    assert fsum(one.value for one in found) == CLAIMED - measured.value
    return {one.name: one for one in found}


def test_on_the_terms_it_is_the_cell_alone():
    """Nothing differs: the whole excess is the cell's."""
    found = parts(pulse(0.031, pulse_s=1.0))
    assert {name for name, one in found.items() if one.value} == {"cell"}
    assert found["cell"].value == pytest.approx(-0.003)


@pytest.mark.parametrize("energy", [22e3, 30e3, 45e3])
def test_cold_is_found_again(energy):
    """A cell of 28 mOhm at 25 degC and 20 to 50 kJ/mol, measured at 15 degC (Arrhenius)."""
    cold = CLAIMED * exp(energy / 8.314462618 * (1 / 288.15 - 1 / 298.15))
    found = parts(pulse(cold, pulse_s=1.0, surface_start_c=15.0))
    true = CLAIMED - cold
    assert abs(found["temperature"].value - true) <= 2 * found["temperature"].standard_uncertainty
    assert abs(found["cell"].value) <= 2 * found["cell"].standard_uncertainty


@pytest.mark.parametrize("growth", [0.04, 0.08, 0.14])
def test_a_later_reading_is_found_again(growth):
    """10 s instead of 1 s, on a cell that grows by 4 to 14 % for each doubling."""
    late = CLAIMED / (1.0 - growth * log2(10.0))
    found = parts(pulse(late, pulse_s=10.0))
    true = CLAIMED - late
    assert abs(found["time"].value - true) <= 2 * found["time"].standard_uncertainty
    assert found["time"].value < 0.0


def test_leads_are_what_the_corrected_figure_lacks():
    """Two wires of 30 mOhm: they are the largest part, the cell keeps the rest."""
    raw = pulse(0.059, pulse_s=1.0)
    own = figure(f"{raw.key}.lead-compensated", 0.029, "Ohm", 0.0004)
    found = parts(raw, own, wires=TWO)
    assert found["leads"].value == pytest.approx(-0.030)
    assert found["cell"].value == pytest.approx(-0.001)
    assert parts(raw, wires=TWO)["leads"].words.startswith("two wires of unknown resistance")


def test_another_state_of_charge_is_uncertain_and_no_more():
    """It can be worth something either way: nothing is moved, the cell's part gets wider."""
    found = parts(pulse(0.031, pulse_s=1.0, state_of_charge=0.4))
    assert found["charge"].value == pytest.approx(0.0, abs=1e-12)
    assert found["cell"].standard_uncertainty > 0.0008


def test_a_verdict_on_a_resistance_has_them():
    """Above the claim there are parts; below it nothing is to be told apart."""
    document = cell((f"resistance: {CLAIMED} Ohm", TERMS))
    for ohms, many in ((0.031, 5), (0.025, 0)):
        (found,) = judge(evidence(document), [pulse(ohms, pulse_s=1.0)])
        assert len(found.parts) == many

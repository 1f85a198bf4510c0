"""Causes of a shortfall, done to a simulated cell, are found again within their uncertainties."""

from dataclasses import replace
from math import fsum, log

import pytest

from sequencer.analysis.analyse import analyse
from sequencer.analysis.claims.differences import Wires
from sequencer.analysis.claims.kinds import FiguresByKey, stated_in
from sequencer.analysis.claims.splitting import BLIND_PEUKERT, Shortfall, split
from sequencer.analysis.claims.terms import terms_of
from tests.analysis.claims.figures import FULL, cell, discharge, figure, yields
from tests.analysis.claims.injected import Causes, night, truth_of_parts

CLAIMED = 3.0
DOCUMENT = cell((f"capacity: {CLAIMED} Ah", FULL))
FLOOR_AH = 0.002
"""Two ticks of 5 s at 1 C, half of each: how far a record of such ticks places an end."""

CAUSES = {
    "a cell that holds less": Causes(kept=0.95),
    "a cut-off above the claim's": Causes(cut_off_v=3.2),
    "faster, at one rate": Causes(rates=(1.0,)),
    "faster, at two rates": Causes(rates=(0.5, 1.0)),
    "a taper cut short": Causes(termination_a=0.5),
    "two wires": Causes(lead_ohm=0.06),
    "a cold room": Causes(room_c=12.0),
    "everything at once": Causes(
        rates=(0.5, 1.0), cut_off_v=3.1, termination_a=0.3, room_c=15.0, lead_ohm=0.04, kept=0.97
    ),
}


@pytest.mark.parametrize("name", CAUSES)
def test_what_was_done_to_the_cell_is_found_again(name):
    """Every part within two standard uncertainties of what its cause truly took, the whole exactly
    the shortfall; and what was not done gets nothing."""
    causes = CAUSES[name]
    (verdict,) = analyse(replace(night(causes), cell=DOCUMENT)).verdicts
    true = truth_of_parts(causes, CLAIMED)
    assert fsum(part.value for part in verdict.parts) == verdict.claimed - verdict.measured
    for part in verdict.parts:
        off = abs(part.value - true[part.name])
        assert off <= 2.0 * part.standard_uncertainty + FLOOR_AH, (name, part, true[part.name])
        if part.name != "cell" and true[part.name] == 0.0:
            assert part.value == pytest.approx(0.0, abs=1e-9), (name, part)


FOUR_WIRES = Wires()


def short(measured, *others, wires=FOUR_WIRES, terms=FULL):
    """The parts of a shortfall to 3 Ah, by name."""
    document = cell((f"capacity: {CLAIMED} Ah", terms))
    by_key = FiguresByKey((one.key, one) for one in (measured, *others))
    judged_on = terms_of(document.claims[0], stated_in(document.claims[0])[0], document)
    found = split(Shortfall(measured, CLAIMED, judged_on, by_key, wires))
    assert fsum(part.value for part in found) == CLAIMED - measured.value
    return {part.name: part for part in found}


def test_on_the_claim_s_terms_all_of_it_is_the_cell_s():
    """Nothing differs, so nothing else can be blamed."""
    found = short(discharge(2.8, 0.01))
    assert found["cell"].value == pytest.approx(0.2)
    assert found["cell"].standard_uncertainty == pytest.approx(0.01)
    assert [part.value for name, part in found.items() if name != "cell"] == [0.0] * 5


def test_the_taper_s_part_is_scaled_to_the_claim_s_current():
    """Models go to 60 mA; a claim to 100 mA misses 5/9 of what lies between 150 and 60 mA on an
    exponential, where charge goes with current (worked here)."""
    terms = FULL.replace("60 mA", "100 mA")
    models = [
        figure(f"not-put-in.{name}.2", ah, "Ah", 0.0, 2, termination_a=0.06)
        for name, ah in (("one-exponential", 0.018), ("two-exponential", 0.036))
    ]
    found = short(discharge(2.8, 0.01, termination_a=0.15), *models, terms=terms)
    assert found["short charge"].value == pytest.approx(0.027 * 5 / 9)


def test_a_kinder_condition_makes_a_negative_part():
    """Charged higher than claimed: without that, still less would have come."""
    found = short(discharge(2.8, 0.01, charge_voltage_v=4.25))
    assert found["short charge"].value == pytest.approx(-0.05 * 0.8 * 2.8)
    assert found["cell"].value > 0.2


def test_the_leads_part_is_the_correction():
    """What the corrected figure has more is the leads' part, and never surer than 10 % of it."""
    raw = discharge(2.7, 0.010)
    corrected = replace(raw, key=raw.key + ".lead-compensated", value=2.75)
    found = short(raw, corrected, wires=Wires(two_wire=True, lead_ohm=0.06))
    assert found["leads"].value == pytest.approx(0.05)
    assert found["leads"].standard_uncertainty == pytest.approx(0.005)


def test_what_is_not_known_is_a_wide_guess_and_says_so():
    """Without rates, resistance or curve each part is a span of what cells do."""
    found = short(
        discharge(2.6, 0.01, rate_c=1.0, current_a=3.0, cut_off_v=3.2, termination_a=0.15)
    )
    assert "a Peukert exponent of 1 to 1.05" in found["rate"].words
    assert found["rate"].value == pytest.approx(0.5 * BLIND_PEUKERT[1] * log(5.0) * 2.6)
    assert "unknown curve" in found["cut-off"].words
    assert "no model fits" in found["short charge"].words
    for name in ("rate", "cut-off", "short charge"):
        assert found[name].standard_uncertainty > 0.25 * found[name].value


def test_a_knee_yields_less_the_deeper():
    """The last segment gave half of the one before: what lies beneath is a falling series. After
    60 and 30 mAh a segment, five more yield 15, 7.5, ... = 29.06 mAh (worked here)."""
    measured = discharge(2.8, 0.01)
    curve = yields(measured, {3.0: 2.8, 3.05: 2.77, 3.1: 2.71})
    found = short(measured, *curve, terms=FULL.replace("cut-off: 3 V", "cut-off: 2.75 V"))
    assert found["cut-off"].value == pytest.approx(0.0290625, rel=1e-6)

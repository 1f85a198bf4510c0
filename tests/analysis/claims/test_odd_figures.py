"""Whatever figures an analysis hands over, every claim gets one word and no exception."""

from math import fsum, inf, isfinite, isnan, nan

from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.analysis.claims.differences import Wires
from sequencer.analysis.claims.judging import judge
from sequencer.analysis.results import Figure
from tests.analysis.claims.figures import FULL, cell, evidence
from tests.analysis.uncertainty.pretended import bench

ODD = st.sampled_from([nan, inf, -inf, 0.0, -1.0, 1e-9, 0.2, 1.0, 2.8, 3.0, 4.2, 25.0, 1e9])
KEYS = st.sampled_from(
    [
        "capacity.discharge.4", "capacity.cut-off.4.3000", "capacity.cut-off.4.3050",
        "capacity.recommended.4", "capacity.discharge.4.lead-compensated", "energy.discharge.4",
        "energy.cut-off.4.3050", "specific-energy.bare.4", "resistance.train.14.1s",
        "resistance.pulse.14.0.1s", "mass.bare", "highest-current.discharge",
        "not-put-in.one-exponential.2", "residual.capacity.6", "nonsense", "",
    ]
)  # fmt: skip
NAMES = st.sampled_from(
    [
        "rate_c", "current_a", "cut_off_v", "charge_voltage_v", "termination_a", "room_c",
        "surface_start_c", "pulse_s", "state_of_charge", "pulses", "direction", "mass", "method",
    ]
)  # fmt: skip
CONDITIONS = st.dictionaries(NAMES, st.one_of(ODD, st.sampled_from(["discharge", "bare", "x"])))
FIGURES = st.builds(
    lambda key, value, unit, u, nu, conditions, step: Figure(
        key, key, value, unit, u, value - u, value + u, nu, conditions=conditions, step=step
    ),
    KEYS,
    ODD,
    st.sampled_from(["Ah", "Wh", "Wh/kg", "Ohm", "g", "A", "V"]),
    st.sampled_from([nan, 0.0, 1e-3, 0.1, inf]),
    st.sampled_from([inf, 1.0, 3.5]),
    CONDITIONS,
    st.sampled_from([None, 2, 4, 6, 14]),
)
CLAIMS = cell(
    ("capacity: 2.8 Ah", FULL),
    ("capacity: 2.8 Ah", "{current: 0.6 A, cut-off: 3.12 V}"),
    ("energy: 10 Wh", "none given"),
    ("energy per mass: 200 Wh/kg", "none given"),
    ("resistance: 28 mOhm", "{after: 1 s, temperature: 25 degC}"),
    ("mass: 50 g", "none given"),
    ("discharge current: 10 A", "none given"),
)


@settings(max_examples=100)
@given(st.lists(FIGURES, max_size=8), st.booleans())
def test_odd_figures_get_words(figures, two_wire):
    """One verdict a claim, with a reason; probabilities between 0 and 1 or NaN; finite parts that
    add up."""
    on = bench(sense="two-wire" if two_wire else "four-wire")
    verdicts = judge(evidence(CLAIMS, on), figures)
    assert [one.number for one in verdicts] == [1, 2, 3, 4, 5, 6, 7]
    for one in verdicts:
        assert one.why
        assert isnan(one.probability) or 0.0 <= one.probability <= 1.0
        assert all(isfinite(part.value) for part in one.parts)
        if one.parts and max(abs(part.value) for part in one.parts) < 1e3:
            assert abs(fsum(p.value for p in one.parts) - one.claimed + one.measured) < 1e-11


def test_wires_without_a_bench_document_are_at_the_cell():
    """Nothing is known of them, so nothing is corrected."""
    assert Wires() == Wires(two_wire=False, lead_ohm=0.0)

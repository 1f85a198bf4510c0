"""The four words, each for its reason; the kindest conditions; harder and kinder measurements."""

from dataclasses import replace
from math import fsum, isnan, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.analysis.claims.judging import DECISION_RULE, judge
from sequencer.analysis.claims.splitting import exactly
from sequencer.analysis.results import VerdictWord
from tests.analysis.claims.figures import FULL, cell, discharge, evidence, figure, pulse, yields

CAPACITY = ("capacity: 2.8 Ah", FULL)


def words(document, *figures):
    """The words of all claims in order."""
    return [one.word for one in judge(evidence(document), figures)]


def word(claim, *figures, kindest=""):
    """The word of one claim."""
    (found,) = words(cell(claim, kindest=kindest), *figures)
    return found


@pytest.mark.parametrize(
    ("value", "found"),
    [
        (2.8 + 0.0165, VerdictWord.SUPPORTED),
        (2.8 + 0.0164, VerdictWord.CANNOT_TELL),
        (2.8, VerdictWord.CANNOT_TELL),
        (2.8 - 0.0164, VerdictWord.CANNOT_TELL),
        (2.8 - 0.0165, VerdictWord.NOT_SUPPORTED),
    ],
)
def test_the_guard_band_is_1_645_standard_uncertainties(value, found):
    """JCGM 106: one-sided 95 % of a normal distribution; u is 10 mAh here (1.645 x 10 = 16.45)."""
    assert word(CAPACITY, discharge(value, 0.01)) is found


def test_probabilities_are_those_of_the_outside_values():
    """Claim >= 2500 mAh, u 8 mAh: 2520 -> 0.99379, 2510 -> 0.8944, 2480 -> 0.0062 (worked on the
    normal distribution)."""
    document = cell(("capacity: 2.5 Ah", FULL))
    for value, share in ((2.520, 0.99379), (2.510, 0.8944), (2.480, 0.0062)):
        (found,) = judge(evidence(document), [discharge(value, 0.008)])
        assert found.probability == pytest.approx(share, abs=5e-5)


def test_few_observations_widen_the_guard_band():
    """Student's t with 2 degrees of freedom needs 2.92 standard uncertainties (JCGM 100, G.2)."""
    few = replace(discharge(2.8 + 0.028, 0.01), degrees_of_freedom=2.0)
    assert word(CAPACITY, few) is VerdictWord.CANNOT_TELL
    assert word(CAPACITY, replace(few, value=2.8 + 0.030)) is VerdictWord.SUPPORTED


@pytest.mark.parametrize(
    ("claim", "better", "worse"),
    [
        (CAPACITY, discharge(2.9), discharge(2.7)),
        (
            ("energy: 10.0 Wh", FULL),
            discharge(10.2, 0.05, unit="Wh"),
            discharge(9.8, 0.05, unit="Wh"),
        ),
        (
            ("resistance: 28 mOhm", "{after: 100 ms, state of charge: 50 %, temperature: 25 degC}"),
            pulse(0.027),
            pulse(0.029),
        ),
        (
            ("mass: 48 g", "none given"),
            figure("mass.bare", 47.0, "g", 0.1, None, mass="bare"),
            figure("mass.bare", 49.0, "g", 0.1, None, mass="bare"),
        ),
    ],
)
def test_each_kind_has_its_side(claim, better, worse):
    """More is better of what a cell gives, less of its resistance and its mass."""
    assert word(claim, better) is VerdictWord.SUPPORTED
    assert word(claim, worse) is VerdictWord.NOT_SUPPORTED


def test_energy_per_mass_of_a_data_sheet():
    """5.0 Ah x 3.60 V / 69 g = 260.87 Wh/kg (trade: capacity by mean voltage by mass): a cell that
    gives just that cannot be told from a claim of it, and refutes 270."""
    value = 5.0 * 3.60 / 69.0 * 1000.0
    assert value == pytest.approx(260.87, abs=5e-3)
    given_ = discharge(value).conditions
    measured = figure("specific-energy.bare.4", value, "Wh/kg", 1.0, **given_, mass="bare")
    document = cell(
        *((f"energy per mass: {claimed} Wh/kg", FULL) for claimed in (260.87, 270.0, 250.0))
    )
    document = document.model_copy(update={"rated_capacity": 5.0, "mass": 69.0})
    assert words(document, measured) == [
        VerdictWord.CANNOT_TELL,
        VerdictWord.NOT_SUPPORTED,
        VerdictWord.SUPPORTED,
    ]


def test_a_data_sheet_s_own_mass_proves_nothing():
    """What the cell document states was not weighed."""
    stated = figure("mass.data-sheet", 40.0, "g", 0.1, None, mass="data sheet")
    assert word(("mass: 48 g", "none given"), stated) is VerdictWord.NOT_COMPARABLE


def test_weighed_with_tabs_is_never_lighter():
    """Below the claim with tabs is below it bare; above it with tabs proves nothing."""
    for mass, found in ((47.0, VerdictWord.SUPPORTED), (49.0, VerdictWord.NOT_COMPARABLE)):
        seen = figure("mass.with-tabs", mass, "g", 0.1, None, mass="with tabs")
        assert word(("mass: 48 g", "none given"), seen) is found


HARDER = {"rate_c": 0.5, "cut_off_v": 3.2, "charge_voltage_v": 4.1, "room_c": 12.0}
KINDER = {"rate_c": 0.1, "cut_off_v": 2.8, "charge_voltage_v": 4.25, "room_c": 35.0}
OPEN = ("cut_off_v",)
"""That of which no span is known (without a curve)."""


@pytest.mark.parametrize("name", HARDER)
def test_under_harder_conditions_a_little_too_little_proves_nothing(name):
    """What it gives faster, less deep, less full or colder it gives on the terms as well; a little
    too little may be more there."""
    changed = {name: HARDER[name]}
    assert word(CAPACITY, discharge(2.9, **changed)) is VerdictWord.SUPPORTED
    left = VerdictWord.NOT_COMPARABLE if name in OPEN else VerdictWord.CANNOT_TELL
    assert word(CAPACITY, discharge(2.7, **changed)) is left


@pytest.mark.parametrize("name", KINDER)
def test_under_kinder_conditions_a_little_more_proves_nothing(name):
    """What it does not even give slower, deeper, fuller or warmer it does not give on the terms."""
    changed = {name: KINDER[name]}
    assert word(CAPACITY, discharge(2.7, **changed)) is VerdictWord.NOT_SUPPORTED
    left = VerdictWord.NOT_COMPARABLE if name in OPEN else VerdictWord.CANNOT_TELL
    assert word(CAPACITY, discharge(2.83, **changed)) is left


@pytest.mark.parametrize("value", [2.5, 2.8, 3.1])
def test_harder_in_one_and_kinder_in_another_proves_nothing(value):
    """No bound is left on either side."""
    assert word(CAPACITY, discharge(value, rate_c=2.0, cut_off_v=2.8)) is VerdictWord.NOT_COMPARABLE


@pytest.mark.parametrize("name", ["rate_c", "cut_off_v", "charge_voltage_v"])
def test_what_is_not_known_is_not_the_same(name):
    """A figure without a condition that matters is not comparable, however clear it looks."""
    for value in (2.0, 3.5):
        assert word(CAPACITY, discharge(value, **{name: None})) is VerdictWord.NOT_COMPARABLE


def test_a_bench_without_a_thermometer_is_taken_as_a_home():
    """10 to 30 degC at 0.2 C: up to 6 % more (10 K of 0.3 %, 5 K of 0.6 %) or 1.5 % less at
    25 degC."""
    blind = {"room_c": None, "surface_start_c": None}
    for value, found in (
        (2.8 / 0.985 + 0.018, VerdictWord.SUPPORTED),
        (2.8 / 0.985, VerdictWord.CANNOT_TELL),
        (2.8 / 1.06, VerdictWord.CANNOT_TELL),
        (2.8 / 1.06 - 0.018, VerdictWord.NOT_SUPPORTED),
    ):
        assert word(CAPACITY, discharge(value, **blind)) is found


def test_three_kelvin_colder_count_against_a_refutation_only():
    """22 degC for a claim at 25 degC, at 0.2 C: up to 0.9 % more could have come."""
    cold = {"room_c": 22.0}
    assert word(CAPACITY, discharge(2.8 + 0.017, **cold)) is VerdictWord.SUPPORTED
    assert word(CAPACITY, discharge(2.8 / 1.009 - 0.015, **cold)) is VerdictWord.CANNOT_TELL
    assert word(CAPACITY, discharge(2.8 / 1.009 - 0.018, **cold)) is VerdictWord.NOT_SUPPORTED


def test_a_short_taper_counts_against_a_refutation_only():
    """0.15 A instead of 0.06 A: an hour's time constant bounds it by 90 mAh, two models by 1.5
    times the larger and its uncertainty."""
    short = discharge(2.8 - 0.05, termination_a=0.15)
    models = [
        figure(f"not-put-in.{name}.2", ah, "Ah", 0.0, 2, termination_a=0.06)
        for name, ah in (("one-exponential", 0.010), ("two-exponential", 0.014))
    ]
    assert word(CAPACITY, short) is VerdictWord.CANNOT_TELL
    assert word(CAPACITY, short, *models) is VerdictWord.NOT_SUPPORTED


def test_the_cut_off_is_read_off_the_curve():
    """A claim to 3.20 V and one to 3.12 V, from a discharge to 3.00 V."""
    whole = discharge(2.8, 0.005)
    curve = yields(whole, {3.0: 2.8, 3.1: 2.75, 3.15: 2.70, 3.2: 2.66})
    high, odd = (FULL.replace("cut-off: 3 V", f"cut-off: {volts} V") for volts in (3.2, 3.12))
    document = cell(("capacity: 2.6 Ah", high), ("capacity: 2.8 Ah", odd))
    found = judge(evidence(document), [whole, *curve])
    assert [one.word for one in found] == [VerdictWord.SUPPORTED, VerdictWord.NOT_SUPPORTED]
    assert [one.measured for one in found] == [2.66, pytest.approx(2.73)]
    assert found[0].figure == "capacity.cut-off.4.3200"


def test_a_yield_of_a_cell_that_was_not_full_is_no_capacity():
    """Without a capacity of the step itself its yields do not count."""
    whole = discharge(2.8, 0.005)
    assert word(CAPACITY, *yields(whole, {3.0: 2.9})) is VerdictWord.NOT_COMPARABLE


def test_what_lies_beneath_the_last_cut_off_is_bounded_by_the_curve():
    """Down to 2.75 V claimed, 3.00 V run: the curve falls 1 V per Ah at its end, so that at most
    0.25 Ah can be missing. Between, it stays open; without a curve nothing is bounded."""
    deep = FULL.replace("cut-off: 3 V", "cut-off: 2.75 V")
    whole = discharge(2.8, 0.005)
    curve = yields(whole, {3.0: 2.8, 3.05: 2.75, 3.1: 2.68})
    claims = [(f"capacity: {claimed} Ah", deep) for claimed in (2.75, 2.9, 3.1)]
    expected = [VerdictWord.SUPPORTED, VerdictWord.CANNOT_TELL, VerdictWord.NOT_SUPPORTED]
    assert words(cell(*claims), whole, *curve) == expected
    assert word(claims[2], whole) is VerdictWord.NOT_COMPARABLE


def test_a_claim_without_conditions_is_judged_too():
    """It is judged under the kindest conditions, and says that it has none of its own."""
    whole = discharge(2.8, 0.005)
    curve = yields(whole, {3.0: 2.8, 3.05: 2.75, 3.1: 2.68})
    (found,) = judge(evidence(cell(("capacity: 3.2 Ah", "none given"))), [whole, *curve])
    assert found.word is VerdictWord.NOT_SUPPORTED
    assert found.why.startswith("Without conditions nothing can be set beside the claim as it")
    assert found.under == (
        "the kindest reasonable conditions (0.2 C, down to 2.75 V, charged to 4.20 V, until 0.06 A,"
        " 25 degC), as none were given"
    )


def test_the_kindest_conditions_are_the_cell_document_s():
    """Fixed there, they take the place of the defaults, and not of what the seller gave."""
    slow = discharge(2.8, rate_c=0.1)
    assert word(
        ("capacity: 2.7 Ah", "none given"), slow, kindest="{rate: 0.1 C, cut-off: 3 V}"
    ) is (VerdictWord.SUPPORTED)
    given_rate = ("capacity: 2.7 Ah", "{rate: 0.2 C}")
    assert word(given_rate, slow, kindest="{rate: 0.1 C, cut-off: 3 V}") is VerdictWord.CANNOT_TELL


def test_a_current_in_amperes_is_a_rate():
    """0.6 A of a rated 3 Ah is 0.2 C."""
    terms = FULL.replace("rate: 0.2 C", "current: 0.6 A")
    assert word(("capacity: 2.7 Ah", terms), discharge(2.8)) is VerdictWord.SUPPORTED


def test_a_current_that_was_never_run_is_not_comparable():
    """Carried is supported; not tried proves nothing, and a sheet that forbids it is told."""
    claim = ("discharge current: 10 A", "none given")
    conditions = {"direction": "discharge", "rate_c": 1.001, "held_s": 10.0}
    low = figure("highest-current.discharge", 3.003, "A", 0.005, **conditions)
    (found,) = judge(evidence(cell(claim)), [low])
    assert found.word is VerdictWord.NOT_COMPARABLE
    assert found.why == (
        "This specimen carried 3.0030 ± 0.0098 A for 10 s (continuously, down to the cut-off it "
        "would perhaps carry less, and how much is not known), at 1 C (if 3.33 C were tried it "
        "would perhaps carry more, and how much is not known): the claim stays open. It "
        "needs a discharge at that current of a full cell down to its cut-off, or a pulse of the "
        "burst's length where one is claimed. 10 A is printed without decimals and taken as "
        "rounded: 9.5 A. It is also above the 9 A that the cell document's own limits allow, so no "
        "profile may try it."
    )
    whole = {**conditions, "rate_c": 3.34, "whole": "full to cut-off"}
    assert word(claim, replace(low, value=10.02, conditions=whole)) is VerdictWord.SUPPORTED
    assert word(claim) is VerdictWord.NOT_COMPARABLE


def test_a_resistance_follows_the_cell_s_warmth():
    """2 K colder than claimed: on the terms it is 2 to 16 % less (10 and 50 kJ/mol, 1.5 to
    2.5 K)."""
    claim = (
        "resistance: 28.0 mOhm",
        "{after: 100 ms, state of charge: 50 %, temperature: 25 degC}",
    )
    cold = {"surface_start_c": 23.0}
    for value, found in (
        (0.0278, VerdictWord.SUPPORTED),
        (0.030, VerdictWord.CANNOT_TELL),
        (0.034, VerdictWord.NOT_SUPPORTED),
    ):
        assert word(claim, pulse(value, **cold)) is found


def test_a_resistance_grows_with_the_pulse():
    """Read later than claimed it can support, earlier it can refute."""
    claim = ("resistance: 28 mOhm", "{after: 1 s, state of charge: 50 %, temperature: 25 degC}")
    assert word(claim, pulse(0.026, pulse_s=10.0)) is VerdictWord.SUPPORTED
    assert word(claim, pulse(0.030, pulse_s=10.0)) is VerdictWord.NOT_COMPARABLE
    assert word(claim, pulse(0.030, pulse_s=0.1)) is VerdictWord.NOT_SUPPORTED
    assert word(claim, pulse(0.026, pulse_s=0.1)) is VerdictWord.NOT_COMPARABLE
    assert word(claim, pulse(0.026, state_of_charge=0.1)) is VerdictWord.NOT_COMPARABLE


def test_nothing_known_of_the_instruments_is_no_verdict():
    """A number without an uncertainty: this bench cannot tell, however far off it is."""
    (found,) = judge(evidence(cell(CAPACITY)), [discharge(1.0, nan)])
    assert found.word is VerdictWord.CANNOT_TELL
    assert isnan(found.probability)
    assert "nothing is known of the instruments' accuracy" in found.why


def test_no_measurement_no_cell_and_no_number():
    """Each is said, and the rest is still judged."""
    document = cell(CAPACITY, ("mass: 48 g", "none given"))
    weighed = figure("mass.bare", 47.0, "g", 0.1, None, mass="bare")
    assert words(document, discharge(nan), weighed) == [
        VerdictWord.NOT_COMPARABLE,
        VerdictWord.SUPPORTED,
    ]
    assert judge(evidence(document), [])[0].why == (
        "No capacity was measured in this run. It needs a charge until full, then a discharge at "
        "the rate and down to the cut-off of the claim."
    )
    assert judge(evidence(None), [discharge()]) == ()


def test_a_charge_is_no_capacity_given():
    """What went in is not what comes out."""
    put_in = figure("capacity.charge.6", 2.9, "Ah", 0.01, 6, **{
        **discharge().conditions, "direction": "charge",
    })  # fmt: skip
    assert word(CAPACITY, put_in) is VerdictWord.NOT_COMPARABLE


def test_the_measurement_is_chosen_before_its_value_is_seen():
    """Of several on the terms the earliest counts, whether or not a later one would please."""
    first, second = discharge(2.7, step=4), discharge(2.9, step=12)
    assert (
        word(CAPACITY, first, second) is word(CAPACITY, second, first) is VerdictWord.NOT_SUPPORTED
    )
    near = discharge(2.75, step=8, rate_c=1.0)  # harder, and it falls short as well
    assert word(CAPACITY, near, first) is VerdictWord.NOT_SUPPORTED


def test_where_sources_disagree_all_are_judged():
    """Both masses, each with what the other says."""
    document = cell(("mass: 48 g", "none given"), ("mass: 52 g", "none given"))
    weighed = figure("mass.bare", 51.3, "g", 0.1, None, mass="bare")
    light, heavy = judge(evidence(document), [weighed])
    assert (light.word, heavy.word) == (VerdictWord.NOT_SUPPORTED, VerdictWord.SUPPORTED)
    assert light.why.endswith("Said elsewhere: 52 g (place 2).")
    assert (light.number, heavy.number) == (1, 2)


def test_flags_of_a_figure_are_passed_on():
    """What the analysis noted about a figure stands beside the verdict."""
    flagged = replace(discharge(2.9), flags=("a gap of 4 s was bridged",))
    (found,) = judge(evidence(cell(CAPACITY)), [flagged])
    assert found.why.endswith("Note: a gap of 4 s was bridged.")


def test_the_rule_says_what_it_must():
    """Thresholds, the guide, the side of each kind, and that one cell proves only that cell."""
    for words_ in ("JCGM 106", "95 %", "5 %", "guard band", "Number of specimens: 1", "at most"):
        assert words_ in DECISION_RULE


@given(
    st.floats(0.01, 300.0),
    st.floats(0.3, 1.0, exclude_max=True),
    st.lists(st.floats(-0.3, 0.3), min_size=5, max_size=5),
)
def test_parts_sum_to_the_whole_to_the_last_bit(claimed, share, shares):
    """In whichever order they are added by an exact sum; and no part is moved to be seen."""
    whole = claimed - share * claimed
    values = [one * claimed for one in shares]
    parts = exactly(values, whole)
    assert fsum(parts) == fsum(reversed(parts)) == whole
    assert parts[:5] == pytest.approx(values, abs=1e-11)


def test_the_parts_of_a_verdict_sum_to_its_shortfall():
    """And are named in one order."""
    whole = discharge(2.8, 0.005, termination_a=0.15, room_c=22.0)
    curve = yields(whole, {3.0: 2.8, 3.05: 2.75, 3.1: 2.68})
    (found,) = judge(evidence(cell(("capacity: 3.2 Ah", "none given"))), [whole, *curve])
    names = [part.name for part in found.parts]
    assert names == ["cut-off", "rate", "short charge", "leads", "temperature", "cell"]
    assert fsum(part.value for part in found.parts) == found.claimed - found.measured

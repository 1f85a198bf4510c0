"""Which error of which instrument reaches which number, and what cancels."""

from math import inf, isnan, nan, sqrt

import numpy as np
import pytest

from sequencer.analysis import results
from sequencer.analysis.uncertainty.measured import Measured
from sequencer.documents.cell import Size
from sequencer.documents.specimen import SpecimenDocument
from tests.analysis.uncertainty.pretended import SIGNED_A, bench, definitions, given, sheet, table
from tests.analysis.uncertainty.taylor import second_order

R3 = sqrt(3.0)


def weighed(*masses):
    """A specimen with those weighings: pairs of mass and state."""
    listed = [{"mass": mass, "of": of} for mass, of in masses]
    return SpecimenDocument.model_validate({"specimen": "x", "cell": "x", "weighings": listed})


def parts(value):
    """Standard contributions of a value by the words of their source."""
    figure = MEASURED.figure("k", "l", value, "u")
    return {one.source: one.standard for one in figure.contributions}


MEASURED = Measured.of(given())


def test_the_offset_of_a_small_current_is_what_counts():
    """0.2 % + 5 mA is 0.7 % at 1 A and 10.2 % at 50 mA (10 % by the offset alone), and 5 mA for
    5 h is 25 mAh (worked here)."""
    for amps, relative in ((1.0, 0.007), (0.05, 0.102)):
        found = parts(MEASURED.amps(amps, "discharge"))
        limits = found["load, current gain"] + found["load, current offset"]
        assert limits * R3 / amps == pytest.approx(relative)
    found = parts(MEASURED.charge(0.25, 5.0, "discharge"))
    assert found["load, current offset"] * R3 == pytest.approx(0.025)


def test_the_overall_accuracies_of_iec_62660():
    """V 0.1 %, I 1 %, time 0.1 %, mass 0.1 % (IEC 62660, seen in an identical national edition)
    sum by root of squares to 1.005 % of Ah, 1.010 % of Wh, 1.015 % of Wh/kg."""
    amps = sheet(("0 A", "10 A", "1 uA", {"of reading": f"{R3:.9f} %"}))
    volts = sheet(("-10 V", "10 V", "1 uV", {"of reading": f"{0.1 * R3:.9f} %"}))
    measured = Measured.of(
        given(sheets=definitions(load_current=amps, meter_voltage=volts), of=table([0.0]))
    )
    time = measured.known(1.0, 0.001, "time, as the standard has it")
    mass = measured.known(45.0, 0.045, "mass, as the standard has it")
    charge = measured.charge(2.5, 1.0, "discharge") * time
    energy = measured.energy(8.75, 2.5, 3.5, 1.0, "discharge") * time
    found = [charge / 2.5, energy / 8.75, energy / mass / (8.75 / 45.0)]
    wanted = [1.005, 1.010, 1.015]
    assert [100 * float(one.std_dev) for one in found] == pytest.approx(wanted, abs=6e-4)


def test_one_meter_is_one_gain():
    """In a mean voltage the current's gain cancels, in a ratio of two discharges both do; in a
    coulombic efficiency with supply and load nothing does, with one ammeter the gain does."""
    charge = MEASURED.charge(3.0, 1.0, "discharge")
    energy = MEASURED.energy(10.8, 3.0, 3.6, 1.0, "discharge")
    assert "load, current gain" not in parts(energy / charge)
    assert parts(energy / charge)["meter, voltage gain"] == pytest.approx(3.6 * 0.0002 / R3)
    assert "load, current gain" not in parts(charge / MEASURED.charge(2.9, 1.0, "discharge"))
    apart = parts(charge / MEASURED.charge(3.02, 1.0, "charge"))
    assert {"load, current gain", "supply, current gain"} <= set(apart)
    single = Measured.of(given(on=bench(current_by="ammeter")))
    ratio = single.charge(3.0, 1.0, "discharge") / single.charge(3.0, 1.0, "charge")
    together = {
        one.source: one.standard for one in single.figure("k", "l", ratio, "1").contributions
    }
    assert "ammeter, current gain" not in together
    # one signed offset adds to what goes in and takes from what comes out
    assert together["ammeter, current offset"] == pytest.approx(2 * 0.002 / 3.0 / R3)


def test_an_offset_cancels_in_a_drop():
    """A drop keeps gain and both roundings; the same reading in two drops is the same rounding."""
    first, second = MEASURED.drop(3.7, 3.6), MEASURED.drop(3.7, 3.55)
    found = parts(first)
    assert set(found) == {"meter, voltage gain", "meter, voltage resolution"}
    assert found["meter, voltage gain"] == pytest.approx(0.1 * 0.0002 / R3)
    assert found["meter, voltage resolution"] == pytest.approx(sqrt(2.0) * 0.5e-4 / R3)
    assert (first - second).std_dev == pytest.approx(
        parts(MEASURED.drop(3.55, 3.6))["meter, voltage resolution"], rel=0.01
    )


def test_energy_carries_both_offsets_by_their_weights():
    """The current's offset is weighed with volt hours, the voltage's with ampere hours."""
    found = parts(MEASURED.energy(36.0, 10.0, 18.0, 5.0, "discharge"))
    assert found["load, current offset"] == pytest.approx(0.005 * 18.0 / R3)
    assert found["meter, voltage offset"] == pytest.approx(0.0005 * 10.0 / R3)


def test_the_range_that_holds_the_value_counts():
    """A small current is read in the fine range, and ranges err independently."""
    fine = ("0 A", "1 A", "0.1 mA", {"of reading": "0.1 %", "offset": "0.5 mA"})
    wide = ("0 A", "20 A", "1 mA", {"of reading": "0.1 %", "offset": "10 mA"})
    measured = Measured.of(given(sheets=definitions(load_current=sheet(fine, wide))))
    small, large = measured.amps(0.6, "discharge"), measured.amps(3.0, "discharge")
    assert float(small.std_dev) < 0.0005 < 0.005 < float(large.std_dev)
    ratio = small / large
    assert float(ratio.std_dev) > 0.2 * 0.001 / R3  # the gains do not cancel


def test_counts_and_range_add_to_the_offset():
    """3 counts of 10 mV, 0.1 % of 5 A and 2 mA make one limit of error."""
    accuracy = {"of range": "0.1 %", "counts": "3", "offset": "2 mA"}
    measured = Measured.of(
        given(sheets=definitions(load_current=sheet(("0 A", "5 A", "10 mA", accuracy))))
    )
    figure = measured.figure("k", "l", measured.amps(1.0, "discharge"), "A")
    assert figure.contributions[0].standard == pytest.approx((0.005 + 0.03 + 0.002) / R3)


def test_a_cold_room_widens_the_gain():
    """A coefficient of 0.01 % of reading per kelvin at 13 degC adds a limit of 0.1 %; a room that
    nobody measured is one of 10 to 30 degC, and counts the 13 K from 10 to 23 degC."""
    drifting = sheet(("0 A", "5 A", "1 mA", {"of reading per kelvin": "0.01 %"}))
    for room_c, limit in ((13.0, 0.001), (23.0, 0.0), (nan, 0.0013)):
        measured = Measured.of(
            given(sheets=definitions(load_current=drifting), of=table(room_c=room_c))
        )
        figure = measured.figure("k", "l", measured.amps(1.0, "discharge"), "A")
        drift = {one.source: one.standard for one in figure.contributions}
        found = drift.get("load, current gain drift with the room's temperature", 0.0)
        assert found == pytest.approx(limit / R3)


def test_a_recorded_zero_is_taken_off_and_leaves_little():
    """What the current read at nothing corrects charge, energy and single readings, with the sign
    of that instrument's own display; what is left is a tenth of the offset and a rounding."""
    measured = Measured.of(given(current_zero_a={"load_a": 0.004}))
    charge = measured.charge(3.0, 5.0, "discharge")
    assert charge.nominal_value == pytest.approx(3.0 - 0.004 * 5.0)
    assert measured.amps(1.0, "discharge").nominal_value == pytest.approx(0.996)
    energy = measured.energy(10.8, 3.0, 18.0, 5.0, "discharge")
    assert energy.nominal_value == pytest.approx(10.8 - 0.004 * 18.0)
    figure = measured.figure("k", "l", charge, "Ah")
    found = {one.source: one.standard for one in figure.contributions}
    assert "load, current offset" not in found
    assert found["load, current zero drift"] == pytest.approx(5.0 * 0.0005 / R3)
    assert found["load, current zero reading"] == pytest.approx(5.0 * 0.0005 / R3)
    assert measured.charge(3.0, 5.0, "charge").nominal_value == 3.0


def test_a_zero_of_one_ammeter_has_two_signs():
    """An ammeter that shows +2 mA at nothing overstates what goes in and understates what comes
    out."""
    measured = Measured.of(
        given(on=bench(current_by="ammeter"), current_zero_a={"current_a": 0.002})
    )
    assert measured.charge(3.0, 5.0, "charge").nominal_value == pytest.approx(2.99)
    assert measured.charge(3.0, 5.0, "discharge").nominal_value == pytest.approx(3.01)


def test_a_display_that_stops_at_zero_bounds_the_offset_from_above():
    """A zero of 0.000 A without negative numbers: the offset of 5 mA at most lies between -5 mA and
    half a count with a tenth of 5 mA of drift, 1 mA: -2 mA, give or take 3 mA (worked here)."""
    measured = Measured.of(given(current_zero_a={"load": 0.0}))
    charge = measured.charge(3.0, 5.0, "discharge")
    assert charge.nominal_value == pytest.approx(3.0 + 0.002 * 5.0)
    figure = measured.figure("k", "l", charge, "Ah")
    found = {one.source: one.standard for one in figure.contributions}
    assert found["load, current offset"] == pytest.approx(0.003 * 5.0 / R3)
    signed = Measured.of(
        given(sheets=definitions(load_current=SIGNED_A), current_zero_a={"load": 0.0})
    )
    assert float(signed.charge(3.0, 5.0, "discharge").std_dev) < 0.004


@pytest.mark.parametrize("offset_ma", [-5.0, -3.0, 0.0, 0.9])
def test_a_hidden_zero_holds_every_offset_that_shows_nothing(offset_ma):
    """Whatever the offset was that read 0: the true charge is inside, and nowhere by more than the
    limits of the sheet without a zero."""
    measured = Measured.of(given(current_zero_a={"load": 0.0}))
    charge = measured.charge(0.6 * 5.0 + offset_ma * 1e-3 * 5.0, 5.0, "discharge")
    found = measured.figure("k", "l", charge, "Ah")
    assert found.low <= 3.0 <= found.high
    without = MEASURED.figure("k", "l", MEASURED.charge(3.0, 5.0, "discharge"), "Ah")
    assert found.high - found.low < 0.75 * (without.high - without.low)


def test_without_instruments_nothing_is_known():
    """No bench, no definitions, or no capability: every number stands, its uncertainty is NaN."""
    for bare in (results.Tested(table()), given(sheets={}), results.Tested(table(), bench=bench())):
        measured = Measured.of(bare)
        values = [
            measured.charge(3.0, 1.0, "charge"),
            measured.energy(10.8, 3.0, 3.6, 1.0, "discharge"),
            measured.drop(3.7, 3.6) / measured.amps(2.0, "discharge"),
            measured.volts(3.7),
            measured.celsius(25.0, "tab"),
        ]
        for value in values:
            figure = measured.figure("k", "l", value, "u", headline=True)
            assert figure.value == value.nominal_value
            assert isnan(figure.standard_uncertainty)
            assert isnan(figure.low)
            assert figure.contributions == ()
            assert figure.headline
    assert isnan(Measured.of(results.Tested(table())).lead_ohms().nominal_value)
    assert isnan(Measured.of(results.Tested(table())).mass("bare").nominal_value)
    assert isnan(Measured.of(results.Tested(table())).volume().nominal_value)


def test_a_number_that_cannot_be_told_stays_nan():
    """NaN or zero hours in, NaN out, and no exception."""
    for value in (
        MEASURED.charge(nan, 1.0, "charge"),
        MEASURED.charge(1.0, 0.0, "charge"),
        MEASURED.drop(3.7, nan),
        MEASURED.amps(nan, "charge"),
    ):
        assert isnan(MEASURED.figure("k", "l", value, "u").standard_uncertainty)


def test_a_plain_number_has_no_budget():
    """A float is passed through with an uncertainty of NaN."""
    figure = MEASURED.figure("k", "l", 1.08, "1", step=3)
    assert (figure.value, figure.step) == (1.08, 3)
    assert isnan(figure.standard_uncertainty)


def test_the_parts_make_the_whole():
    """The root of the squares of a budget's lines is the standard uncertainty, largest first."""
    energy = MEASURED.energy(10.8, 3.0, 3.6, 1.0, "discharge")
    ratio = energy / MEASURED.energy(11.3, 3.1, 3.9, 1.5, "charge")
    figure = MEASURED.figure("k", "l", ratio, "1")
    listed = [one.standard for one in figure.contributions]
    assert sqrt(sum(u * u for u in listed)) == pytest.approx(figure.standard_uncertainty)
    assert listed == sorted(listed, reverse=True)
    assert figure.low < figure.value < figure.high


def test_weighings_scatter_and_a_scale_has_a_digit():
    """Several weighings give a mean and a scatter with n - 1 degrees of freedom; one gives the
    digit of the scale, which is the finest that was ever written down."""
    specimen = weighed(
        ("51.3 g", "bare"), ("51.5 g", "bare"), ("51.4 g", "bare"), ("52 g", "with tabs")
    )
    measured = Measured.of(given(specimen=specimen))
    figure = measured.figure("k", "l", measured.mass("bare"), "g")
    found = {one.source: one for one in figure.contributions}
    assert figure.value == pytest.approx(51.4)
    assert found["weighing bare"].standard == pytest.approx(0.1 / R3)
    assert found["weighing bare"].degrees_of_freedom == 2
    assert found["balance, within 0.1 g"].standard == pytest.approx(0.1 / R3)
    assert measured.mass("with tabs").std_dev == pytest.approx(0.1 / R3)
    assert isnan(Measured.of(given(specimen=weighed(("51 g", "bare")))).mass("with tabs").std_dev)


def test_a_size_on_paper_is_good_to_half_a_digit():
    """66 x 44 x 7.2 mm: half a millimetre, half a millimetre, half a tenth."""
    size = Size.model_validate({"length": "66 mm", "width": "44 mm", "thickness": "7.2 mm"})
    cell = type("Cell", (), {"volume": None, "size": size})()
    measured = Measured.of(given(cell=cell))
    relative = sqrt((0.5 / 66) ** 2 + (0.5 / 44) ** 2 + (0.05 / 7.2) ** 2) / R3
    assert measured.volume().nominal_value == pytest.approx(20.9088)
    assert measured.volume().std_dev == pytest.approx(20.9088 * relative, rel=1e-6)
    stated = Measured.of(given(cell=type("Cell", (), {"volume": 21.0, "size": size})()))
    assert stated.volume().std_dev == pytest.approx(0.5 / R3)


def test_values_on_a_line_keep_the_instrument_and_add_their_scatter_about_it():
    """The middle of three capacities on a line has the gain once, not by root of three less; 2.99,
    3.01 and 2.99 are s = sqrt(2/3) 0.02 off it, with one degree of freedom (GUM H.3)."""
    seen = [MEASURED.charge(ah, 1.0, "discharge") for ah in (2.99, 3.01, 2.99)]
    middle, _ = MEASURED.on_a_line(seen, (1.0, 2.0, 3.0), "capacity")
    found = {c.source: c for c in MEASURED.figure("k", "l", middle, "Ah").contributions}
    scatter = found["scatter of capacity about the line"]
    assert scatter.standard == pytest.approx(0.02 * sqrt(2.0 / 3.0) / R3)
    assert scatter.degrees_of_freedom == 1
    assert found["load, current gain"].standard == pytest.approx(2.99667 * 0.002 / R3, rel=1e-3)
    first, second = seen[:2]
    both, slope = MEASURED.on_a_line((first, second), (1.0, 2.0), "capacity")
    assert both.std_dev == pytest.approx(((first + second) / 2).std_dev)
    assert slope.nominal_value == pytest.approx(0.02)
    with pytest.raises(ValueError, match="two places"):
        MEASURED.on_a_line(seen, (1.0, 1.0, 1.0), "capacity")


def test_edges_between_samples_cost_half_an_interval_each():
    """With a sample every 10 s a 3 A step of 1 h begins and ends within 5 s, each rectangular."""
    slow = Measured.of(given(of=table(np.arange(0.0, 100.0, 10.0))))
    figure = slow.figure("k", "l", slow.charge(3.0, 1.0, "discharge"), "Ah")
    found = {one.source: one.standard for one in figure.contributions}
    wanted = sqrt(2.0) * 5.0 / R3 * 3.0 / 3600.0
    assert found["beginning and end between samples"] == pytest.approx(wanted)
    assert found["clock rate"] == pytest.approx(3.0 * 100e-6 / R3)
    assert slow.seconds(3600.0).std_dev == pytest.approx(sqrt(50 / 3 + (0.36 / R3) ** 2))


def test_noise_is_seen_in_the_rests():
    """A rest's scatter about its own slow drift is the noise of a reading; sqrt(2) of it in a drop;
    a drift alone is none."""
    rng = np.random.default_rng(3)
    time = np.arange(2000.0)
    drift = 3.7 + 0.02 * np.exp(-time / 500.0)
    noisy = table(time, drift + rng.normal(0.0, 5e-4, 2000), kinds=("rest",))
    found = Measured.of(given(of=noisy)).drop(3.7, 3.6)
    assert found.std_dev == pytest.approx(5e-4 * sqrt(2.0), rel=0.1)
    quiet = Measured.of(given(of=table(time, drift, kinds=("rest",)))).drop(3.7, 3.6)
    assert quiet.std_dev < 6e-5
    driven = table(time, drift + rng.normal(0.0, 5e-4, 2000), kinds=("discharge",))
    assert Measured.of(given(of=driven)).drop(3.7, 3.6).std_dev < 6e-5


def test_a_cut_off_belongs_to_the_meter_that_found_it():
    """Where 1 V less yields 0.2 Ah more, the meter's error at 3 V costs a fifth of it in Ah, and is
    the same error as in the mean voltage."""
    charge = MEASURED.at_voltage(MEASURED.charge(3.0, 1.0, "discharge"), 3.0, 0.2)
    found = parts(charge)
    assert found["meter, voltage gain"] == pytest.approx(0.2 * 3.0 * 0.0002 / R3)
    assert found["meter, voltage offset"] == pytest.approx(0.2 * 0.0005 / R3)


def test_leads_are_as_sure_as_our_word_for_it():
    """A stated lead resistance counts as right to a tenth."""
    leads = MEASURED.lead_ohms()
    assert (leads.nominal_value, leads.std_dev) == pytest.approx((0.030, 0.003 / R3))


def test_what_is_known_from_elsewhere_brings_its_own_degrees():
    """A slope fitted with 9 degrees of freedom gives an interval by Student's t of 9."""
    figure = MEASURED.figure("k", "l", MEASURED.known(2.0, 0.1, "line through 11 points", 9), "V/s")
    assert figure.degrees_of_freedom == pytest.approx(9)
    assert figure.high == pytest.approx(2.0 + 0.1 * 2.262, abs=1e-4)  # GUM table G.2
    assert figure.contributions[0].source == "line through 11 points"
    certain = MEASURED.figure("k", "l", MEASURED.known(2.0, 0.1, "a paper"), "V")
    assert certain.degrees_of_freedom == inf


def test_temperatures_by_place_are_sensors_apart():
    """Surface and room hang on one logger, with a sensor each: nothing cancels between them."""
    rise = MEASURED.celsius(30.0, "surface") - MEASURED.celsius(23.0, "room")
    assert rise.std_dev == pytest.approx(sqrt(2.0) * 0.4 / R3, rel=1e-3)
    same = MEASURED.celsius(30.0, "surface") - MEASURED.celsius(23.0, "surface")
    assert float(same.std_dev) < 0.01


def test_noise_of_a_current_is_seen_where_it_is_steady():
    """A single reading of a noisy constant current carries that noise; a load trace that jumps is
    no noise."""
    rng = np.random.default_rng(4)
    time, steps = np.arange(2000.0), np.repeat([0, 1], 1000)
    kinds = ("discharge", "discharge")
    steady = -3.0 + rng.normal(0.0, 0.02, 2000)
    jumping = np.where(steps == 0, steady, rng.choice([-1.0, -5.0], 2000))
    for amps in (steady, jumping):
        of = table(time, np.full(2000, 3.7), amps, steps, kinds=kinds)
        measured = Measured.of(given(of=of))
        figure = measured.figure("k", "l", measured.amps(3.0, "discharge"), "A")
        found = {one.source: one.standard for one in figure.contributions}
        assert found["current noise"] == pytest.approx(0.02, rel=0.1)
    assert "current noise" not in parts(MEASURED.amps(3.0, "discharge"))


def test_the_budget_is_what_a_monte_carlo_of_the_instruments_gives():
    """JCGM 101: instruments drawn from their rectangular limits, the numbers worked out anew from
    what the true cell would have shown; the spread is the budget's, correlations and all. One
    ammeter for both ways and 2 A for 1.5 h in and out, so that the closed form is plain."""
    rng, n = np.random.default_rng(5), 200_000
    gain_a, gain_v = 0.0005 * rng.uniform(-1, 1, n), 0.0002 * rng.uniform(-1, 1, n)
    offset_a, offset_v = 0.002 * rng.uniform(-1, 1, n), 0.0005 * rng.uniform(-1, 1, n)
    clock = 1e-4 * rng.uniform(-1, 1, n)
    round_in, round_out = (0.0005 * rng.uniform(-1, 1, n) for _ in range(2))
    scale = 0.1 * rng.uniform(-1, 1, n)
    hours, volts = 1.5 * (1 + clock), 3.7 * (1 + gain_v) + offset_v
    into = (2.01 * (1 + gain_a) + offset_a + round_in) * hours
    out = (2.0 * (1 + gain_a) - offset_a + round_out) * hours
    spreads = [np.std(x) for x in (out, out * volts, out * volts / (50.1 + scale), out / into)]
    at_once = given(
        on=bench(current_by="ammeter"), of=table([0.0]), specimen=weighed(("50.1 g", "bare"))
    )
    measured = Measured.of(at_once)
    charge = measured.charge(3.0, 1.5, "discharge")
    energy = measured.energy(11.1, 3.0, 5.55, 1.5, "discharge")
    filled = measured.charge(3.015, 1.5, "charge")
    values = [charge, energy, energy / measured.mass("bare"), charge / filled]
    assert [float(one.std_dev) for one in values] == pytest.approx(spreads, rel=0.01)


def test_headline_formulas_are_straight_enough_for_a_budget():
    """With a modest bench's uncertainties the next terms of the series (GUM 5.1.2) change those of
    a specific energy, a resistance and an efficiency by less than a thousandth."""
    cases = (
        (lambda wh, g: wh / g, [11.1, 50.1], [0.06, 0.1]),
        (lambda v, a: v / a, [0.12, 3.0], [0.0004, 0.006]),
        (lambda out, into: out / into, [3.0, 3.02], [0.015, 0.015]),
    )
    for formula, values, standards in cases:
        first, second = second_order(formula, values, standards)
        assert second == pytest.approx(first, rel=1e-3)
        assert second != first

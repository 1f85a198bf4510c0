"""The whole analysis on pretended nights whose numbers have closed forms, and on bad input."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.analysis import results
from sequencer.analysis.analyse import analyse
from sequencer.documents.bench import BenchDocument
from sequencer.documents.specimen import SpecimenDocument
from tests.analysis import pretending
from tests.analysis.journaled import step_end
from tests.analysis.pretending import Part, cell, charge, discharge, every, pulse, ran, rest
from tests.analysis.uncertainty import pretended

NAN = math.nan


def line(high: float, low: float, seconds: float):
    """A voltage that moves in a line."""
    return lambda t: high + (low - high) * t / seconds


def full(cycle: int = 1, hours: float = 1.0, amps: float = 2.5) -> list[Part]:
    """A charge of amps x hours x 0.9 and a taper to a tenth; then a rest."""
    held_s = 0.1 * hours * 3600.0 / 0.9
    whole_s = 0.9 * hours * 3600.0

    def current(t):
        return np.where(t < whole_s, amps, amps * (1.0 - 0.9 * (t - whole_s) / held_s))

    def volts(t):
        return np.minimum(3.0 + 1.2 * t / whole_s, 4.2)

    put = charge(current, whole_s + held_s, volts, 10.0)._replace(cycle=cycle)
    return [put, rest(60.0, 4.2)._replace(cycle=cycle)]


def empty(amps: float = 2.5, seconds: float = 3600.0, cycle: int = 1, low: float = 2.8):
    """A complete discharge in a line from 4.2 V; then a rest."""
    given_ = discharge(amps, seconds, line(4.2, low, seconds), 10.0, cut_off_v=low)
    return [given_._replace(cycle=cycle), rest(60.0, 3.0)._replace(cycle=cycle)]


def weighed(grams: float) -> SpecimenDocument:
    """A specimen of that bare mass."""
    return SpecimenDocument.model_validate(
        {
            "specimen": "one",
            "cell": "pretended",
            "weighings": [{"mass": f"{grams} g", "of": "bare"}],
        }
    )


def two_wire(ohms: float) -> BenchDocument:
    """A bench that reads the voltage through its leads."""
    served = "tcp:192.0.2.1:5025"
    names = {
        name: {"definition": name, "address": f"{served}{place}"}
        for place, name in enumerate(("supply", "load", "meter"))
    }
    wiring: dict[str, object] = {
        "charge": "supply",
        "discharge": "load",
        "lead resistance": f"{ohms} Ohm",
    }
    wiring |= {"voltage": {"by": "meter", "sense": "two-wire"}}
    return BenchDocument.model_validate({"bench": "plain", "instruments": names, "wiring": wiring})


def value(found, key: str) -> float:
    """The value of a figure that must be there."""
    figure = found.figure(key)
    assert figure is not None, key
    return figure.value


def test_the_worked_discharge_of_an_hour():
    """2.5 A for 1 h, 4.2 to 2.8 V in a line, 45 g: 2.5 Ah, 8.75 Wh, 194.444 Wh/kg (worked from the
    inputs), with what each 0.05 V yields on the line."""
    found = analyse(ran([*full(), *empty()], cell=cell(), specimen=weighed(45.0)))
    assert value(found, "capacity.discharge.3") == pytest.approx(2.5, rel=1e-3)
    assert value(found, "energy.discharge.3") == pytest.approx(8.75, rel=1e-3)
    assert value(found, "specific-energy.bare.3") == pytest.approx(194.444, rel=1e-3)
    assert value(found, "mean-voltage.discharge.3") == pytest.approx(3.5, rel=1e-3)
    assert value(found, "capacity.cut-off.3.3500") == pytest.approx(1.25, rel=1e-3)
    assert value(found, "energy.cut-off.3.3500") == pytest.approx(1.25 * 3.85, rel=1e-3)
    steps = [one for one in found.figures if one.key.startswith("capacity.cut-off.3.")]
    assert [one.conditions["cut_off_v"] for one in steps] == pytest.approx(
        np.arange(2.85, 4.19, 0.05).tolist()
    )
    assert all(a.value > b.value for a, b in pairwise(steps))
    assert found.figure("capacity.discharge.3").headline
    conditions = found.figure("capacity.discharge.3").conditions
    assert conditions["rate_c"] == pytest.approx(1.0)
    assert conditions["charge_voltage_v"] == pytest.approx(4.2)
    assert conditions["cut_off_v"] == 2.8


def test_efficiency_from_full_to_full():
    """A discharge is set beside the charge that fills the cell again: 2.5 Ah of 2.555."""
    again = full(2)
    found = analyse(ran([*full(), *empty(), *again], cell=cell()))
    put = value(found, "capacity.charge.5")
    efficiency = found.figure("efficiency.coulombic.3")
    assert efficiency.value == pytest.approx(value(found, "capacity.discharge.3") / put, rel=2e-3)
    assert efficiency.conditions["charge_step"] == 5.0
    assert any("full to full" in flag for flag in efficiency.flags)
    energy = value(found, "efficiency.energy.3")
    bound = efficiency.value * value(found, "mean-voltage.discharge.3")
    assert energy == pytest.approx(bound / value(found, "mean-voltage.charge.5"), rel=1e-3)


def test_without_a_partner_there_is_no_efficiency_and_it_is_said():
    """The charge before began somewhere else."""
    found = analyse(ran([*full(), *empty()], cell=cell()))
    assert found.figure("efficiency.coulombic.3") is None
    assert any("no efficiency" in words for words in found.excluded)


@pytest.mark.parametrize(
    ("parts", "why"),
    [
        (empty(), "did not begin with a cell that was charged full"),
        ([*full(), empty()[0]._replace(reason="time 1 h")], "ended by time 1 h"),
        (
            [*full(), empty()[0]._replace(reason="tripped: too hot")],
            "did not run to its planned end",
        ),
    ],
)
def test_what_is_no_capacity(parts, why):
    """A charge that was moved is told; a capacity is not, and the reason is said."""
    found = analyse(ran(parts, cell=cell()))
    assert not any(one.key.startswith("capacity.discharge") for one in found.figures)
    assert any(one.key.startswith("charge-moved.discharge") for one in found.figures)
    assert any(why in words for words in found.excluded)


def test_an_unfinished_step_is_no_capacity():
    """The journal breaks off in it."""
    given_ = ran([*full(), *empty()[:1]], cell=cell())
    ends = {n: end for n, end in given_.step_ends.items() if n != 3}
    found = analyse(replace(given_, step_ends=ends))
    assert found.figure("capacity.discharge.3") is None
    assert any("planned end" in words for words in found.excluded)


def test_below_the_recommended_cut_off_is_told_apart():
    """To 2.6 V where 2.8 V is recommended: 7/8 of the line above it, 1/8 below (a line)."""
    found = analyse(ran([*full(), *empty(low=2.6)], cell=cell()))
    assert value(found, "capacity.recommended.3") == pytest.approx(2.5 * 7 / 8, rel=1e-3)
    assert value(found, "residual.capacity.3") == pytest.approx(2.5 / 8, rel=5e-3)


def test_peukert_from_discharges_that_follow_the_law():
    """n = 1.1: t = C / I^n at 0.5 and 2.5 A gives 1.1 back."""
    nights = []
    for cycle, amps in enumerate((0.5, 2.5), start=1):
        nights += [*full(cycle), *empty(amps, round(3600 * 2.7 / amps**1.1, -1), cycle)]
    found = analyse(ran(nights, cell=cell()))
    assert value(found, "peukert.exponent") == pytest.approx(1.1, abs=2e-3)
    assert found.figure("peukert.exponent").flags


def test_fade_is_the_slope_over_cycles():
    """2.500, 2.475, 2.450 Ah: 25 mAh a cycle, 1 %."""
    nights = []
    for cycle, seconds in enumerate((3600.0, 3560.0, 3520.0), start=1):
        nights += [*full(cycle), *empty(2.5, seconds, cycle)]
    found = analyse(ran(nights, cell=cell()))
    assert value(found, "fade.capacity.1-C") == pytest.approx(2.5 * 40 / 3600, rel=0.01)
    assert value(found, "fade.share.1-C") == pytest.approx(40 / 3600, rel=0.01)


def rc(amps: float, at_rest: float = 3.7):
    """Voltage under a step of current: R0 20 mOhm, R1 10 mOhm, 10 s (closed form)."""
    return lambda t: at_rest - amps * (0.020 + 0.010 * -np.expm1(-t / 10.0))


def test_pulse_resistances_of_an_rc_cell():
    """R(t) = R0 + R1 (1 - e^(-t/tau)) at each time, out and in (closed form); 30 s was not read."""
    parts = [
        rest(60.0, 3.7),
        pulse("discharge", 3.0, every(0.1, 10.0), rc(3.0)),
        rest(600.0, 3.7),
        pulse("charge", 2.0, every(0.1, 10.0), rc(-2.0)),
    ]
    found = analyse(ran(parts, cell=cell()))
    for step in (2, 4):
        for after in (0.1, 1.0, 10.0):
            wanted = 0.020 + 0.010 * -math.expm1(-after / 10.0)
            assert value(found, f"resistance.pulse.{step}.{after:g}s") == pytest.approx(wanted)
        assert found.figure(f"resistance.pulse.{step}.30s") is None
    assert any("no pulse resistance at 30 s" in words for words in found.excluded)


def test_two_levels_of_an_rc_cell():
    """0.2 It until it has settled, then 1 It for 1 s: R0 + R1 (1 - e^(-1 s/tau)) (IEC 61960, seen
    second-hand; closed form)."""
    first = pulse("discharge", 0.5, every(0.1, 60.0), rc(0.5))

    def second(t):
        return 3.7 - 2.5 * 0.020 - 0.010 * (0.5 + 2.0 * -np.expm1(-t / 10.0))

    parts = [rest(60.0, 3.7), first, pulse("discharge", 2.5, every(0.1, 1.0), second)]
    found = analyse(ran(parts, cell=cell()))
    wanted = 0.020 + 0.010 * -math.expm1(-0.1)
    assert value(found, "resistance.two-level.3") == pytest.approx(wanted, rel=1e-3)


def test_trains_give_the_mean_of_their_pulses():
    """Three pulses of 20, 21 and 22 mOhm."""
    parts = [rest(60.0, 3.7)]
    for ohms in (0.020, 0.021, 0.022):
        parts += [
            pulse("discharge", 3.0, every(0.1, 10.0), pretending.steady(3.7 - 3.0 * ohms)),
            rest(40.0, 3.7),
        ]
    found = analyse(ran(parts, cell=cell()))
    train = found.figure("resistance.train.2.10s")
    assert train.value == pytest.approx(0.021)
    assert train.conditions["pulses"] == 3.0


def test_leads_are_taken_off_beside_what_was_read():
    """40 mOhm of leads at 2.5 A hide 0.1 V: energy + I^2 R t, resistance - R, and the cut-off that
    the cell itself saw (closed form on the line: 2.5 Ah per 1.4 V)."""
    parts = [*full(), *empty(), pulse("discharge", 3.0, every(0.1, 10.0), rc(3.0))]
    found = analyse(ran(parts, cell=cell(), bench=two_wire(0.040)))
    wh = value(found, "energy.cut-off.3.3500")
    ah_at_cell = value(found, "capacity.cut-off.3.3500.lead-compensated")
    assert ah_at_cell == pytest.approx(2.5 * (4.2 - 3.4) / 1.4, rel=1e-3)
    at_cell = value(found, "energy.cut-off.3.3500.lead-compensated")
    assert at_cell == pytest.approx(ah_at_cell * (4.2 + 3.4) / 2 + 0.1 * ah_at_cell, rel=1e-3)
    assert at_cell > wh
    raw = value(found, "resistance.pulse.5.10s")
    assert value(found, "resistance.pulse.5.10s.lead-compensated") == pytest.approx(raw - 0.040)


def test_four_wires_need_no_compensation():
    """No figure of that name."""
    found = analyse(ran([*full(), *empty()], cell=cell()))
    assert not any("lead-compensated" in one.key for one in found.figures)


def test_temperatures_are_told_where_there_is_a_sensor():
    """5 K of rise in a line; a tenth of it by the sensor's contact, 30 s of 3600 s by its lag, each
    rectangular."""
    known = {"bench": pretended.bench(), "definitions": pretended.definitions()}
    given_ = ran([*full(), *empty()], cell=cell(), **known)
    step = given_.table.step
    warm = np.where(
        step == 3, 22.0 + 5.0 * np.clip((given_.table.time_s - 3700) / 3600, 0, 1), 22.0
    )
    found = analyse(replace(given_, table=replace(given_.table, surface_c=warm)))
    rise = found.figure("temperature-rise.discharge.3")
    assert rise.value == pytest.approx(5.0, abs=0.05)
    parts = {one.source: one.standard for one in rise.contributions}
    wanted = {"contact": 5.0 * 0.1, "lag": 5.0 * 30.0 / 3600.0}
    for word, limit in wanted.items():
        found_part = parts[f"{word} of the surface sensor"]
        assert found_part == pytest.approx(limit / math.sqrt(3.0), rel=0.01)
    assert found.figure("capacity.discharge.3").conditions["surface_c"] == pytest.approx(
        24.5, abs=0.1
    )


def test_a_short_rest_tells_no_self_discharge_but_says_why():
    """NaN and the reason."""
    found = analyse(ran([*full(), rest(600.0, 4.19)], cell=cell()))
    figure = next(one for one in found.figures if one.key.startswith("self-discharge.current"))
    assert math.isnan(figure.value)
    assert "no rest is long enough" in figure.flags[0]


def test_self_discharge_is_the_drift_by_the_slope():
    """-0.56 mV/h on a slope of 0.56 V/Ah: 1 mA (closed form: 1.4 V per 2.5 Ah)."""
    drifting = rest(36 * 3600.0, lambda t: 3.5 - 0.56e-3 * t / 3600.0, 60.0)
    found = analyse(ran([*full(), *empty(), drifting], cell=cell()))
    assert value(found, "self-discharge.current.5") == pytest.approx(1e-3, rel=0.01)
    assert value(found, "self-discharge.month.5") == pytest.approx(0.72 / 2.5, rel=0.01)


def test_incremental_capacity_is_flat_on_a_line_and_holds_all_charge():
    """2.5 Ah over 1.4 V: 1.7857 Ah/V everywhere, the area is the charge."""
    found = analyse(ran([*full(), *empty()], cell=cell()))
    curve = next(one for one in found.curves if one.key == "dq-dv.discharge.3")
    inside = (curve.x > 2.9) & (curve.x < 4.1)
    assert curve.y[inside] == pytest.approx(2.5 / 1.4, rel=1e-3)
    assert float(curve.y.sum()) * 0.005 == pytest.approx(2.5, rel=0.01)
    assert "5 mV" in curve.note


def test_a_long_run_is_told_briefly():
    """Sixty cycles: every complete discharge has its capacity, and what is left out is said."""
    nights: list[Part] = []
    for cycle in range(1, 61):
        nights += [*full(cycle, 0.1), *empty(2.5, 360.0, cycle)]
    found = analyse(ran(nights, cell=cell()))
    whole = [one for one in found.figures if one.key.startswith("capacity.discharge.")]
    assert len(whole) == 60
    assert any("the run is too long for more" in words for words in found.excluded)
    assert len(found.figures) < 1500


def test_the_same_run_gives_the_same_numbers():
    """To the last digit."""
    one, two = (analyse(ran([*full(), *empty()], cell=cell())) for _ in range(2))
    assert [f.value for f in one.figures] == pytest.approx(
        [f.value for f in two.figures], abs=0, nan_ok=True
    )
    assert [f.key for f in one.figures] == [f.key for f in two.figures]


def test_nothing_but_a_table_is_enough():
    """No cell, no specimen, no bench, no journal: numbers without uncertainties, no verdicts."""
    table = pretending.table_of([*full(), *empty()])
    found = analyse(results.Tested(table))
    assert value(found, "capacity.discharge.3") == pytest.approx(2.5, rel=1e-3)
    assert math.isnan(found.figure("capacity.discharge.3").standard_uncertainty)
    assert found.verdicts == ()
    assert any("not weighed" in words for words in found.warnings)


@pytest.mark.parametrize("rows", [0, 1, 2])
def test_hardly_any_rows(rows):
    """An empty table, one point, two points: said, never raised."""
    table = pretending.table_of([*full(), *empty()])
    columns = {
        name: getattr(table, name)[:rows]
        for name in ("time_s", "voltage_v", "current_a", "voltage_time_s", "current_time_s")
    } | {
        name: getattr(table, name)[:rows]
        for name in ("step", "cycle", "surface_c", "tab_c", "room_c")
    }
    found = analyse(results.Tested(replace(table, **columns), cell=cell(), specimen=weighed(45.0)))
    assert value(found, "mass.bare") == 45.0
    assert found.warnings or found.excluded


@pytest.mark.parametrize("name", ["voltage_v", "current_a", "time_s", "surface_c"])
def test_a_column_of_nan(name):
    """The rest is still reported, and what is missing is said."""
    given_ = ran([*full(), *empty()], cell=cell(), specimen=weighed(45.0))
    table = replace(given_.table, **{name: np.full(len(given_.table), np.nan)})
    found = analyse(replace(given_, table=table))
    assert value(found, "mass.bare") == 45.0
    if name in ("voltage_v", "current_a"):
        assert any(f"no {name.partition('_')[0]} reading" in words for words in found.excluded)


@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=25, deadline=None)
def test_damaged_nights_never_raise(seed):
    """Holes, spikes, infinities, lost rows and odd reasons in a plain night."""
    rng = np.random.default_rng(seed)
    parts = [
        *full(),
        *empty(),
        pulse("discharge", 3.0, every(0.5, 10.0), rc(3.0)),
        rest(600.0, 3.6),
    ]
    given_ = ran(parts, cell=cell())
    rows = np.sort(rng.choice(len(given_.table), rng.integers(1, len(given_.table)), replace=False))
    columns = {}
    for name in ("time_s", "voltage_v", "current_a", "voltage_time_s", "current_time_s"):
        values = getattr(given_.table, name)[rows].copy()
        values[rng.random(len(rows)) < rng.choice([0.0, 0.02, 0.5])] = rng.choice(
            [np.nan, np.inf, 0.0]
        )
        columns[name] = values
    for name in ("step", "cycle", "surface_c", "tab_c", "room_c"):
        columns[name] = getattr(given_.table, name)[rows]
    ends = {
        n: step_end(n, "", str(rng.choice(["time 1 h", "", "voltage at or below 2 V"])))
        for n in given_.step_ends
        if rng.random() < 0.7
    }
    analyse(replace(given_, table=replace(given_.table, **columns), step_ends=ends))

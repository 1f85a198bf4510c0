"""Pulses: in a train a drift is a slope and no scatter, the time of an edge has its error, and the
power of a pulse stays within the limits of voltage and current."""

import math

import pytest

from sequencer.analysis.analyse import analyse
from tests.analysis import pretending
from tests.analysis.pretending import Part, cell, discharge, every, pulse, ran, rest
from tests.analysis.test_analyse import empty, full, rc, value
from tests.analysis.uncertainty import pretended


def trained(ohms, **more):
    """A cell filled and half emptied, then pulses of these resistances a minute apart."""
    parts = [*full(), empty()[0]._replace(reason="time 30 min"), rest(600.0, 3.7)]
    parts[2] = parts[2]._replace(times_s=parts[2].times_s[:180])
    for one in ohms:
        parts += [
            pulse("discharge", 3.0, every(0.1, 10.0), pretending.steady(3.7 - 3.0 * one)),
            rest(60.0, 3.7),
        ]
    return analyse(ran(parts, cell=cell(), **more))


def test_a_drift_along_a_train_is_a_slope_and_no_scatter():
    """52.165 and 51.382 mOhm: each at its state of charge, 51.774 mOhm half way between them, known
    as well as each of them; 0.783 mOhm over what one pulse took (3 A for 10 s: 8.333 mAh)."""
    bench_ = {"bench": pretended.bench(), "definitions": pretended.definitions()}
    found = trained((0.052165, 0.051382), **bench_)
    train, first = found.figure("resistance.train.5.10s"), found.figure("resistance.pulse.5.10s")
    assert train.value == pytest.approx(0.0517735)
    assert train.high - train.low == pytest.approx(first.high - first.low, rel=0.05)
    charges = [found.figure(f"resistance.pulse.{n}.10s").conditions for n in (5, 7)]
    middle = sum(one["state_of_charge"] for one in charges) / 2.0
    assert train.conditions["state_of_charge"] == pytest.approx(middle)
    assert "% charge" in train.label
    assert "mean" not in train.label
    slope = found.figure("train-slope.5.10s")
    assert slope.unit == "Ohm/Ah"
    assert slope.value == pytest.approx(0.000783 / (3.0 * 10.0 / 3600.0), rel=1e-3)
    assert any("two pulses only" in flag for flag in slope.flags)


@pytest.mark.parametrize("ours", [True, False], ids=["a row at the edge", "no row at the edge"])
def test_a_resistance_carries_the_time_between_two_rows(ours):
    """The voltage falls by 3 mV/s at 3 A, 1 mOhm/s: half a second either way where a row stands at
    the edge, all of a second where none does, each rectangular (worked here)."""
    parts = [
        rest(60.0, 3.7),
        pulse("discharge", 3.0, every(1.0, 14.0), lambda t: 3.61 - 0.003 * t),
        rest(60.0, 3.7),
    ]
    known = {"bench": pretended.bench(), "definitions": pretended.definitions()}
    found = analyse(ran(parts, ours=ours, cell=cell(), **known))
    figure = found.figure("resistance.pulse.2.10s")
    timing = next(one for one in figure.contributions if "jumped" in one.source)
    assert timing.standard == pytest.approx((0.5e-3 if ours else 1e-3) / math.sqrt(3.0))


def test_what_scatters_about_the_slope_of_a_train_is_in_its_uncertainty():
    """20, 21 and 20 mOhm lie 1/3, 2/3 and 1/3 mOhm off their line: s = sqrt(2/3) mOhm of one degree
    of freedom, and s / sqrt(3) in the middle (GUM H.3)."""
    bench_ = {"bench": pretended.bench(), "definitions": pretended.definitions()}
    found = trained((0.020, 0.021, 0.020), **bench_)
    train = found.figure("resistance.train.5.10s")
    scatter = next(one for one in train.contributions if "about the line" in one.source)
    assert scatter.standard == pytest.approx(0.001 * math.sqrt(2.0 / 3.0) / math.sqrt(3.0))
    assert scatter.degrees_of_freedom == 1.0


def test_pulse_power_goes_to_the_voltage_limit_and_no_current_beyond_the_cell_document_s():
    """50 mV below 4.2 V the voltage ends it (P = Vmax (Vmax - OCV) / R; US DOE / INL hybrid pulse
    method; memory). At 3.7 V that would take 34 A out and 19 A in: told at the 12.5 A and 2.5 A
    that are allowed (P = I (OCV +- I R), worked here)."""
    parts: list[Part] = []
    for way, at_rest in (("discharge", 3.7), ("charge", 3.7), ("charge", 4.15)):
        sign = 1.0 if way == "discharge" else -1.0
        edge = pulse(way, 1.0, every(0.1, 10.0), rc(sign, at_rest))
        parts += [rest(600.0, at_rest), edge, rest(600.0, at_rest)]
    found = analyse(ran(parts, cell=cell()))
    ohms = 0.020 + 0.010 * -math.expm1(-1.0)
    powers = [12.5 * (3.7 - 12.5 * ohms), 2.5 * (3.7 + 2.5 * ohms), 4.2 * 0.05 / ohms]
    for step, way, power in zip((2, 5, 8), ("discharge", "charge", "charge"), powers, strict=True):
        assert value(found, f"power.{way}.{step}.10s") == pytest.approx(power)
    told = found.figure("power.charge.5.10s")
    assert told.label == "Pulse power, charge, 10 s at 2.5 A"
    assert any(words.startswith("to 4.20 V it would take 19") for words in told.flags)


def test_a_pulse_that_begins_under_load_tells_no_power():
    """Its voltage before is no open circuit: at 3.1995 V under 1.2 A it told 0 W down to 3.20 V."""
    before = discharge(0.8, 600.0, lambda t: 3.8 - 0.3 * t / 600.0, 10.0)
    edge = pulse("discharge", 2.0, every(0.1, 10.0), rc(2.0, 3.5))
    found = analyse(ran([rest(600.0, 3.8), before, edge, rest(600.0, 3.5)], cell=cell()))
    assert found.figure("resistance.pulse.3.10s") is not None
    assert not [one for one in found.figures if one.key.startswith("power.")]

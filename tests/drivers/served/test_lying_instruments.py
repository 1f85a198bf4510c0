"""Faults in which an instrument answers what is not so, and power that comes back."""

import pytest

from sequencer.documents.faults import FaultDocument
from sequencer.source.loading import load
from tests.drivers.served.conftest import ROOT
from tests.drivers.served.faulty import Physics
from tests.safety.lies import liar

SHIPPED = sorted((ROOT / "sim_configs" / "faults").glob("*.yaml"))


def test_an_output_that_denies_reads_back_nothing_only_once_it_says_off():
    """On by its word it reads back what flows; told off it goes on, and shows neither."""
    physics = Physics()
    one = physics.begin(kind="output denied", instrument="supply")
    assert physics.supply.measure_current() == pytest.approx(1.0, abs=0.02)
    physics.supply.output(False)
    assert physics.after(1).cell_amps() == pytest.approx(1.0, abs=0.01)
    assert (physics.supply.shown_on, physics.supply.measure_current()) == (False, 0.0)
    physics.disturbance.end(one)
    assert physics.supply.measure_current() == pytest.approx(1.0, abs=0.02)
    physics.supply.output(False)
    assert abs(physics.bench.cell_amps()) < 1e-3


def test_a_current_of_the_wrong_sign():
    """As big as it is, the other way round."""
    physics = Physics()
    one = physics.begin(kind="reversed sign", reading="supply current")
    assert physics.supply.measure_current() == pytest.approx(-1.0, abs=0.02)
    physics.disturbance.end(one)
    assert physics.supply.measure_current() == pytest.approx(1.0, abs=0.02)


def test_a_stale_instrument_obeys_and_answers_as_it_was():
    """Readings and state of the moment when it began, whatever has happened since."""
    physics = Physics()
    one = physics.begin(kind="stale", instrument="supply")
    shown = physics.supply.measure_current()
    physics.supply.output(False)
    assert abs(physics.after(1).cell_amps()) < 1e-3
    assert (physics.supply.shown_on, physics.supply.measure_current()) == (True, shown)
    assert shown == pytest.approx(1.0, abs=0.02)
    physics.disturbance.end(one)
    assert not physics.supply.shown_on
    assert abs(physics.supply.measure_current()) < 0.05


@pytest.mark.parametrize("name", ["voltage", "surface", "discharge"])
def test_every_measuring_instrument_can_be_stale(name):
    """What it shows stays, and is right again afterwards."""
    physics = Physics()
    one = physics.begin(kind="stale", instrument=name)
    gauge = {
        "voltage": lambda: physics.meter.measure_voltage(),
        "surface": lambda: physics.bench.thermometer.measure(1),
        "discharge": lambda: physics.bench.load.measure_voltage(),
    }[name]
    held = gauge()
    physics.after(3600)
    assert gauge() == held
    physics.disturbance.end(one)
    assert gauge() != held


@pytest.mark.parametrize(
    ("kind", "is_closed"), [("contactor welded", True), ("contactor open", False)]
)
def test_a_contact_whose_feedback_denies(kind, is_closed):
    """The feedback says what was asked of it; a stale one says what was."""
    physics = Physics()
    one = physics.begin(kind=kind, admits="no")
    physics.contactor.open() if is_closed else physics.contactor.close()
    assert physics.contactor.is_closed is is_closed
    assert physics.contactor.shown_closed is not is_closed
    physics.disturbance.end(one)
    assert physics.contactor.shown_closed is physics.contactor.is_closed
    physics.contactor.close()
    physics.begin(kind="stale", instrument="contactor")
    physics.contactor.open()
    assert (physics.contactor.is_closed, physics.contactor.shown_closed) == (False, True)


def test_power_that_comes_back_switches_the_output_on_as_it_was_set():
    """Nothing switches it on meanwhile; afterwards it drives what it drove."""
    physics = Physics()
    one = physics.begin(kind="power dip", instrument="supply", boots_for="3 s")
    assert abs(physics.after(1).cell_amps()) < 1e-3
    physics.supply.output(True)
    assert not physics.supply.is_on
    physics.supply.output(False)
    physics.disturbance.end(one)
    assert physics.after(1).cell_amps() == pytest.approx(1.0, abs=0.02)


def test_every_shipped_fault_says_whether_an_instrument_lies():
    """By name or role; what is silent, admits or shows no value does not lie."""
    liars = {path.stem: liar(load(path, FaultDocument).document) for path in SHIPPED}
    assert {name: one for name, one in liars.items() if one} == {
        "contactor-welded-denied": "contactor",
        "drift": "voltage",
        "garbage-that-is-a-number": "voltage",
        "ignored-off-denied": "discharge",
        "meter-lead-off": "voltage",
        "output-denied": "charge",
        "output-denied-load": "discharge",
        "reversed-sign": "charge",
        "stale": "charge",
        "stale-meter": "voltage",
        "stuck-reading": "voltage",
    }

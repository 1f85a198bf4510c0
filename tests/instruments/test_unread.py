"""Settings that cannot be asked for, and settings that are taken only while the output is off."""

from collections.abc import Iterator
from contextlib import contextmanager
from math import inf
from time import monotonic_ns

import pytest
from pydantic import ValidationError

from drivers.instruments.commanding import Outlets
from drivers.instruments.instrument import Instrument
from drivers.instruments.lane import Lane
from drivers.instruments.settings import protections
from drivers.simulated.instruments import SimulatedSupply
from drivers.transports.choice import transport_for
from sequencer.feasibility.appraisal import appraise
from sequencer.ports import ProtectionBounds
from sequencer.vocabulary.commands import Command, Direction, Drive
from tests.drivers.definitions import raw
from tests.feasibility import benches
from tests.instruments.language import described
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.served import ServedSimulators
from tests.instruments.simulators.twelve import TWELVE
from tests.instruments.test_framing import tavrin, wuxel
from tests.plan.documents import CELL, profile


@contextmanager
def laned(name, definition) -> Iterator[tuple]:
    """The simulator, and the lane of its driver."""
    simulator = TWELVE[name](Circuit(3.7, 0.05))
    with ServedSimulators({name: simulator}, {}) as served:
        wire = transport_for(served.addresses[name], definition.link, name)
        lane = Lane(Instrument(name, definition, wire), (), monotonic_ns)
        try:
            yield simulator, lane
        finally:
            lane.stop()


def done(lane, act):
    """A job of the lane, carried out."""
    return lane.call(act).result(monotonic_ns() / 1e9 + 5.0)


def charging(volts):
    """An order to charge at 1 A."""
    return Command(Drive(Direction.CHARGE, 1.0, volts), connected=True)


def test_a_setting_that_write_only_is_sent_and_acknowledged():
    """What comes back is the acknowledgement alone: no value is made up."""
    with laned("wuxel-l8", wuxel()) as (load, lane):
        assert done(lane, lambda one: one.perform("set current", 1.5)) == {}
        assert load.outlet.level == 1.5


def test_what_write_only_is_sent_again_in_a_new_session():
    """The instrument may have been at its mains switch meanwhile: 1 A must not become 8 A."""
    with laned("wuxel-l8", wuxel()) as (load, lane):
        done(lane, lambda one: lane.set(one, "set current", 1.0))
        load.outlet.level = 8.0
        done(lane, lambda one: lane.set(one, "set current", 1.0))
        assert load.outlet.level == 8.0  # nobody could know
        done(lane, lambda one: one.close())
        done(lane, lambda one: lane.set(one, "set current", 1.0))
        assert load.outlet.level == 1.0


def test_a_voltage_that_is_taken_only_while_off_is_set_with_the_output_off():
    """The output is on again behind it, at the new voltage; one that stays switches nothing."""
    with laned("tavrin-1506", tavrin()) as (supply, lane):
        outlets = Outlets(lane, None, None, {"tavrin-1506": tavrin()})
        outlets.apply(charging(4.1))
        first = supply.outlet.on_since
        outlets.apply(charging(4.1))
        assert supply.outlet.on_since == first
        outlets.apply(charging(4.2))
        assert supply.outlet.set_v == 4.2
        assert supply.outlet.on_since > first


def test_a_person_stays_where_a_setting_write_only():
    """With the settings by name."""
    reasons = appraise(
        profile("- {step: rest, for: 1 min}"),
        CELL,
        benches.bench(),
        benches.definitions(load=wuxel()),
    ).attended_because
    (told,) = [one for one in reasons if "cannot be asked for what it is set to" in one]
    assert told.startswith("load cannot be asked for what it is set to (set current): a setting")


@pytest.mark.parametrize(
    ("operation", "changed", "rule"),
    [
        ("output on", {"read-back": None, "write only": "yes"}, "needs a read-back"),
        ("set current", {"write only": "yes"}, "has a read-back, and is write only"),
        ("set current", {"only while off": "yes"}, "only a voltage may be set only while off"),
        ("output on", {"only while off": "yes"}, "only a voltage may be set only while off"),
    ],
)
def test_what_would_hide_too_much_is_refused(operation, changed, rule):
    """The state of an output is always asked for, and a current is set while it flows."""
    operations = raw("generic-scpi-supply")["operations"]
    operations[operation] |= changed
    with pytest.raises(ValidationError, match=rule):
        described("supply", operations=operations)


def unprotected():
    """The shipped supply, as if it had no over-voltage protection."""
    data = raw("generic-scpi-supply")
    del data["operations"]["set over-voltage"]
    traits = data["traits"] | {"over-voltage protection": "no"}
    return described("supply", operations=data["operations"], traits=traits)


def test_a_person_stays_with_a_supply_without_over_voltage_protection():
    """Nothing but the program stands above the set voltage; no protection is set in its place."""
    reasons = appraise(
        profile("- {step: rest, for: 1 min}"),
        CELL,
        benches.bench(),
        benches.definitions(supply=unprotected()),
    ).attended_because
    assert [one for one in reasons if one.startswith("supply has no over-voltage protection")]
    bounds = ProtectionBounds(4.25, 1.5, 2.5, 1.5)
    assert "set over-voltage" not in protections(unprotected(), benches.bench(), "charge", bounds)


def test_a_protection_is_there_or_is_not():
    """Neither left out in silence nor set where there is none."""
    operations = raw("generic-scpi-supply")["operations"]
    del operations["set over-voltage"]
    with pytest.raises(ValidationError, match="needs the operation set over-voltage"):
        described("supply", operations=operations)
    with pytest.raises(ValidationError, match="what has no over-voltage protection cannot set one"):
        described("supply", traits={"over-voltage protection": "no"})


def test_the_twin_of_a_supply_without_protection_has_none():
    """What was rehearsed is what runs."""
    for definition, highest in ((unprotected(), inf), (described("supply"), 33.0)):
        assert SimulatedSupply("it", definition, 1, None).over_voltage == pytest.approx(highest)

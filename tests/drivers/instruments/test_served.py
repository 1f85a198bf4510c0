"""The wired bench on the served one: VISA, sockets and terminals, lockstep, and what goes wrong.

What is really so is asked of the simulation, never of an instrument.
"""

from pathlib import Path

import pytest

from drivers.instruments.bench import WiredBench
from drivers.registry import definition_path
from drivers.simulated.served import start_served
from sequencer.clocks import LockstepClock
from sequencer.ports import ProtectionBounds
from sequencer.source.loading import Intake
from sequencer.source.sets import look_at_bench
from sequencer.vocabulary.commands import RESTING, Command, Direction, Drive
from sequencer.vocabulary.faults import FaultKind
from sequencer.vocabulary.sample import OFF, ON
from sequencer.vocabulary.verdict import Level

ROOT = Path(__file__).resolve().parents[3]
SECOND_NS = 1_000_000_000
LEAKS_A = 0.002
"""More than what leaks through outputs that are off (0.5 mA and 0.1 mA by their definitions)."""
CHARGE = Command(Drive(Direction.CHARGE, 1.0, 4.2), connected=True)
DISCHARGE = Command(Drive(Direction.DISCHARGE, 1.0, 3.0), connected=True)


class Night:
    """A served bench with a wired one on it, in lockstep."""

    def __init__(self, name):
        intake = Intake()
        found = look_at_bench(ROOT / f"sim_configs/benches/{name}.yaml", definition_path, intake)
        intake.settle()
        definitions = {key: one.document for key, one in found.definitions.items()}
        document = found.bench.document
        self.served = start_served(document, definitions, found.simulated_cell.document)
        self.clock = LockstepClock(*self.served.control)
        self.bench = WiredBench(document, definitions, self.clock, self.served.addresses)

    def ticks(self, count):
        """Samples, a second of bench time apart."""
        samples = []
        for _ in range(count):
            now = self.clock.wait_until(self.clock.now_ns() + SECOND_NS)
            samples.append(self.bench.read(now, 0, SECOND_NS))
        return samples

    def drive(self, command):
        """Checked, the contact (where there is one) seen to part and to join the cell, driving."""
        self.bench.identify()
        self.bench.protect(ProtectionBounds(4.25, 2.0, 2.5, 5.0))
        self.ticks(4)
        if self.bench.safing_plan.reach is Level.A:
            self.bench.apply(Command(RESTING, connected=True))
            self.ticks(4)
            self.bench.apply(Command(RESTING, connected=False))
        self.bench.apply(command)
        return self.ticks(3)

    def ticks_until_fault(self, most=40):
        """Fault kinds and culprits met, up to and including the first sample that has any."""
        for _ in range(most):
            faults = self.ticks(1)[0].faults
            if faults:
                return {(one.kind, one.culprit) for one in faults}
        return set()

    def close(self):
        """Everything released."""
        self.bench.close()
        self.clock.close()
        self.served.stop()


@pytest.fixture
def night():
    """Opens benches by name and closes them."""
    opened = []

    def on(name):
        opened.append(Night(name))
        return opened[-1]

    yield on
    for one in opened:
        one.close()


def test_a_load_ends_a_burst_by_its_own_timer_when_nobody_speaks_any_more(night):
    """Whoever commanded it is frozen: the time goes on, and nothing is said. The current is gone
    when the timer ends; a discharge without a timer goes on all the same."""
    one, burst = night("timed-load"), DISCHARGE.drive._replace(on_time_s=1.5)
    one.drive(DISCHARGE._replace(drive=burst))  # 3 s pass
    assert abs(one.served.truth()["current_a"]) < LEAKS_A
    one.bench.make_safe()
    one.bench.apply(DISCHARGE._replace(drive=burst))
    one.clock.wait_until(one.clock.now_ns() + SECOND_NS)
    assert one.served.truth()["current_a"] < -0.9
    one.bench.apply(DISCHARGE)  # straight on: the timer that runs would end this one, too
    one.clock.wait_until(one.clock.now_ns() + 3 * SECOND_NS)
    assert one.served.truth()["current_a"] < -0.9
    assert one.ticks(1)[0].faults == ()


def test_a_bench_whose_load_has_no_timer_is_told_none(night):
    """It cannot end a burst, and does not begin one."""
    one, burst = night("demonstration"), DISCHARGE.drive._replace(on_time_s=1.5)
    one.bench.identify()
    with pytest.raises(ValueError, match="no timer of its own"):
        one.bench.apply(DISCHARGE._replace(drive=burst))
    assert abs(one.served.truth()["current_a"]) < LEAKS_A


def test_charge_rest_discharge_over_real_wires(night):
    """What the sample says is what is really so, within the definitions' limits of error (meter
    0.02 % + 0.5 mV + 0.1 mV; supply 0.2 % + 10 mA + 10 mA; load 0.1 % + 5 mA + 1 mA)."""
    one = night("demonstration")
    sample, truth = one.drive(CHARGE)[-1], one.served.truth()
    assert sample.faults == ()
    assert sample.voltage_v == pytest.approx(truth["voltage_v"], rel=0.0002, abs=0.0006)
    assert sample.current_a == pytest.approx(truth["current_a"], rel=0.002, abs=0.020)
    assert sample.surface_c == pytest.approx(truth["surface_c"], abs=0.6)
    assert (sample.supply_on, sample.load_on, sample.contactor_closed) == (ON, OFF, ON)
    one.bench.apply(Command(RESTING, connected=True))
    proof = one.bench.prove_off()
    assert (proof.level, proof.is_off) == (Level.B, True)
    one.bench.apply(DISCHARGE)
    sample, truth = one.ticks(2)[-1], one.served.truth()
    assert sample.current_a == pytest.approx(truth["current_a"], rel=0.001, abs=0.006)
    assert sample.current_a < -0.9
    proof = one.bench.make_safe()
    truth = one.served.truth()
    assert (proof.level, proof.is_off) == (Level.A, True)
    assert not any((truth["supply_on"], truth["load_on"], truth["contactor_closed"]))


FAULTS = {
    "killed": {"kind": "killed", "instrument": "supply"},
    "silent": {"kind": "silent", "instrument": "supply"},
    "reboot": {"kind": "reboot", "instrument": "supply"},
    "late": {"kind": "late reply", "instrument": "supply", "delay": "0.7 s"},
    "half line": {"kind": "half line", "instrument": "supply"},
    "two lines": {"kind": "two lines", "instrument": "supply"},
    "garbage": {"kind": "garbage", "instrument": "supply"},
    "ignored": {"kind": "ignored off", "instrument": "supply", "admits": "yes"},
    "denied": {"kind": "ignored off", "instrument": "supply", "admits": "no"},
    "meter": {"kind": "silent", "instrument": "meter"},
}


@pytest.mark.parametrize("name", ["denied", "half line", "ignored", "killed", "silent"])
def test_a_contactor_ends_every_fault_of_the_supply(night, name):
    """Level A, no current, whatever the driving instrument does."""
    one = night("demonstration")
    one.drive(CHARGE)
    one.served.inject(FAULTS[name])
    one.ticks(3)
    proof = one.bench.make_safe()
    truth = one.served.truth()
    assert (proof.level, proof.is_off) == (Level.A, True)
    assert not truth["contactor_closed"]
    assert abs(truth["current_a"]) < LEAKS_A


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_without_a_contactor_nothing_is_called_off_that_is_not(night, name):
    """Proven off means that no current flows; a supply that cannot be asked proves nothing."""
    one = night("modest")
    one.drive(CHARGE)
    one.served.inject(FAULTS[name])
    one.ticks(3)
    proof = one.bench.make_safe()
    flows = abs(one.served.truth()["current_a"]) >= LEAKS_A
    assert not (proof.is_off and flows)
    if name in ("killed", "silent", "ignored", "denied"):
        assert not proof.is_off


def test_a_denied_off_is_seen_by_the_voltage_alone(night):
    """The supply says off and 0 A while it charges on; only the meter contradicts it."""
    one = night("modest")
    one.drive(CHARGE)
    one.served.inject(FAULTS["denied"])
    proof = one.bench.make_safe()
    assert one.served.truth()["current_a"] > 0.9
    assert (proof.level, proof.is_off) == (Level.C, False)


@pytest.mark.parametrize(
    ("fault", "kind"),
    [
        ({"kind": "killed", "instrument": "supply"}, FaultKind.LINK_LOST),
        ({"kind": "killed", "instrument": "logger"}, FaultKind.AWAITED),
        ({"kind": "garbage", "instrument": "supply"}, FaultKind.POISONED),
        ({"kind": "garbage", "instrument": "meter"}, FaultKind.AWAITED),
        ({"kind": "two lines", "instrument": "supply"}, FaultKind.POISONED),
        ({"kind": "over-range", "reading": "cell voltage"}, FaultKind.INVALID_READING),
        ({"kind": "error queue", "instrument": "supply"}, FaultKind.ERROR_QUEUE),
        ({"kind": "panel", "instrument": "supply", "value": "2 A"}, FaultKind.SETTING_DIFFERS),
        (
            {"kind": "identity", "instrument": "meter", "text": "A,B,C,D"},
            FaultKind.IDENTITY_CHANGED,
        ),
    ],
)
def test_what_goes_wrong_is_told_in_the_sample(night, fault, kind):
    """Within half a minute of bench time for what is only looked at now and then."""
    one = night("demonstration")
    one.drive(CHARGE)
    one.served.inject(fault)
    seen = one.ticks_until_fault() | one.ticks_until_fault(most=2)
    assert kind in {found for found, _ in seen}


def test_the_control_connection_may_go(night):
    """Bench time then runs on by itself, and making safe and its proof still work."""
    one = night("modest")
    one.drive(CHARGE)
    one.clock.close()
    proof = one.bench.make_safe()
    assert (proof.level, proof.is_off) == (Level.B, True)
    assert abs(one.served.truth()["current_a"]) < LEAKS_A


def test_a_pt100_that_a_multimeter_reads_in_ohms(night):
    """Over the wire come ohms; the sample has degrees, within the class of the sensor and of the
    meter. What a shorted sensor shows (18.5 Ohm would be -200 degC) is a fault of that reading."""
    bench = night("platinum")
    bench.bench.identify()
    sample = bench.ticks(3)[-1]
    assert sample.surface_c == pytest.approx(22.0, abs=0.5)
    assert sample.surface_c != round(sample.surface_c, 1)
    bench.served.inject({"kind": "dead reading", "reading": "surface", "value": "-200 degC"})
    (fault,) = bench.ticks(3)[-1].faults
    assert (fault.kind, fault.culprit) == (FaultKind.INVALID_READING, "ohmmeter")
    assert "would be -200.0 degC" in fault.detail

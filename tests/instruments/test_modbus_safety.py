"""A charger that speaks Modbus goes off, whatever becomes of the program or of the cable.

One whole run, and its own watchdog of 5 s, in real time: some 15 s. Nothing shorter shows that a
process which was not there before switches it off, or that it does so by itself.
"""

import json
import os
import signal
from contextlib import contextmanager
from random import SystemRandom
from time import monotonic

import pytest

from drivers.instruments.bench import WiredBench
from drivers.instruments.instrument import Instrument
from drivers.off.carrying_out import make_safe
from drivers.off.plan import plan_safing
from drivers.transports.choice import transport_for
from sequencer.clocks import WallClock
from sequencer.documents.bench import BenchDocument
from sequencer.documents.channels import at_channel
from sequencer.documents.operations import WATCHDOG_S
from sequencer.documents.safing import dump, load
from sequencer.ports import ProtectionBounds
from sequencer.vocabulary.commands import Command, Direction, Drive
from sequencer.vocabulary.verdict import Level
from sequencer.watchdog.requests import wait_until
from tests.cli.places import CELL
from tests.cli.test_real_addresses import nightbench
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.served import ServedSimulators
from tests.instruments.simulators.zumbrel_m10 import ZumbrelM10
from tests.instruments.test_meeting import HERE
from tests.instruments.test_modbus import over

BENCH = """\
bench: a charger alone
instruments:
  charger: {{definition: {definition}, address: "{address}"}}
wiring:
  charge: charger
  voltage: {{by: charger, sense: two-wire}}
  lead resistance: 20 mOhm
simulated: yes
"""
PROFILE = """\
profile: A charge
limits:
  total time: 2 h
steps:
  - step: charge
    current: 0.3 C
    voltage: recommended
    for: 20 min
"""


def simulated(*, tcp_frames):
    """The charger on a cell, and nothing else."""
    return ZumbrelM10(Circuit(3.6, 0.05, volts_per_ah=0.2), tcp_frames)


def serving(charger, *, socket):
    """The charger on a wire."""
    return ServedSimulators(*(({"it": charger}, {}) if socket else ({}, {"it": charger})))


def desk(served):
    """The bench document of the charger alone."""
    instruments = {"it": {"definition": "x", "address": served.addresses["it"]}}
    wiring = {"charge": "it", "voltage": {"by": "it"}}
    bench = {"bench": "a desk", "instruments": instruments, "wiring": wiring}
    return BenchDocument.model_validate(bench)


@pytest.mark.parametrize(("socket", "tcp_frames"), [(True, True), (False, False), (True, False)])
def test_off_is_sent_and_proven_over_links_opened_just_now(socket, tcp_frames):
    """With the plan alone, as it stands in the run folder; no definition, no session."""
    definition, charger = (
        over(socket=socket, tcp_frames=tcp_frames),
        simulated(tcp_frames=tcp_frames),
    )
    with serving(charger, socket=socket) as served:
        wire = transport_for(served.addresses["it"], definition.link, "it")
        one = Instrument("it", definition, wire)
        for name, value in (("set voltage", 4.2), ("set current", 1.0), ("output on", None)):
            one.perform(name, value)
        assert charger.outlet.is_on
        one.close()
        plan = plan_safing(desk(served), {"it": definition}, capacity_ah=3.0)
        proof = make_safe(load(dump(plan)))
        assert not charger.outlet.is_on
    assert proof.level is Level.B
    assert proof.evidence == ("it reads 3.600 V, reads 0.000 A (at most 11 mA), output off",)


def test_nobody_answers_as_another_unit():
    """Off was sent to a unit that is not there: nothing is proven, and that is said."""
    definition = at_channel(over(socket=True, tcp_frames=True), 8)
    charger = simulated(tcp_frames=True)
    with serving(charger, socket=True) as served:
        plan = plan_safing(desk(served), {"it": definition}, capacity_ah=3.0)
        proof = make_safe(plan)
    assert proof.level is Level.NONE
    assert proof.evidence == ("it: does not answer",)


@contextmanager
def charging(place, charger, *, socket):
    """A run that charges, and its process. Its charger is like no other: a run owns its instruments
    by their serial numbers, on the whole computer."""
    place.mkdir()
    charger.serial_number = SystemRandom().randint(100_000, 999_999)
    with serving(charger, socket=socket) as served:
        words = {"definition": HERE / "zumbrel-m10.yaml", "address": served.addresses["it"]}
        (place / "bench.yaml").write_text(BENCH.format(**words), encoding="utf-8")
        (place / "profile.yaml").write_text(PROFILE, encoding="utf-8")
        text = CELL.read_text(encoding="utf-8")
        (place / "cell.yaml").write_text(text[: text.index("current limits:")], encoding="utf-8")
        named = (f"--{one}={place / one}.yaml" for one in ("cell", "bench"))
        more = ("--yes", "--attended", "--no-screen", "--no-report")
        given = ("run", place / "profile.yaml", *named, f"--folder={place / 'run'}", *more)
        with nightbench(*given) as run:
            try:
                is_on = wait_until(lambda: charger.outlet.is_on or run.poll() is not None, 60.0)
                assert is_on, "it never came on"
                assert run.poll() is None, run.communicate()[0]
                yield run
            finally:  # while somebody answers, so that nobody is left behind who tries on
                run.terminate()
                run.wait(60)


def test_it_goes_off_when_the_program_is_killed(tmp_path):
    """The watchdog, which is another process, says off over the serial line and proves it."""
    charger = simulated(tcp_frames=False)
    with charging(tmp_path / "night", charger, socket=False) as run:
        live = json.loads((tmp_path / "night/run/live.json").read_text(encoding="utf-8"))
        os.kill(live["pid"], signal.SIGKILL)
        assert wait_until(lambda: not charger.outlet.is_on, 60.0)
        said = run.communicate(timeout=60)[0]
    assert run.returncode == 6, said
    assert "the watchdog made safe" in said
    assert "off, proof level B" in said


def test_it_goes_off_when_the_cable_is_pulled():
    """Nobody can say off then: its own watchdog, which was set before it drove, ends the charge. As
    long as nobody answers nothing is proven; once the cable is back, it is."""
    charger = simulated(tcp_frames=True)
    with serving(charger, socket=True) as served:
        definition = over(socket=True, tcp_frames=True)
        bench = WiredBench(desk(served), {"it": definition}, WallClock(), capacity_ah=3.0)
        bench.identify()
        bench.protect(ProtectionBounds(4.25, 1.5, 2.5, 1.5))
        bench.apply(Command(Drive(Direction.CHARGE, 1.0, 4.2), connected=True))
        assert charger.outlet.is_on
        began = monotonic()
        charger.hear = lambda _data, _now: None
        assert bench.make_safe().level is Level.NONE
        assert wait_until(lambda: not charger.outlet.is_on, 60.0)
        assert monotonic() - began > WATCHDOG_S / 2
        del charger.hear
        assert bench.make_safe().level is Level.B
        bench.close()

"""Two channels of one box, each with an owner of its own, over one port that takes one connection.

The box is the Dovrin 2X, simulated from its manual; each channel is on a cell of its own.
"""

import csv
import os
import re
import signal
import subprocess
import sys
from time import monotonic, sleep
from uuid import uuid4

import pytest

from sequencer.vocabulary.commands import Command, Direction, Drive
from sequencer.vocabulary.faults import FaultKind
from sequencer.vocabulary.sample import ON
from sequencer.vocabulary.verdict import Level
from sequencer.watchdog.requests import wait_until
from tests.instruments.simulators.circuit import Circuit, SupplyOutlet
from tests.instruments.simulators.dovrin_2x import Dovrin2X
from tests.instruments.simulators.served import ServedSimulators
from tests.instruments.two_channels import PROFILE, bench_of, read, written
from tests.watchdog.nights import CELL, Night

CHARGE = Command(Drive(Direction.CHARGE, 0.5, 4.2), connected=True)
WIRES = ["tcp", "serial"]


@pytest.fixture(params=WIRES)
def box(request):
    """The box on one port, its address, and its two cells: 3.7 V and 3.5 V."""
    cells = Circuit(3.7, 0.05), Circuit(3.5, 0.08)
    simulator = {"box": Dovrin2X(*cells)}
    served = ServedSimulators(*((simulator,) if request.param == "tcp" else ({}, simulator)))
    with served:
        yield served, served.addresses["box"], cells


def is_on(cell: Circuit) -> bool:
    """Whether the channel that is joined to it drives."""
    outlet = cell.outlets[0]
    assert isinstance(outlet, SupplyOutlet)
    return outlet.is_on


def test_each_reads_and_switches_its_own_channel(box):
    """Two owners, as two runs are: what one commands and reads is never the other's."""
    _, address, cells = box
    (one, clock), (two, _) = bench_of(address, 1), bench_of(address, 2)
    one.apply(CHARGE)
    two.apply(CHARGE)
    for _ in range(5):
        first, second = read(one, clock), read(two, clock)
        assert first.faults == second.faults == ()
        assert (first.supply_on, second.supply_on) == (ON, ON)
        assert first.voltage_v == pytest.approx(3.7 + 0.5 * 0.07, abs=0.01)
        assert second.voltage_v == pytest.approx(3.5 + 0.5 * 0.1, abs=0.01)
    proof = one.make_safe()
    assert (proof.is_off, proof.level) == (True, Level.B)
    assert [is_on(cell) for cell in cells] == [False, True]
    second = read(two, clock)
    assert second.faults == ()
    assert second.supply_on == ON
    assert two.make_safe().is_off
    one.close()
    two.close()
    assert [is_on(cell) for cell in cells] == [False, False]


HOLDER = (
    "import sys; from drivers.transports.turns import PortTurns\n"
    "from drivers.transports.address import wires\n"
    "with PortTurns(wires(sys.argv[1])[0]).turn(5.0):\n"
    "    print('speaks', flush=True); sys.stdin.readline()"
)


def test_off_gets_through_while_another_process_is_stopped_in_the_middle_of_its_exchange(box):
    """The wait ends although the other never speaks again; proof comes once it is gone."""
    _, address, cells = box
    bench, clock = bench_of(address, 1)
    bench.apply(CHARGE)
    assert read(bench, clock).supply_on == ON
    command = [sys.executable, "-c", HOLDER, address]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"speaks\n"
        os.kill(other.pid, signal.SIGSTOP)
        told: list[str] = []
        proof = bench.make_safe(lambda: told.append("off sent"))
        told.append("on" if is_on(cells[0]) else "off")
        other.kill()
    assert (told[0], told[-1]) == ("off sent", "off")
    assert not proof.is_off
    assert any("held by another process" in line for line in proof.evidence), proof.evidence
    assert bench.make_safe().is_off
    bench.close()


def test_a_cable_that_is_pulled_is_lost_to_both():
    """Nobody reads anything of before, and nothing is proven off."""
    served = ServedSimulators({"box": Dovrin2X(Circuit(3.7, 0.05), Circuit(3.5, 0.08))})
    with served:
        address = served.addresses["box"]
        benches = [bench_of(address, channel) for channel in (1, 2)]
        for bench, _ in benches:
            bench.apply(CHARGE)
    for bench, clock in benches:
        read(bench, clock)
        sleep(0.05)
        kinds = {fault.kind for fault in read(bench, clock).faults}
        assert kinds & {FaultKind.LINK_LOST, FaultKind.NO_REPLY}
        assert not bench.make_safe().is_off
        bench.close()


@pytest.mark.parametrize(("is_tcp", "trouble"), [(True, "trips"), (False, "is stopped")])
def test_two_runs_at_once_of_which_one_is_in_trouble(tmp_path, is_tcp, trouble):
    """One trips, and the other ends as planned; one is stopped in the middle of a turn or not, and
    both are off. Real runs with their watchdogs, 10 s or so each: nothing less shows that both
    records are whole, and that each holds its own channel's values."""
    profile, cell = tmp_path / "profile.yaml", tmp_path / "cell.yaml"
    profile.write_text(PROFILE, encoding="utf-8")
    text = CELL.read_text(encoding="utf-8")
    cell.write_text(re.sub(r"current limits:.*?(?=\n\S)", "", text, flags=re.DOTALL), "utf-8")
    cells = Circuit(3.7, 0.05), Circuit(3.5, 0.08)
    words = ("--yes", "--no-screen", "--attended", "--cell", cell)
    box = {"box": Dovrin2X(*cells)}
    # A run owns its instruments by their serial numbers, on the whole computer.
    box["box"].serial_number = f"D2-{uuid4().int}"
    with ServedSimulators(*((box,) if is_tcp else ({}, box))) as served:
        address = served.addresses["box"]
        one, two = (
            Night(tmp_path / str(n), written(tmp_path, address, n), profile, words) for n in (1, 2)
        )
        for night in (one, two):
            night.wait_for("charging")
        assert wait_until(lambda: all(map(is_on, cells)), 30.0)
        if trouble == "trips":
            cells[0].source_v = 4.5
        else:
            os.kill(one.executive, signal.SIGSTOP)
            began = monotonic()
            assert wait_until(lambda: not is_on(cells[0]), 30.0)
            assert monotonic() - began < 10.0  # 3 s is the aim; this computer may be busy
        said = one.said(), two.said()
    code, told = (5, "voltage high") if trouble == "trips" else (6, "the watchdog made safe")
    ends = (0,) if trouble == "trips" else (0, 6)  # it reads nothing while the other is stopped
    assert one.parent.returncode == code, said
    assert two.parent.returncode in ends, said
    assert told in said[0]
    assert "off, proof level B" in said[1]
    for night, low, high in ((one, 3.69, 4.6), (two, 3.49, 3.56)):
        with (night.folder / "samples.csv").open(encoding="utf-8") as file:
            said_v = [row["Voltage / V"] for row in csv.DictReader(file)]
        volts = [float(one) for one in said_v if one or trouble == "trips"]
        assert len(volts) > 1
        assert all(low < one < high for one in volts)
    assert not is_on(cells[1])

"""A night against a simulator of somebody else's, whose time is led by its control connection.

Supply, load, meter and logger are simulators that share no code with the product, and so are the
source behind them and the control connection.
"""

import json
import socket
import subprocess
import sys
import threading
from pathlib import Path

import pytest
import yaml

from sequencer.clocks import LockstepClock
from sequencer.vocabulary.faults import FaultKind, InstrumentError
from tests.instruments.simulators.brunde_150 import Brunde150
from tests.instruments.simulators.gantrel_5 import Gantrel5
from tests.instruments.simulators.led import START_NS, LedCircuit, LedSimulators
from tests.instruments.simulators.pelluc_8 import Pelluc8
from tests.instruments.simulators.tavrin_1506 import Tavrin1506

ROOT = Path(__file__).parents[2]
DEFINITIONS = Path(__file__).parent / "definitions"
KINDS = {
    "supply": "tavrin-1506",
    "load": "brunde-150",
    "meter": "gantrel-5",
    "logger": "pelluc-8",
}
PROFILE = """\
profile: Against a stranger
limits:
  charge temperature: {low: 15 degC, high: 40 degC}
  discharge temperature: {low: 15 degC, high: 45 degC}
sampling: {every: 1 s}
steps:
  - {step: rest, for: 1 min}
  - {step: charge, current: 2 C, voltage: recommended, termination current: 0.2 C, for: 2 h}
  - {step: rest, for: 2 min}
  - {step: discharge, current: 10 C, cut-off voltage: recommended, for: 2 h}
  - {step: rest, for: 2 min}
"""
CELL = """\
cell: A straight line
chemistry: NMC
rated capacity: 0.5 Ah
mass: 45 g
expected resistance: 50 mOhm
recommended:
  charge voltage: 4.20 V
  cut-off voltage: 3.00 V
  charge current: 2 C
  discharge current: 10 C
  charge temperature: {low: 10 degC, high: 45 degC}
  discharge temperature: {low: -10 degC, high: 50 degC}
absolute:
  charge voltage: 4.25 V
  cut-off voltage: 2.75 V
  charge current: 3 C
  discharge current: 15 C
  charge temperature: {low: 5 degC, high: 50 degC}
  discharge temperature: {low: -20 degC, high: 60 degC}
storage voltage: 3.60 V
claims:
  - said on: label
    capacity: 0.7 Ah
    conditions: {rate: 10 C, cut-off: 3.00 V, charge voltage: 4.20 V, temperature: 21 degC}
"""


def bench_text(addresses: dict[str, str], control: str) -> str:
    """The bench document of these four."""
    return yaml.safe_dump(
        {
            "bench": "strangers, led",
            "simulated": "yes",
            "control": control,
            "instruments": {
                name: {"definition": str(DEFINITIONS / f"{kind}.yaml"), "address": addresses[name]}
                for name, kind in KINDS.items()
            },
            "wiring": {
                "charge": "supply",
                "discharge": "load",
                "voltage": {"by": "meter"},
                "lead resistance": "20 mOhm",
                "sensors": [{"place": "surface", "by": "logger", "channel": 1}],
            },
        }
    )


def nightbench(*words: object) -> subprocess.CompletedProcess[str]:
    """The command line in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "sequencer.cli", *map(str, words)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        check=False,
        timeout=90,
    )


@pytest.fixture
def circuit() -> LedCircuit:
    """0.5 Ah between 3.0 and 4.2 V, nearly full."""
    return LedCircuit(4.1, 0.05, volts_per_ah=2.4)


@pytest.fixture
def bench(circuit: LedCircuit, tmp_path: Path):
    """A bench document of simulators that run."""
    supply, load = Tavrin1506(circuit), Brunde150(circuit)
    over_tcp = {"supply": supply, "load": load, "meter": Gantrel5(circuit)}
    with LedSimulators(circuit, over_tcp, {"logger": Pelluc8(circuit)}) as simulators:
        path = tmp_path / "bench.yaml"
        path.write_text(bench_text(simulators.addresses, simulators.control))
        yield path
        assert not supply.outlet.is_on
        assert not load.outlet.is_on


def test_a_night_is_led_verdict_report_and_replay(bench, circuit, tmp_path):
    """An hour of bench time in seconds: the charge that was counted is the one that flowed in the
    source, the false claim is found, off is proven, and a replay decides line for line the same."""
    (tmp_path / "profile.yaml").write_text(PROFILE)
    (tmp_path / "cell.yaml").write_text(CELL)
    folder = tmp_path / "run"
    done = nightbench(
        "run", tmp_path / "profile.yaml", "--cell", tmp_path / "cell.yaml", "--bench", bench,
        "--yes", "--attended", "--no-screen", "--folder", folder,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    entries = [
        json.loads(one)
        for one in (folder / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    ]
    ended = [one["entry"] for one in entries if one["kind"] == "step ended"]
    counted_ah = sum(one["charge_in_ah"] - one["charge_out_ah"] for one in ended)
    assert counted_ah == pytest.approx(circuit.charge_ah, rel=0.01)
    assert circuit.charge_ah < -0.3
    proof = [one["entry"] for one in entries if one["kind"] == "proof"][-1]
    assert proof["level"] == "B"
    told = nightbench("report", folder, "--json")
    assert told.returncode == 0, told.stdout
    verdicts = json.loads(told.stdout)["verdicts"]
    assert [one["word"] for one in verdicts] == ["not supported"]
    replayed = nightbench("replay", folder)
    assert replayed.returncode == 0, replayed.stdout


def test_the_time_of_a_simulator_is_held_led_and_let_go():
    """It stands while a connection is open, moves when told and never backwards; an unknown line is
    an error and changes nothing."""
    circuit = LedCircuit(4.0, 0.05)
    with LedSimulators(circuit, {"meter": Gantrel5(circuit)}, {}) as simulators:
        host, port = simulators.control.removeprefix("tcp:").split(":")
        clock = LockstepClock(host, int(port))
        assert clock.now_ns() == START_NS
        assert clock.wait_until(3 * START_NS) == 3 * START_NS
        assert clock.wait_until(START_NS) == 3 * START_NS
        with socket.create_connection((host, int(port)), 5.0) as other:
            other.sendall(b"advance 2000000000\nwhat\nnow\n")
            said = other.makefile("rb")
            answers = [said.readline() for _ in range(3)]
        assert answers == [b"at 3000000000\n", b"error what is what\n", b"at 3000000000\n"]
        clock.close()


@pytest.mark.parametrize("answer", [b"error what is that\n", b"lockstep 2\n", b""])
def test_a_control_connection_of_another_kind_is_refused(answer):
    """Before anything is said to an instrument."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        host, port = server.getsockname()

        def serve() -> None:
            peer, _ = server.accept()
            with peer:
                peer.recv(100)
                peer.sendall(answer)

        thread = threading.Thread(target=serve)
        thread.start()
        with pytest.raises(InstrumentError) as raised:
            LockstepClock(host, port)
        thread.join()
    assert raised.value.kind is FaultKind.LINK_LOST
    with pytest.raises(InstrumentError, match="no control at"):
        LockstepClock(host, port)

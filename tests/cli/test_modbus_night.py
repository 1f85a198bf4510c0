"""Nights on a served bench whose supply, relay and logger speak Modbus, as a user has them."""

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Thread

from drivers.simulated.served import ServedBench, start_served
from sequencer.recording.journal import decode
from sequencer.run_documents.proof_test_results import PLACE
from sequencer.source.loading import Intake
from sequencer.source.sets import look_at_bench
from sequencer.watchdog.requests import wait_until
from tests.cli.places import CELL, ROOT

BENCH = """\
bench: registers
instruments:
  supply: {{definition: generic-modbus-supply, address: {supply}, negative: isolated}}
  relay: {{definition: generic-modbus-relay, address: {relay}, negative: isolated}}
  logger: {{definition: generic-modbus-thermometer, address: {logger}, negative: isolated}}
  load: {{definition: generic-scpi-load, address: {load}, negative: isolated}}
  meter: {{definition: generic-scpi-multimeter, address: {meter}, negative: isolated}}
wiring:
  charge: supply
  discharge: load
  contactor: relay
  contactor lead: positive
  voltage: {{by: meter, sense: four-wire}}
  lead resistance: 40 mOhm
  sensors: [{{place: surface, by: logger, channel: 1}}]
"""
SIMULATED = f"simulation: {{cell: {ROOT}/sim_configs/cells/lamp-pouch-truth.yaml}}\n"
ON_A_RESISTOR = f"simulation: {{cell: {ROOT}/sim_configs/cells/proof-resistor-truth.yaml}}\n"
PROFILE = """\
profile: a charge
steps:
  - {{step: charge, current: 0.5 A, voltage: recommended, for: {lasts}}}
"""
KILLED = "fault: gone\nkind: killed\ninstrument: supply\ncounted from: charging\nat: 3 s\n"
NAMES = ("supply", "relay", "logger", "load", "meter")
UNITS = {"supply": 11, "relay": 12, "logger": 13}


def written(
    place: Path, addresses: dict[str, str], more: str, *, on_one_line: bool, lasts: str = "20 s"
) -> list[str]:
    """The bench and the profile as files, and the words that name them."""
    units = {name: f", channel: {UNITS[name]}" if on_one_line else "" for name in UNITS}
    filled = {name: f'"{addresses[name]}"{units.get(name, "")}' for name in NAMES}
    (place / "bench.yaml").write_text(BENCH.format(**filled) + more, encoding="utf-8")
    (place / "charge.yaml").write_text(PROFILE.format(lasts=lasts), encoding="utf-8")
    (place / "killed.yaml").write_text(KILLED, encoding="utf-8")
    return [str(place / "charge.yaml"), "--cell", str(CELL), "--bench", str(place / "bench.yaml")]


SERVED = dict.fromkeys(NAMES, "served")
WAYS = ("--yes", "--no-screen", "--no-report", "--attempts", "1")


def end_of(run: Path) -> dict[str, object]:
    """What the journal says of the end."""
    entries = map(decode, (run / "journal.jsonl").read_bytes().splitlines())
    return dict([one.entry for one in entries if one.kind == "end"][-1])


def test_it_is_checked_rehearsed_and_run(ask, tmp_path):
    """By the same words as any other bench, three units on one line; done, off at level A."""
    words = written(tmp_path, SERVED, SIMULATED, on_one_line=True)
    for command in ("check", "rehearse"):
        told = ask(command, *words)
        assert told.exit == 0, told.err + told.out
        assert "one port, asked in turns: a round takes nobody knows how long" in told.out
    assert "by its communication watchdog after 5 s of silence" in told.out
    told = ask("run", *words, *WAYS, "--folder", tmp_path / "run")
    assert told.exit == 0, told.err + told.out
    assert "off, proof level A" in told.out


def test_both_watchdogs_are_proven(ask, tmp_path, monkeypatch):
    """The relay's and the supply's: a run may be left alone on the word of either."""
    monkeypatch.setenv(PLACE, str(tmp_path / "proofs"))
    words = written(tmp_path, SERVED, ON_A_RESISTOR, on_one_line=True)
    told = ask("bench", "prove", words[-1], "--yes", "--json")
    assert told.exit == 0, told.err + told.out
    (step,) = (one for one in told.data["steps"] if one["step"] == "withhold the heartbeat")
    assert "relay and supply had switched off without a word; off proven" in step["words"]


def test_the_port_of_the_supply_is_gone_while_it_charges(ask, tmp_path):
    """Exit 6: the relay at its own port parts the cell, and its contact is the proof."""
    words = written(tmp_path, SERVED, SIMULATED, on_one_line=False)
    run = tmp_path / "run"
    told = ask("run", *words, *WAYS, "--fault", tmp_path / "killed.yaml", "--folder", run)
    assert told.exit == 6, told.err + told.out
    assert "first cause: instrument fault: supply: link lost" in told.out
    assert "off, proof level A; the cell is parted from everything" in told.out
    assert "relay feedback open" in told.out
    assert end_of(run)["exit"] == 6


@contextmanager
def kept_from_others(addresses: dict[str, str]) -> Iterator[None]:
    """The terminals at these addresses stay taken: once nobody had one, the system would give its
    name to another test, to which the run that has lost it would speak."""
    paths = {one.removeprefix("serial:") for one in addresses.values() if one.startswith("serial:")}
    held = [os.open(path.partition("#")[0], os.O_RDWR | os.O_NOCTTY) for path in sorted(paths)]
    try:
        yield
    finally:
        for one in held:
            os.close(one)


def kill_while_charging(served: ServedBench) -> None:
    """End the process of the instruments with no word."""
    wait_until(lambda: served.truth()["current_a"] > 0.1, 30.0)
    os.kill(served.pid, signal.SIGKILL)


def test_the_process_of_all_instruments_is_killed_while_it_charges(ask, tmp_path):
    """kill -9: exit 7, said loudly with what to do, on the page and in the journal. It takes the
    real seconds of two attempts to make safe what answers no more."""
    words = written(tmp_path, SERVED, SIMULATED, on_one_line=True)
    intake = Intake()
    found = look_at_bench(
        tmp_path / "bench.yaml", lambda kind: ROOT / "drivers/definitions" / f"{kind}.yaml", intake
    )
    intake.settle()
    assert found is not None
    assert found.simulated_cell is not None
    definitions = {name: one.document for name, one in found.definitions.items()}
    with (
        start_served(found.bench.document, definitions, found.simulated_cell.document) as served,
        kept_from_others(served.addresses),
    ):
        led = 'simulated: yes\ncontrol: "tcp:{}:{}"\n'.format(*served.control)
        written(tmp_path, served.addresses, led, on_one_line=True, lasts="1 h")
        thread = Thread(target=kill_while_charging, args=(served,))
        thread.start()
        run = tmp_path / "run"
        told = ask("run", *words, *WAYS, "--attended", "--folder", run)
        thread.join()
    assert told.exit == 7, told.err + told.out
    assert "NOT PROVEN OFF" in told.out + told.err
    assert "do now: switch supply and load off" in told.out + told.err
    assert end_of(run)["exit"] == 7
    report = ask("report", run)
    assert "ended WITHOUT PROOF that the outputs were off" in report.out

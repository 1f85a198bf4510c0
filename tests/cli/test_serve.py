"""``bench serve``: says how its time runs, and can be driven as the reference describes."""

import re
import socket

from sequencer.assembly.by_hand import read_bench
from tests.cli.places import BENCH, CELL, ROOT
from tests.cli.test_real_addresses import nightbench

HOUR_NS = 3_600_000_000_000


def test_a_served_bench_says_that_it_is_in_real_time_and_is_moved_in_lockstep():
    """The address is said; a connection to it holds the time and moves an hour at once."""
    with nightbench("bench", "serve", BENCH) as serving:
        assert serving.stdout is not None
        told = {}
        for line in serving.stdout:
            if line.startswith("serving"):
                break
            name, _, address = line.strip().partition(": ")
            told[name] = address
        assert line.startswith("serving in real time: a night takes a night")
        host, port = told["control"].split(":")
        with socket.create_connection((host, int(port)), timeout=30.0) as peer:
            answers = peer.makefile("r", encoding="utf-8", newline="\n")
            peer.sendall(f"advance {HOUR_NS}\n".encode())
            assert answers.readline() == f"at {HOUR_NS}\n"
            peer.sendall(b"now\n")
            assert answers.readline() == f"at {HOUR_NS}\n", "it stands still while it is held"
            peer.sendall(b"rate 1000\n")
            assert answers.readline() == "ok\n"
            peer.sendall(b"rate 0\n")
            assert answers.readline() == "ok\n"
            peer.sendall(b"what\n")
            refused = answers.readline()
        serving.terminate()
        serving.communicate(timeout=30)
    words = re.findall(r"[a-z]+", refused.partition("say ")[2].replace(" or ", " "))
    reference = (ROOT / "profiles" / "README.md").read_text(encoding="utf-8")
    assert len(words) == 8
    assert all(re.search(rf"^\| `{word}\b", reference, re.MULTILINE) for word in words)


REAL = """\
bench: a desk
instruments:
  supply: {definition: generic-modbus-supply, address: "serial:/dev/serial/by-id/line", channel: 4}
  relay: {definition: generic-modbus-relay, address: "serial:/dev/serial/by-id/line", channel: 5}
  load: {definition: generic-scpi-load, address: "serial:/dev/serial/by-id/load"}
  meter: {definition: generic-scpi-multimeter, address: "TCPIP0::192.0.2.12::5025::SOCKET"}
wiring: {charge: supply, discharge: load, contactor: relay, voltage: {by: meter}}
"""


def test_the_twin_of_a_real_bench_is_served_with_a_likely_cell(tmp_path, ask):
    """As its addresses have it: two units on one serial line, a terminal, a socket; what is written
    says that it is simulated. Without a cell it is refused, and so is a second one."""
    bench, written = tmp_path / "bench.yaml", tmp_path / "served.yaml"
    bench.write_text(REAL, encoding="utf-8")
    told = ask("bench", "serve", bench)
    assert (told.exit, "has no 'simulation': name a cell with --cell" in told.err) == (2, True)
    told = ask("bench", "serve", BENCH, "--cell", CELL)
    assert (told.exit, "leave --cell out" in told.err) == (2, True)
    told = ask("bench", "serve", bench, "--cell", CELL, "--write", bench)
    assert (told.exit, "is there already, and is not written over" in told.err) == (2, True)
    assert bench.read_text(encoding="utf-8") == REAL
    with nightbench("bench", "serve", bench, "--cell", CELL, "--write", written) as serving:
        assert serving.stdout is not None
        assert any(line.startswith("serving") for line in serving.stdout)
        found = read_bench(written).bench.document
        at = {name: one.address for name, one in found.instruments.items()}
        told = ask("bench", "check", written)
        serving.terminate()
        serving.communicate(timeout=30)
    assert found.simulated
    assert at["supply"] == at["relay"]
    assert [at[name].partition("/")[0] for name in ("supply", "load")] == ["serial:", "serial:"]
    assert at["meter"].startswith("TCPIP0::127.0.0.1::")
    assert (told.exit, "relay feedback open" in told.out) == (0, True), told.out + told.err

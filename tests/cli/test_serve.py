"""``bench serve``: says how its time runs, and can be driven as the reference describes."""

import re
import socket

from tests.cli.places import BENCH, ROOT
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

"""How long a served bench lives: as long as its owner, and until whoever is left has made safe."""

import os
import signal
import subprocess
import sys
import time

import psutil
import pytest

from tests.drivers.served.conftest import PATIENCE_S, ROOT, Peer

OWNER = """
import sys
from drivers.simulated.served import start_served
from tests.drivers.served.conftest import documents_of
bench = start_served(*documents_of("demonstration"), linger_s=0.2)
print(bench.pid, bench.addresses["supply"].split("::")[2], flush=True)
sys.stdin.read()
"""


@pytest.fixture
def owned():
    """A bench whose owner is a process that can be killed: owner, pid and port of the supply."""
    owner = subprocess.Popen(
        [sys.executable, "-c", OWNER],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert owner.stdin is not None
    assert owner.stdout is not None
    pid, port = map(int, owner.stdout.readline().split())
    yield owner, psutil.Process(pid), port
    owner.kill()
    owner.wait()
    owner.stdin.close()
    owner.stdout.close()


def test_it_outlives_its_owner_until_whoever_is_left_has_gone(owned):
    """The owner is killed; its session still switches off and reads back; then the bench ends."""
    owner, bench, port = owned
    child = Peer("127.0.0.1", port)
    child.tell("VOLT 4;:OUTP ON")
    assert child.ask("OUTP?") == "1"
    owner.kill()
    owner.wait()
    began = time.monotonic()
    while time.monotonic() < began + 0.5:
        assert child.ask("OUTP?") == "1"
    child.tell("OUTP OFF")
    assert child.ask("OUTP?") == "0"
    child.close()
    bench.wait(PATIENCE_S)


def test_it_ends_soon_after_its_owner_when_nobody_is_connected(owned):
    """No process is left behind by a test or a run that was killed."""
    owner, bench, _ = owned
    owner.kill()
    owner.wait()
    bench.wait(PATIENCE_S)


def test_a_ctrl_c_at_the_terminal_does_not_reach_it(owned):
    """It runs in a session of its own, so a group's signal passes it by."""
    owner, bench, port = owned
    assert os.getsid(bench.pid) == bench.pid
    assert os.getsid(bench.pid) != os.getsid(owner.pid)
    peer = Peer("127.0.0.1", port)
    os.kill(bench.pid, signal.SIGHUP)
    assert peer.ask("OUTP?") == "0"
    peer.close()


def test_stop_ends_it_and_may_be_called_twice(serve):
    """The port is closed, the process gone, and nothing is left open here."""
    bench = serve()
    assert bench.is_running()
    bench.stop()
    assert not bench.is_running()
    assert not psutil.pid_exists(bench.pid)
    bench.stop()


def test_it_ends_at_once_although_its_owner_had_signals_blocked(serve):
    """A mask is inherited by every process that is started under it."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM, signal.SIGINT})
    try:
        bench = serve()
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
    process = psutil.Process(bench.pid)
    process.terminate()
    # A process that ignores the signal would still be there when stop() reaches for SIGKILL.
    psutil.wait_procs([process], timeout=PATIENCE_S)
    assert bench.exit_code() == 0

"""PortTurns on one port: one speaks at a time, and nobody waits for ever.

The holders in other processes are real ones; waits are bounded by what is asked for, not measured
finely: a loaded computer only makes them longer.
"""

import os
import signal
import socket
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from threading import Barrier, Thread
from time import monotonic
from uuid import uuid4

import pytest

from drivers.transports import turns as port_turns
from drivers.transports.turns import PortTurns

LONG_S = 20.0
HOLDER = (
    "import sys; from drivers.transports.turns import PortTurns\n"
    "with PortTurns(sys.argv[1]).turn(5.0) as alone:\n"
    "    print(alone, flush=True); sys.stdin.readline()\n"
    "    print('left', flush=True)\n"
    "sys.stdin.readline()"
)
COUNTER = (
    "import sys; from drivers.transports.turns import PortTurns\n"
    "turns = PortTurns(sys.argv[1])\n"
    "for _ in range(200):\n"
    "    with turns.turn(20.0):\n"
    "        count = int(open(sys.argv[2]).read() or 0)\n"
    "        open(sys.argv[2], 'w').write(str(count + 1))\n"
)


@pytest.fixture
def port() -> str:
    """A port that no other test speaks on."""
    return f"tcp:192.0.2.7:{uuid4()}"


def process(program: str, *words: object) -> "subprocess.Popen[str]":
    """Another process that takes turns."""
    command = [sys.executable, "-c", program, *map(str, words)]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


def holding(port: str) -> "subprocess.Popen[str]":
    """Another process, in the middle of its turn."""
    holder = process(HOLDER, port)
    assert holder.stdout is not None
    assert holder.stdout.readline() == "True\n"
    return holder


def test_exchanges_of_two_processes_and_of_threads_never_overlap(port, tmp_path):
    """Each turn reads a number and writes it back, one higher: none is lost."""
    count = tmp_path / "count"
    count.write_text("")
    others = [process(COUNTER, port, count) for _ in range(2)]
    turns = PortTurns(port)

    def add(_):
        with turns.turn(LONG_S) as alone:
            count.write_text(str(int(count.read_text(encoding="utf-8") or 0) + 1))
            return alone

    with ThreadPoolExecutor(4) as threads:
        assert all(threads.map(add, range(200)))
    turns.leave()
    for other in others:
        other.communicate(timeout=60.0)
        assert other.returncode == 0
    assert int(count.read_text(encoding="utf-8")) == 600


def test_whoever_has_the_turn_keeps_it_until_another_asks(port):
    """And lets go of what only one may have before it goes over."""
    let_go = []
    first = PortTurns(port, lambda: let_go.append(monotonic()))
    for _ in range(3):
        with first.turn(1.0):
            assert let_go == []
    with PortTurns(port).turn(LONG_S) as alone:
        assert alone
        assert len(let_go) == 1


def test_a_dead_holder_has_no_turn(port):
    """The kernel takes it back."""
    with holding(port) as holder:
        holder.kill()
        holder.wait()
        with PortTurns(port).turn(LONG_S) as alone:
            assert alone


def test_a_stopped_holder_is_waited_for_only_so_long(port):
    """Who must speak does so then, knowing not to be alone; others are told who has it."""
    with holding(port) as holder:
        os.kill(holder.pid, signal.SIGSTOP)
        turns = PortTurns(port)
        told = f"within 0.05 s: process {holder.pid} has it"
        with pytest.raises(TimeoutError, match=told), turns.turn(0.05):
            pytest.fail("it spoke")
        began = monotonic()
        with turns.turn(0.05, insist=True) as alone:
            assert not alone
        assert monotonic() - began < LONG_S / 4
        os.kill(holder.pid, signal.SIGCONT)
        holder.communicate("\n\n", timeout=LONG_S)
        with turns.turn(LONG_S) as alone:
            assert alone


def test_what_was_left_is_free_and_its_thread_is_gone(port):
    """Nothing is left behind for the next one to wait for."""
    turns = PortTurns(port)
    with turns.turn(1.0):
        pass
    turns.leave()
    turns.leave()
    with PortTurns(port).turn(LONG_S) as alone:
        assert alone


def test_what_needs_a_gap_has_it_after_another_process_and_after_another_thread(port):
    """From the end of the turn before, whoever had it, to the first word of the next. Times are
    taken before the one ends and after the next begins: what the computer adds makes it longer."""
    turns = PortTurns(port)
    turns.gap_s = 0.15
    with holding(port) as other:
        assert other.stdin is not None
        assert other.stdout is not None
        ends = monotonic()
        other.stdin.write("\n")
        other.stdin.flush()
        assert other.stdout.readline() == "left\n"
        for _ in range(2):
            with turns.turn(LONG_S) as is_alone:
                assert is_alone
                assert monotonic() - ends >= 0.15
                ends = monotonic()
        turns.leave()


class Watch:
    """A clock that stands still, and what was waited for by it."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.now, self.waited = 1000.0, list[float]()
        monkeypatch.setattr(port_turns, "monotonic", lambda: self.now)
        monkeypatch.setattr(port_turns, "sleep", self._wait)

    def _wait(self, seconds: float) -> None:
        if seconds != port_turns._RETRY_S:  # this one is for the turn, not before a line
            self.waited.append(seconds)


def test_the_gap_is_kept_among_those_who_insist(monkeypatch):
    """Off of three channels at once, with a gap that is longer than off waits for a turn: a line
    within the gap behind another one is not heard. Each line takes a time of its own."""
    turns, watch = PortTurns(f"test:{uuid4()}"), Watch(monkeypatch)
    turns.gap_s = 0.15
    all_in = Barrier(3)

    def off() -> None:
        with turns.turn(0.05, insist=True):
            all_in.wait(LONG_S)
        with turns.turn(0.05, insist=True):
            all_in.wait(LONG_S)

    channels = [Thread(target=off) for _ in range(3)]
    for one in channels:
        one.start()
    for one in channels:
        one.join()
    turns.leave()
    times = sorted(watch.waited)
    assert len(times) == 6
    assert times == pytest.approx([0.15 * number for number in range(1, 7)])


@pytest.mark.parametrize("insists", [False, True])
def test_a_gap_counts_from_the_line_that_was_sent_late(monkeypatch, insists):
    """The process stood still between the time that the line took and the line: the next one came
    right behind it, and was not heard."""
    turns, watch = PortTurns(f"test:{uuid4()}"), Watch(monkeypatch)
    with turns.turn(1.0):
        turns.keep_gap(0.1)
        watch.now += 5.0
        turns.spoke()
        turns.keep_gap(0.1)
        watch.now += 5.0
        with turns.turn(0.0, insist=True) if insists else nullcontext():
            watch.now += 5.0
        turns.keep_gap(0.1)
    turns.leave()
    assert watch.waited == pytest.approx([0.1, 0.1, 0.1 if insists else 0.0])


def test_a_turn_in_which_somebody_still_speaks_is_not_left(port):
    """It stays with whoever speaks; nobody waits long to leave it."""
    turns = PortTurns(port)
    with turns.turn(1.0):
        began = monotonic()
        turns.leave()
        assert 0.09 < monotonic() - began < LONG_S / 4
        with pytest.raises(TimeoutError), PortTurns(port).turn(0.05):
            pytest.fail("it spoke")
    with turns.turn(LONG_S) as alone:  # the other had asked: it may be taken anew
        assert alone
    turns.leave()


def test_what_was_left_meanwhile_is_not_let_go_again(port):
    """Another asked while somebody spoke, and the port was left before it could be handed over."""
    let_go = []
    turns = PortTurns(port, lambda: let_go.append(1))
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asking:
        asking.settimeout(LONG_S)
        with turns.turn(1.0):
            asking.connect(turns._address)
            turns._token = None
        assert asking.recv(1) == b""
    with PortTurns(port).turn(LONG_S) as alone:
        assert alone
    assert let_go == []


@pytest.mark.parametrize("error", [RuntimeError("no more threads"), MemoryError()])
def test_without_a_thread_to_hand_it_over_there_is_no_turn(port, monkeypatch, error):
    """It would never be handed over; who insists speaks, and nothing is left behind."""

    def start(_thread):
        raise error

    turns = PortTurns(port)
    with monkeypatch.context() as patch:
        patch.setattr(Thread, "start", start)
        with pytest.raises(TimeoutError, match=r"within 1 s$"), turns.turn(1.0):
            pytest.fail("it spoke")
        with turns.turn(1.0, insist=True) as alone:
            assert not alone
    with PortTurns(port).turn(0.0) as alone:
        assert alone


def test_elsewhere_the_threads_of_one_process_take_turns(port, monkeypatch):
    """Another process is not known of there."""
    monkeypatch.setattr(port_turns, "_IS_LINUX", False)
    turns = PortTurns(port)
    with turns.turn(1.0) as alone:
        assert alone
        with pytest.raises(TimeoutError), turns.turn(0.01):
            pytest.fail("it spoke")
        with PortTurns(port).turn(0.0) as other:
            assert other
    turns.leave()


def test_who_has_no_time_left_takes_no_turn_of_another(port):
    """And takes one that nobody has."""
    with PortTurns(port).turn(0.0) as alone:
        assert alone
        with PortTurns(port).turn(-1.0, insist=True) as second:
            assert not second

"""The whole of it: watchdog, executive, real drivers and the served demonstration bench.

A night is brought to charging and then ended in every way a person, a system or a crash can end
it. Off is looked up on the bench itself, behind the instruments' backs.
"""

import json
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from sequencer.recording.run import read_run
from sequencer.recording.summary import summarise
from sequencer.watchdog.locks import LIVE, is_held
from sequencer.watchdog.parent import Wanted, supervise
from sequencer.watchdog.requests import wait_until
from tests.watchdog.hanging_disk import WRITES_UNTIL
from tests.watchdog.impatient import LOST_S
from tests.watchdog.nights import BENCH, CELL, IMPATIENT, ROOT, Night, send, start

LONG = ROOT / "tests" / "safety" / "kill-night.yaml"
OFF_WITHIN_S = 3.0
"""From the death or the silence of the executive to off (the project's own promise)."""


@pytest.fixture
def night(tmp_path: Path) -> Iterator[Night]:
    """A night that is charging: current flows."""
    made = Night(tmp_path / "run")
    try:
        made.wait_for("charging")
        made.wait_for_current()
        yield made
    finally:
        made.close()


def proven(night: Night, exit_code: int, ending: str) -> str:
    """The run ended like this, off at level A, and the journal says so; what was said."""
    said = night.said()
    assert night.parent.returncode == exit_code, said
    end = night.last("end")
    assert (end["exit"], end["ending"]) == (exit_code, ending)
    # Level A once the inspection has seen the contact part the cell.
    assert "off, proof level A" in said or "has not seen the contact part" in said
    assert "Traceback" not in said
    assert (night.folder / "summary.json").is_file()
    return said


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_to_the_watchdog_ends_the_run_safe(night, number):
    """Exit 4, the person's wish as the first cause."""
    night.parent.send_signal(number)
    assert night.seconds_to_off() < OFF_WITHIN_S
    assert "person" in proven(night, 4, "aborted")
    words = {signal.SIGINT: "Ctrl-C", signal.SIGTERM: "SIGTERM"}[number]
    assert night.last("request") == {"asked": "abort", "why": words}


def test_a_second_ctrl_c_changes_nothing(night):
    """Both are answered, and the proof is awaited."""
    night.parent.send_signal(signal.SIGINT)
    night.parent.send_signal(signal.SIGINT)
    proven(night, 4, "aborted")


def test_abort_from_another_terminal(night):
    """``nightbench abort RUN`` waits for the end and exits 0; the run exits 4."""
    with start("abort", night.folder) as asking:
        said = asking.communicate(timeout=60)[0]
    assert (asking.returncode, said.splitlines()[-1]) == (
        0,
        "the run is over: aborted; off is proven, level A",
    )
    proven(night, 4, "aborted")


def test_pause_and_continue_from_another_terminal(night):
    """Paused is outputs off; continuing goes on with the same step."""
    with start("pause", night.folder) as asking:
        assert asking.wait(60) == 0
    night.wait_for("paused")
    assert night.seconds_to_off() < OFF_WITHIN_S
    before = len(night.entries())
    with start("continue", night.folder) as asking:
        assert asking.wait(60) == 0
    night.parent.send_signal(signal.SIGINT)
    proven(night, 4, "aborted")
    states = [entry["state"] for kind, entry in night.entries()[before:] if kind == "state"]
    assert states[0] == "changeover"


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_a_dead_or_frozen_executive_is_replaced_within_three_seconds(night, number):
    """Exit 6: the watchdog makes safe over fresh links, proves it and completes the journal."""
    send(night.executive, number)
    assert night.seconds_to_off() < OFF_WITHIN_S
    assert not night.has_ended
    said = proven(night, 6, "faulted")
    assert "the watchdog made safe" in said
    assert night.last("rescue")["proof"]["level"] == "A"


def test_when_the_watchdog_is_killed_the_executive_makes_safe(night):
    """A fault with that cause in journal and lists, off proven; nobody asked for anything."""
    night.parent.kill()
    assert night.seconds_to_off() < OFF_WITHIN_S
    assert wait_until(lambda: any(kind == "end" for kind, _ in night.entries()), 60.0)
    end = night.last("end")
    assert (end["exit"], end["ending"]) == (6, "faulted")
    assert end["reason"] == "the watchdog process is gone"
    assert night.last("trip")["interlock"] == "watchdog"
    assert not any(kind == "request" for kind, _ in night.entries())
    assert wait_until(lambda: not is_held(night.folder / LIVE), 60.0)
    with start("runs", night.folder.parent) as asking:
        said = asking.communicate(timeout=60)[0]
    assert "FAULT of an instrument or the computer" in said
    assert "the watchdog process is gone" in said
    assert "person" not in said
    assert night.parent.stdout is not None
    screen = night.parent.stdout.read()  # the watchdog is not there to say it
    assert "first cause: watchdog: the watchdog process is gone" in screen
    assert "off, proof level A" in screen


def test_without_a_watchdog_the_executive_says_that_off_is_not_proven(tmp_path):
    """A supply that stays on, and nothing that parts it from the cell: what to do at the bench is
    said at the first attempt; on a slow bench the terminal showed for minutes that the watchdog is
    gone, and no more."""
    fault = tmp_path / "fault.yaml"
    fault.write_text(
        "fault: the supply ignores off\nkind: ignored off\ninstrument: charge\n"
        "counted from: charging\nat: 1 s\n",
        encoding="utf-8",
    )
    words = ("--yes", "--attended", "--no-screen", "--fault", fault)
    modest = BENCH.with_name("modest.yaml")
    night = Night(tmp_path / "run", bench=modest, profile=LONG, words=words)
    executive, screen = 0, ""
    try:
        night.wait_for("charging")
        night.wait_for_current()
        executive = night.executive
        night.parent.kill()
        assert night.parent.stdout is not None
        for line in night.parent.stdout:
            screen += line
            if "leave the room" in line:
                break
        assert "ALARM: the watchdog process is gone" in screen
        assert "NOT PROVEN OFF: current may still flow through the cell" in screen
        assert "do now: switch supply and load off at the front panel" in screen
    finally:
        send(executive, signal.SIGKILL)
        night.close()


@pytest.mark.parametrize("words", [(), ("--attended",)])
def test_a_watchdog_that_is_stopped_is_an_alarm_and_where_nobody_stays_the_end(tmp_path, words):
    """After a while (5 s; here 2 s) the journal and the alarm say so; after longer (20 s; here 6 s)
    a run that nobody attends ends safe, exit 6 with that cause, and its watchdog, once it goes on,
    says the same. Attended it goes on, and a watchdog that answers again is told too."""
    alarm = f'echo "$NIGHTBENCH_WORDS" >> {tmp_path}/alarm'
    given = ("--yes", "--no-screen", "--call", alarm, *words)
    night = Night(tmp_path / "run", profile=LONG, words=given, module=IMPATIENT)
    try:
        night.wait_for("charging")
        night.wait_for_current()
        send(night.parent.pid, signal.SIGSTOP)
        assert wait_until(lambda: (tmp_path / "alarm").exists(), 15.0)
        said = (tmp_path / "alarm").read_text(encoding="utf-8")
        assert "the watchdog process has not answered for 2 s" in said
        states = [entry["state"] for kind, entry in night.entries() if kind == "watchdog"]
        assert states[0] == "silent"
        if words:
            assert wait_until(lambda: night.last("watchdog")["state"] == "lost", 30.0)
            send(night.parent.pid, signal.SIGCONT)
            assert wait_until(lambda: night.last("watchdog")["state"] == "", 30.0)
            assert not any(kind in ("trip", "end") for kind, _ in night.entries())
            night.parent.send_signal(signal.SIGINT)
            proven(night, 4, "aborted")
        else:
            assert night.seconds_to_off() < LOST_S + OFF_WITHIN_S
            assert wait_until(lambda: any(kind == "end" for kind, _ in night.entries()), 30.0)
            send(night.parent.pid, signal.SIGCONT)
            assert "has not answered for 6 s" in proven(night, 6, "faulted")
            assert night.last("trip")["interlock"] == "watchdog"
    finally:
        send(night.parent.pid, signal.SIGCONT) if night.parent.poll() is None else None
        night.close()


@pytest.mark.parametrize("writes", [40, 43])
def test_a_write_that_hangs_ends_safe(tmp_path, monkeypatch, writes):
    """A row or a journal line that never reaches the disk, in the middle of driving: the executive
    is replaced, exit 6, off is proven, every row that was taken is whole."""
    monkeypatch.setenv(WRITES_UNTIL, str(writes))
    folder = tmp_path / "run"
    named = {"profile": LONG, "cell": CELL, "bench": BENCH, "folder": folder}
    options = {name: str(path) for name, path in named.items()} | {
        "specimen": None,
        "faults": [],
        "settings": [],
    }
    wanted = Wanted("tests.watchdog.hanging_disk", ("--options", json.dumps(options)), yes=True)
    began = time.monotonic()
    ended = supervise(wanted, lambda _line: None)
    assert time.monotonic() - began < 30.0
    assert ended.exit == 6
    assert "has not been heard from in time while" in ended.lines[0]
    found = read_run(folder)
    assert found.end is not None
    assert (found.end["exit"], found.end["by"]) == (6, "watchdog")
    assert [row.number for row in found.rows] == list(range(1, len(found.rows) + 1))
    assert summarise(found)["off"]["proven"]


def test_making_safe_by_hand_beside_a_living_run(night):
    """Off goes first; the executive finds its outputs off, and ends as a fault, safe.

    The proof by hand is tested where the bench outlives the run (tests/cli/test_real_addresses.py):
    here the executive takes its pretended bench away as soon as it has proven off itself.
    """
    with start("make-safe", night.folder) as asking:
        assert asking.stdout is not None
        assert any("this run is living" in line for line in asking.stdout)
        proven(night, 6, "faulted")
        asking.kill()  # nobody is left to answer it: it would try for a quarter of a minute


def test_a_run_folder_that_exists_is_refused(tmp_path):
    """Exit 2, the folder left as it is, nothing started."""
    there = tmp_path / "run"
    there.mkdir()
    night = Night(there)
    said = night.said()
    assert night.parent.returncode == 2
    assert "exists already" in said
    assert list(there.iterdir()) == []


def fault(folder: Path, **said: str) -> Path:
    """A fault document."""
    path = folder / "fault.yaml"
    lines = [f"{key.replace('_', ' ')}: {value}\n" for key, value in said.items()]
    path.write_text("".join(lines), encoding="utf-8")
    return path


def run_out(night: Night) -> tuple[int, str]:
    """Exit code and words of a run that ends by itself."""
    try:
        said = night.said()
        return night.parent.returncode, said
    finally:
        night.close()


WORDS = ("--yes", "--no-screen", "--attempts", "1", "--fault")


@pytest.mark.parametrize(
    ("kind", "said"),
    [
        ({"kind": "killed"}, "connection was refused or lost"),
        ({"kind": "identity", "text": "something else"}, "something else"),
    ],
)
def test_an_instrument_that_is_not_there_or_another_one_is_refused(tmp_path, kind, said):
    """Exit 3 before anything is energised, with the instrument's name."""
    document = fault(tmp_path, fault="from the start", instrument="voltage", **kind)
    code, told = run_out(Night(tmp_path / "run", words=(*WORDS, document)))
    assert code == 3, told
    assert "refused before anything was energised" in told
    assert "meter" in told
    assert said in told


def test_a_bench_that_is_silent_from_the_start_is_exit_7_and_an_alarm(tmp_path):
    """Nothing was energised, but nobody says that it is off: a person must look; and it ends."""
    bench = tmp_path / "bench.yaml"
    text = BENCH.read_text(encoding="utf-8").split("simulation:")[0]
    for port, device in enumerate(("supply", "load", "meter", "logger", "contactor"), 1):
        head, tail = text.split(f"  {device}:", 1)
        address = f'"TCPIP0::127.0.0.1::{port}::SOCKET"'
        if device in ("logger", "contactor"):
            address = f'"serial:{tmp_path}/none-{device}"'
        text = f"{head}  {device}:{tail.replace('served', address, 1)}"
    bench.write_text(text, encoding="utf-8")
    alarm = f'echo "$NIGHTBENCH_WORDS" > {tmp_path}/alarm'
    words = ("--yes", "--no-screen", "--attended", "--call", alarm)
    code, told = run_out(Night(tmp_path / "run", bench=bench, words=words))
    assert code == 7, told
    assert "refused before anything was energised" in told
    assert "\a*** NOT PROVEN OFF: nobody answers for the outputs ***" in told
    assert "do now: see that supply and load are off" in told
    assert wait_until(lambda: (tmp_path / "alarm").exists(), 10.0)


def test_a_driving_instrument_that_dies_ends_safe_through_the_contactor(tmp_path):
    """Exit 6: its outputs cannot be asked, but the lead is open and says so."""
    document = fault(
        tmp_path, fault="mains", kind="killed", instrument="charge", counted_from="charging"
    )
    code, told = run_out(Night(tmp_path / "run", words=(*WORDS, document)))
    assert code == 6, told
    assert "first cause: instrument fault: supply" in told
    assert "off, proof level A" in told
    assert "was proven off before" not in told, "the contactor was, the supply was not"


def test_without_a_contactor_a_dead_driving_instrument_is_exit_7(tmp_path):
    """Nothing can be proved: said loudly, with what to do, after the watchdog's own attempt."""
    document = fault(
        tmp_path, fault="mains", kind="killed", instrument="charge", counted_from="charging"
    )
    bench = tmp_path / "bench.yaml"
    text = BENCH.read_text(encoding="utf-8").replace("../cells", str(BENCH.parents[1] / "cells"))
    kept = [line for line in text.splitlines() if not line.startswith("  contactor")]
    bench.write_text("\n".join(kept), encoding="utf-8")
    night = Night(tmp_path / "run", bench=bench, words=("--attended", *WORDS, document))
    code, told = run_out(night)
    assert code == 7, told
    assert "NOT PROVEN OFF (attempt 1)" in told
    assert "do now: switch supply" in told
    assert night.last("end")["exit"] == 7


def test_with_both_processes_dead_the_contactor_opens_by_its_watchdog(night):
    """Nobody is left to make anything safe: the contact opens 5 s after the last word to it (of
    bench time, which runs in real time from then on), the supply still on."""
    executive = night.executive
    send(night.parent.pid, signal.SIGSTOP)  # it may not make safe in the executive's stead
    send(executive, signal.SIGKILL)
    send(night.parent.pid, signal.SIGKILL)
    before = night.observe()
    assert before["contactor_closed"]
    assert wait_until(lambda: not night.observe()["contactor_closed"], 12.0)
    after = night.observe()
    assert after["supply_on"]
    assert abs(after["current_a"]) < 1e-3
    assert (after["at_ns"] - before["at_ns"]) / 1e9 < 5.0 + 3.0

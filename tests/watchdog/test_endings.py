"""The whole of it: watchdog, executive, real drivers and the served demonstration bench.

A night is brought to charging and then ended in every way a person, a system or a crash can end
it. Off is looked up on the bench itself, behind the instruments' backs.
"""

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from sequencer.watchdog.requests import wait_until
from tests.watchdog.nights import Night, send, start

OFF_WITHIN_S = 3.0
"""From the death or the silence of the executive to off (the project's own promise)."""


@pytest.fixture
def night(tmp_path: Path) -> Iterator[Night]:
    """A night that is charging."""
    made = Night(tmp_path / "run")
    try:
        made.wait_for("charging")
        yield made
    finally:
        made.close()


def proven(night: Night, exit_code: int, ending: str) -> str:
    """The run ended like this, off at level A, and the journal says so; what was said."""
    said = night.said()
    assert night.parent.returncode == exit_code, said
    end = night.last("end")
    assert (end["exit"], end["ending"]) == (exit_code, ending)
    assert "off, proof level A" in said
    assert "Traceback" not in said
    assert (night.folder / "summary.json").is_file()
    return said


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_to_the_watchdog_ends_the_run_safe(night, number):
    """Exit 4, the person's wish as the first cause."""
    night.parent.send_signal(number)
    assert night.seconds_to_off() < OFF_WITHIN_S
    assert "person" in proven(night, 4, "aborted")


def test_a_second_ctrl_c_changes_nothing(night):
    """Both are answered, and the proof is awaited."""
    night.parent.send_signal(signal.SIGINT)
    night.parent.send_signal(signal.SIGINT)
    proven(night, 4, "aborted")


def test_abort_from_another_terminal(night):
    """``nightbench abort RUN`` waits for the end and exits 0; the run exits 4."""
    with start("abort", night.folder) as asking:
        said = asking.communicate(timeout=60)[0]
    assert (asking.returncode, said.splitlines()[-1]) == (0, "the run is over")
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
    night.observe()
    send(night.executive, number)
    assert night.seconds_to_off() < OFF_WITHIN_S
    said = proven(night, 6, "faulted")
    assert "the watchdog made safe" in said
    assert night.last("rescue")["proof"]["level"] == "A"


def test_when_the_watchdog_is_killed_the_executive_makes_safe(night):
    """Its journal ends aborted, with the reason, and off."""
    night.observe()
    night.parent.kill()
    assert night.seconds_to_off() < OFF_WITHIN_S
    assert wait_until(lambda: any(kind == "end" for kind, _ in night.entries()), 60.0)
    assert night.last("end")["ending"] == "aborted"


def test_making_safe_by_hand_beside_a_living_run(night):
    """Off goes first; the executive finds its outputs off, and ends as a fault, safe."""
    with start("make-safe", night.folder) as asking:
        said = asking.communicate(timeout=60)[0]
    assert asking.returncode == 0, said
    assert "off, proof level A" in said
    proven(night, 6, "faulted")


def test_a_run_folder_that_exists_is_refused(tmp_path):
    """Exit 2, the folder left as it is, nothing started."""
    there = tmp_path / "run"
    there.mkdir()
    night = Night(there)
    said = night.said()
    assert night.parent.returncode == 2
    assert "exists already" in said
    assert list(there.iterdir()) == []

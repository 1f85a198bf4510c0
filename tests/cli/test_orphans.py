"""``make-safe --orphans`` and ``runs`` say of what lives whether it should be off and is not."""

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from sequencer.commands import make_safe
from sequencer.documents.safing import Safed, SafingLink, SafingPlan, dump
from sequencer.recording.folder import RunFolder
from sequencer.watchdog import locks, requests
from tests.screens.invented_night import PROVEN, REFUTED, TRIP, begin, charge

SUPPLY = Safed("supply", ("charge",), SafingLink("tcp", "127.0.0.1", 9), offs=("OUTP OFF",))
Live = Callable[[int], RunFolder]


@pytest.fixture
def live(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Live]:
    """Makes a run in ``runs/night`` that charges and lives, led by that process."""
    monkeypatch.setattr(make_safe, "_SAFING_S", 0.0)
    held: list[int] = []

    def make(pid: int) -> RunFolder:
        folder = tmp_path / "runs" / "night"
        run = begin(folder)
        charge(run)
        (folder / "safing.json").write_text(dump(SafingPlan("desk", (SUPPLY,))), encoding="utf-8")
        held.append(locks.hold(folder / locks.LIVE, {"pid": pid}))
        return run

    yield make
    for handle in held:
        os.close(handle)


def gone() -> int:
    """The number of a process that is over."""
    with subprocess.Popen([sys.executable, "-c", "pass"]) as process:
        process.wait()
    return process.pid


def test_a_healthy_living_run_is_named_and_left_alone(ask, live, tmp_path):
    """It is no orphan: exit 0, with how to end it."""
    live(os.getpid())
    told = ask("make-safe", "--orphans", tmp_path / "runs")
    place = tmp_path / "runs" / "night"
    assert told.exit == 0
    assert told.out.splitlines() == [
        (
            f"{place}: this run is living (RUNNING) and left alone; "
            f"to end it safely: nightbench abort {place}"
        ),
        "0 orphans, 0 made safe and proven, 0 NOT proven",
    ]
    assert ask("runs", tmp_path / "runs", "--json").data["living_not_proven_off"] == []


def test_a_living_run_that_should_be_off_is_said_loudly_and_is_exit_7(ask, live, tmp_path):
    """Why, what was seen, what to do, and how to try from here; ``runs`` points to it."""
    run = live(os.getpid())
    run.note("trip", TRIP)
    run.note("proof", REFUTED)
    told = ask("make-safe", "--orphans", tmp_path / "runs")
    place = tmp_path / "runs" / "night"
    assert told.exit == 7
    assert told.out.splitlines() == [
        (
            f"{place}: this run is living, should be off (surface 40.3 degC is not between "
            "12 degC and 40 degC) and is not proven off"
        ),
        "\a*** NOT PROVEN OFF: current may still flow through the cell ***",
        "    seen: load reads 2.9 A",
        "    do now: switch supply off at the front panel or the mains switch,",
        "    then take a lead off the cell if that is safe to reach. If the cell is hot, swollen",
        "    or smells, leave it, leave the room and call for help.",
        f"    its watchdog goes on trying; to try from here too: nightbench make-safe {place}",
        "0 orphans, 0 made safe and proven, 0 NOT proven",
        "1 living run NOT proven off",
    ]
    data = ask("make-safe", "--orphans", tmp_path / "runs", "--json").data
    assert [(one["folder"], one["needs_help"]) for one in data["living"]] == [(str(place), True)]
    listed = ask("runs", tmp_path / "runs").out
    assert f"{place} is living and NOT proven off: nightbench watch {place}" in listed


def test_a_run_whose_executive_is_gone_should_be_off_without_a_trip(ask, live, tmp_path):
    """The journal stands still in a charge; the watchdog still tries, and a plan that cannot be
    read hides nothing."""
    live(gone())
    (tmp_path / "runs" / "night" / "safing.json").write_text("{", encoding="utf-8")
    told = ask("make-safe", "--orphans", tmp_path / "runs")
    assert told.exit == 7
    assert "should be off (the program that ran the test is gone) and is not proven off" in told.out
    assert "switch every instrument off at the front panel" in told.out


def test_a_run_that_is_making_safe_gets_the_time_for_it(ask, live, tmp_path, monkeypatch):
    """Off is proven while it is looked at again: no alarm."""
    run = live(os.getpid())
    run.note("trip", TRIP)

    def wait_until(is_so: Callable[[], bool], patience_s: float) -> bool:
        assert not is_so()
        run.note("proof", PROVEN)
        return is_so()

    monkeypatch.setattr(requests, "wait_until", wait_until)
    told = ask("make-safe", "--orphans", tmp_path / "runs", "--json")
    assert told.exit == 0
    assert [one["needs_help"] for one in json.loads(told.out)["living"]] == [False]
    assert "this run is living (MAKING SAFE, off proven (level A)) and left alone" in told.err

"""A run on a pseudo-terminal: the prompt, the live screen, Ctrl-C twice, a terminal that goes."""

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pexpect
import pytest

from sequencer.recording.journal import decode
from sequencer.watchdog import locks, requests
from tests.cli.places import BENCH, CELL, ROOT

PROFILE = ROOT / "profiles" / "overnight-rates.yaml"


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[pexpect.spawn]:
    """``nightbench run`` on a terminal, waiting for the cautions to be acknowledged."""
    words = ["run", str(PROFILE), "--cell", str(CELL), "--bench", str(BENCH)]
    spawned = pexpect.spawn(
        sys.executable,
        ["-m", "sequencer.cli", *words, "--folder", str(tmp_path / "run")],
        cwd=str(ROOT),
        dimensions=(40, 110),
        encoding="utf-8",
        timeout=60,
    )
    try:
        spawned.expect("Press Enter to start")
        yield spawned
    finally:
        if not spawned.closed:
            spawned.close(force=True)
        elif locks.is_held(tmp_path / "run" / locks.LIVE):
            requests.ask(tmp_path / "run", "abort")


def hang_up(terminal: pexpect.spawn) -> None:
    """Close the terminal's other side and do nothing else: the kernel sends SIGHUP."""
    terminal.ptyproc.fileobj.close()
    terminal.ptyproc.closed = terminal.closed = True


def test_ctrl_c_twice_ends_safe_and_the_screen_says_so(terminal):
    """The live screen is there; two Ctrl-C end in exit 4 with the proof as the last words."""
    terminal.sendline("")
    terminal.expect("CHARGING")
    terminal.sendcontrol("c")
    terminal.sendcontrol("c")
    terminal.expect("off is proven .level A")
    terminal.expect("record:")
    terminal.expect(pexpect.EOF)
    terminal.close()
    assert terminal.exitstatus == 4


def test_only_enter_acknowledges_the_cautions(terminal, tmp_path):
    """Who answers *n* did not mean to start: exit 2, why, and nothing was switched on."""
    terminal.sendline("n")
    terminal.expect("the cautions were answered with 'n', not with Enter")
    terminal.expect(pexpect.EOF)
    terminal.close()
    assert terminal.exitstatus == 2
    assert not (tmp_path / "run").exists()


def test_ctrl_c_at_the_prompt_leaves_without_a_trace(terminal, tmp_path):
    """Exit 4, nothing was switched on, no folder was made."""
    terminal.sendcontrol("c")
    terminal.expect("left before anything was switched on")
    terminal.expect(pexpect.EOF)
    terminal.close()
    assert terminal.exitstatus == 4
    assert not (tmp_path / "run").exists()


def test_a_terminal_that_goes_away_does_not_end_the_run(terminal, tmp_path):
    """The run goes on without its terminal, and is ended from another one."""
    folder = tmp_path / "run"
    terminal.sendline("")
    terminal.expect("CHARGING")
    hang_up(terminal)
    before = (folder / "samples.csv").stat().st_size
    assert requests.wait_until(lambda: (folder / "samples.csv").stat().st_size > before, 30.0)
    assert locks.is_held(folder / locks.LIVE)
    requests.ask(folder, "abort")
    assert requests.wait_until(lambda: not locks.is_held(folder / locks.LIVE), 60.0)
    last = [decode(line) for line in (folder / "journal.jsonl").read_bytes().splitlines()]
    ends = [entry.entry["ending"] for entry in last if entry.kind == "end"]
    assert ends == ["aborted"]
    assert os.waitstatus_to_exitcode(os.waitpid(terminal.pid, 0)[1]) == 4

"""A night on the served demonstration bench, in its own processes, and what is really so there."""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sequencer.recording.journal import decode
from sequencer.watchdog.requests import wait_until

ROOT = Path(__file__).resolve().parents[2]
PROFILE = ROOT / "profiles" / "overnight-rates.yaml"
CELL = ROOT / "profiles" / "cells" / "lamp-pouch.yaml"
BENCH = ROOT / "sim_configs" / "benches" / "demonstration.yaml"
PATIENCE_S = 60.0
LOOK_S = 0.1
"""Longer than a look at the bench takes where this computer has time for it."""


IMPATIENT = "tests.watchdog.impatient"
"""``nightbench`` whose executive waits less long for a silent watchdog."""


def start(*words: object, module: str = "sequencer.cli", **more: Any) -> "subprocess.Popen[str]":
    """``nightbench`` with these words, its output kept."""
    return subprocess.Popen(
        [sys.executable, "-m", module, *map(str, words)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        **more,
    )


class Night:
    """``nightbench run`` in a folder, and ways to look at it from outside."""

    def __init__(
        self,
        folder: Path,
        bench: Path = BENCH,
        profile: Path = PROFILE,
        words: Sequence[object] = ("--yes", "--no-screen"),
        module: str = "sequencer.cli",
    ) -> None:
        self.folder = folder
        named = ("--cell", CELL, "--bench", bench, "--folder", folder)
        self.parent = start("run", profile, *named, "--no-report", *words, module=module)
        self._observer: socket.socket | None = None
        self.has_ended = False

    def wait_for(self, state: str) -> None:
        """Until the journal says that the run is in that state."""
        wanted = f'"state":"{state}"'.encode()
        assert wait_until(lambda: wanted in self._raw(), PATIENCE_S), self.said()

    def wait_for_current(self) -> None:
        """Until current flows: by then everybody has been told what there is to know."""
        assert wait_until(lambda: abs(self.observe()["current_a"]) > 0.1, PATIENCE_S)

    def _raw(self) -> bytes:
        path = self.folder / "journal.jsonl"
        return path.read_bytes() if path.exists() else b""

    def entries(self) -> list[tuple[str, Any]]:
        """Kind and entry of every whole line of the journal."""
        whole = self._raw().rpartition(b"\n")[0]  # the last line may be under way
        return [(one.kind, one.entry) for one in map(decode, whole.splitlines())]

    def last(self, kind: str) -> Any:
        """The last entry of a kind."""
        return next(entry for name, entry in reversed(self.entries()) if name == kind)

    @property
    def executive(self) -> int:
        """Process id of the executive."""
        live = json.loads((self.folder / "live.json").read_text(encoding="utf-8"))
        return int(live["pid"])

    def observe(self) -> dict[str, Any]:
        """What is really so on the bench, told by the bench itself and not by an instrument."""
        if self._observer is None:
            manifest = json.loads((self.folder / "manifest.json").read_text(encoding="utf-8"))
            self._observer = socket.create_connection(tuple(manifest["control"]), timeout=10.0)
            assert self._ask(b"observe\n") == b"ok\n"
        return dict(json.loads(self._ask(b"truth\n").removeprefix(b"truth ")))

    def _ask(self, line: bytes) -> bytes:
        assert self._observer is not None
        self._observer.sendall(line)
        reply = b""
        while not reply.endswith(b"\n"):
            more = self._observer.recv(65536)
            if not more:
                raise ConnectionResetError("the served bench has ended")
            reply += more
        return reply

    def is_off(self) -> bool:
        """No output on, contact open, no current; or the bench has ended, which an executive lets
        it do only after it has proven off (``has_ended`` tells the two apart)."""
        try:
            truth = self.observe()
        except OSError:
            self.has_ended = True
            return True
        on = truth["supply_on"] or truth["load_on"] or truth["contactor_closed"]
        return not on and abs(truth["current_a"]) < 1e-3

    def seconds_to_off(self) -> float:
        """Real seconds from now until the bench is really off, less those in which this computer
        stood still for whoever looks, too: what a look takes beyond ``LOOK_S``."""
        began = looked = time.monotonic()
        stood_s, is_off = 0.0, False
        while not is_off:
            assert looked - began < PATIENCE_S
            time.sleep(0.02)
            is_off, before = self.is_off(), looked
            looked = time.monotonic()
            stood_s += max(0.0, looked - before - LOOK_S)
        return looked - began - stood_s

    def said(self) -> str:
        """Everything the watchdog said, once it has ended."""
        return self.parent.communicate(timeout=PATIENCE_S)[0]

    def close(self) -> None:
        """Leave nothing running."""
        if self._observer is not None:
            self._observer.close()
        if self.parent.poll() is None:
            self.parent.terminate()
        self.parent.communicate(timeout=PATIENCE_S)


def send(process_id: int, number: signal.Signals) -> None:
    """A signal to a process of ours, by its id."""
    os.kill(process_id, number)

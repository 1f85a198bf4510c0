"""Commands that drive no instrument end as usual on a system that is not POSIX; `run` says why not.

One process carries out all of them (6 s: it imports every library once, rehearses and reports).
"""

import json
import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

import polars as pl
import pytest

from sequencer.cli import main
from tests.systems.elsewhere import CODE_PAGE
from tests.systems.posix_names import posix_modules, posix_names

ROOT = Path(__file__).parents[2]
CELL = str(ROOT / "profiles/cells/lamp-pouch.yaml")
BENCH = str(ROOT / "sim_configs/benches/demonstration.yaml")
PROFILE = str(ROOT / "profiles/first-look.yaml")
DOCUMENTS = [PROFILE, "--cell", CELL, "--bench", BENCH]
NOBODY = ("LOGNAME", "USER", "LNAME", "USERNAME")


class Ended(NamedTuple):
    """How a command ended, and what it said."""

    exit: int
    out: bytes
    errors: str

    @property
    def words(self) -> str:
        """What it said, as the console shows it."""
        return self.out.decode(CODE_PAGE)


def on_com_ports(folder: Path) -> Path:
    """The desk's bench with its serial instruments at ports of Windows."""
    text = (ROOT / "profiles/benches/my-desk.yaml").read_text(encoding="utf-8")
    lines, port = [], 2
    for line in text.splitlines():
        if line.strip().startswith("address:"):
            port += 1
            line = f"{line.partition('address:')[0]}address: serial:COM{port}"
        lines.append(line)
    bench = folder / "com-ports.yaml"
    bench.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return bench


@pytest.fixture(scope="module")
def place(tmp_path_factory) -> Path:
    """Where the commands write."""
    return tmp_path_factory.mktemp("my nights")


@pytest.fixture(scope="module")
def ended(place: Path) -> Mapping[str, Ended]:
    """Every command, carried out there, in this order."""
    commands = commands_in(place)
    words = json.dumps([*commands.values()])
    environment = {name: value for name, value in os.environ.items() if name not in NOBODY}
    done = subprocess.run(
        [sys.executable, "-m", "tests.systems.elsewhere", str(place), words],
        cwd=ROOT,
        env={**environment, "PYTHONUTF8": "0", "LC_ALL": "C", "PYTHONWARNDEFAULTENCODING": "1"},
        capture_output=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr.decode()[-2000:]
    codes = zip(commands, json.loads(done.stdout), strict=True)
    return {
        name: Ended(
            code,
            (place / f"{number}.out").read_bytes(),
            (place / f"{number}.err").read_text(encoding=CODE_PAGE),
        )
        for number, (name, code) in enumerate(codes)
    }


def commands_in(place: Path) -> Mapping[str, list[str]]:
    """Their words; what they write lies in ``place``."""
    night, com_ports = str(place / "night"), str(on_com_ports(place))
    return {
        "check": ["check", *DOCUMENTS],
        "check on ports of Windows": [
            "check", PROFILE, "--cell", CELL, "--bench", com_ports, "--json",
        ],
        "rehearse": ["rehearse", *DOCUMENTS, "--folder", night],
        "replay": ["replay", night],
        "report": ["report", night],
        "report as JSON": ["report", night, "--json"],
        "export": ["export", night, "--to", str(place / "bundle")],
        "watch": ["watch", night, "--once"],
        "runs": ["runs", str(place)],
        "init": ["init", str(place / "mine")],
        "definition": ["bench", "definition", "generic-scpi-supply"],
        "ports": ["bench", "ports"],
        "run": ["run", *DOCUMENTS, "--folder", str(place / "run"), "--yes"],
        "bench check": ["bench", "check", BENCH],
        "make-safe": ["make-safe", night],
    }  # fmt: skip


def test_what_only_posix_has_is_known():
    """Spot checks against "Availability: Unix" in Python's library reference (from memory)."""
    assert {"fcntl", "termios", "pty", "tty", "resource", "pwd", "grp"} <= posix_modules()
    assert not {"os", "signal", "socket", "select", "subprocess", "json"} & posix_modules()
    assert {"fork", "killpg", "getuid", "uname", "statvfs", "O_CLOEXEC"} <= posix_names("os")
    assert not {"kill", "open", "fsync", "getpid", "O_EXCL"} & posix_names("os")
    assert {"SIGKILL", "SIGHUP", "SIGUSR1", "pthread_sigmask"} <= posix_names("signal")
    assert not {"SIGINT", "SIGTERM", "signal"} & posix_names("signal")


@pytest.mark.parametrize(
    ("command", "said"),
    [
        ("check", "this run may be left alone, as far as bench and plan go"),
        ("rehearse", "done"),
        ("replay", "the same decisions, line for line"),
        ("report", "page: "),
        ("export", "written: "),
        ("watch", "samples recorded"),
        ("runs", "DONE, off proven (level A)"),
        ("init", ""),
        ("definition", "missing: "),
        ("ports", "nothing was opened"),
    ],
)
def test_a_command_without_instruments_ends_as_usual(ended, command, said):
    """Exit 0, its last words said, and nothing on the side."""
    assert (ended[command].exit, ended[command].errors) == (0, "")
    assert said in ended[command].words


@pytest.mark.parametrize("command", ["check", "rehearse"])
def test_it_says_there_what_it_says_here(ended, command, place, capsys):
    """Word for word; signs that the console lacks are spelled."""
    kept = ["--folder", str(place / "here")] if command == "rehearse" else []
    assert main([command, *DOCUMENTS, *kept]) == 0
    here, there = capsys.readouterr().out, ended[command].words
    told = [line for line in here.splitlines() if not line.startswith(("record:", "started now"))]
    assert [
        one for one in there.splitlines() if not one.startswith(("record:", "started now"))
    ] == [line.replace("Ω", "Ohm").replace("−", "-") for line in told]


def test_the_record_made_there_is_the_one_made_here(ended, place, capsys):
    """Letter for letter, but for the hour: no number, sign or end of line depends on the system."""
    assert main(["rehearse", *DOCUMENTS, "--folder", str(place / "beside")]) == 0
    here, there = (
        pl.read_csv(place / one / "samples.csv", infer_schema_length=0).drop("Unix Time / s")
        for one in ("beside", "night")
    )
    assert here.equals(there)
    assert b"\r" not in (place / "night/samples.csv").read_bytes()


def test_a_console_without_signs_shows_them_spelled(ended):
    """Milliohm is no question mark; JSON is text that every program reads (RFC 8259)."""
    assert "mOhm" in ended["report"].words
    assert "?" not in ended["report"].words
    assert "±" in json.dumps(
        json.loads(ended["report as JSON"].out.decode("ascii")), ensure_ascii=False
    )


def test_a_bench_at_ports_of_windows_is_checked(ended):
    """``serial:COM3`` is an address; whatever `check` finds else, it is not that."""
    told = json.loads(ended["check on ports of Windows"].out)
    assert not [one for one in told.get("faults", []) if "COM" in str(one)]
    assert ended["check on ports of Windows"].exit == 0


@pytest.mark.parametrize("command", ["run", "bench check", "make-safe"])
def test_what_drives_instruments_names_every_layer_that_is_missing(ended, command, place):
    """Refused before anything is opened, with what to use instead."""
    assert ended[command].exit == 3
    for layer in (
        "watchdog process",
        "lock of instruments",
        "lock of the run folder",
        "raw serial lines",
        "directory sync",
        "reserved room on the disk",
        "clock that goes on while the computer sleeps",
    ):
        assert f"this system has no {layer}: " in ended[command].errors
    assert "nothing was opened or energised" in ended[command].errors
    assert "use a computer with Linux" in ended[command].errors
    assert not (place / "run").exists()

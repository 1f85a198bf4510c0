"""What the commands answer on good input: words for a person, data for a program."""

import os
import re
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from tests.cli.places import BENCH, CELL, ROOT, SHORT


def test_check_says_the_plan_with_numbers_bounds_and_limits(ask, short):
    """A sentence a step, what stops it, its bound and its nearest limit; nothing is opened."""
    told = ask("check", short, "--cell", CELL, "--bench", BENCH)
    assert told.exit == 0
    lines = told.out.splitlines()
    assert lines[0] == (
        "Short: 3 steps for Lamp pouch 3 Ah; this bench can do it, 1 thing barely; "
        "may be left alone"
    )
    assert lines[1].startswith("can barely: ")
    assert lines[2:4] == [
        "1. Rest for 10 s",
        (
            "   stops when 10 s have passed; at most 25 s (derived); "
            "nearest limit: surface between -20 degC and 60 degC"
        ),
    ]
    assert "Charge at 1.50 A (0.5 C) to 4.200 V" in told.out
    assert "nearest limit: 4.250 V, 50 mV above" in told.out
    assert "proof of off within reach: level A" in told.out
    assert "if the computer dies now, charge:" in told.out


def test_check_without_a_bench_says_what_it_did_not_check(ask, short):
    """Profile and cell alone are a valid question."""
    told = ask("check", short, "--cell", CELL)
    assert told.exit == 0
    assert "no bench named" in told.out


def test_check_as_data(ask, short):
    """The same for a program."""
    data = ask("check", short, "--cell", CELL, "--bench", BENCH, "--json").data
    assert (data["exit"], data["step_count"], data["limits"]["ceiling_v"]) == (0, 3, 4.25)
    assert [step["number"] for step in data["steps"]] == [1, 2, 3]
    assert {
        loss_of_control["step"] for loss_of_control in data["bench"]["if_the_computer_dies"]
    } == {
        "rest",
        "charge",
        "discharge",
    }
    assert "voltage low" in {one["id"] for one in data["interlocks"]}


def test_a_rehearsal_tells_every_step_once(ask, short):
    """Start and end, what stopped it, V, A, Ah, Wh, highest temperature, headroom to each limit."""
    data = ask("rehearse", short, "--cell", CELL, "--bench", BENCH, "--json").data
    assert data["ending"] == "done"
    assert [step["step"] for step in data["steps"]] == [1, 2, 3]
    charge = data["steps"][1]
    assert charge["reason"] == "time 1 min"
    # 1.5 A for 60 s is 0.025 Ah (1 Ah = 3600 C), within the supply's allowed error of current.
    assert charge["charge_in_ah"] == pytest.approx(0.025, rel=0.02)
    assert charge["ended_s"] - charge["began_s"] == pytest.approx(60.0, abs=0.1)
    assert {room["limit"] for room in charge["headroom"]} == {
        "step time",
        "voltage high",
        "voltage low",
        "temperature high",
        "current",
        "charge",
    }
    room = next(one for one in charge["headroom"] if one["limit"] == "voltage high")
    assert room["left"] == pytest.approx(4.25 - charge["high_v"], abs=1e-9)


def test_a_rehearsal_in_words_says_when_the_night_is_over(ask, short):
    """And leaves no folder behind unless one is asked for."""
    told = ask("rehearse", short, "--cell", CELL, "--bench", BENCH)
    assert told.exit == 0
    assert "started now, the night would be over at" in told.out
    (low, *_) = [one for one in told.out.split(", ") if one.startswith("voltage low ")]
    assert re.fullmatch(r"voltage low [0-9.]+ m?V above 2\.\d+ V", low)
    (high, *_) = [one for one in told.out.split(", ") if one.startswith("voltage high ")]
    assert re.fullmatch(r"voltage high [0-9.]+ m?V below 4\.250 V", high)
    assert "off, proof level A" in told.out
    assert "record:" not in told.out


def test_a_rehearsal_that_is_kept_can_be_listed_watched_and_exported(ask, tmp_path, short):
    """The record of a rehearsal is a record like any other."""
    folder = tmp_path / "runs" / "one"
    assert ask("rehearse", short, "--cell", CELL, "--bench", BENCH, "--folder", folder).exit == 0
    listed = ask("runs", tmp_path / "runs", "--json").data["runs"]
    assert [(one["title"], one["ending"], one["living"]) for one in listed] == [
        ("Short", "done", False)
    ]
    assert "Short, rehearsal, 2 min" in ask("runs", tmp_path / "runs").out
    assert "DONE" in ask("watch", folder, "--plain").out
    assert "DONE" in ask("watch", folder, "--once").out
    assert ask("watch", folder, "--json").data["ending"] == "done"
    exported = ask("export", folder, "--to", tmp_path / "out", "--json").data
    assert Path(exported["file"]).name.endswith(".bdf.csv")
    assert Path(exported["file"]).is_file()


def test_the_same_rehearsal_gives_the_same_bytes(ask, tmp_path, short):
    """Documents and seed are all that it depends on, but for the time of day."""
    folders = [tmp_path / "a", tmp_path / "b"]
    for folder in folders:
        ask("rehearse", short, "--cell", CELL, "--bench", BENCH, "--folder", folder)
    samples = [pl.read_csv(folder / "samples.csv").drop("Unix Time / s") for folder in folders]
    assert samples[0].equals(samples[1])
    lines = [
        (folder / "journal.jsonl").read_text(encoding="utf-8").splitlines() for folder in folders
    ]
    # A checkpoint has the check sum of the samples, times of day among them.
    first, second = ([one for one in each if '"checkpoint"' not in one] for each in lines)
    assert first == second


def test_a_run_folder_cut_short_is_read_and_its_gap_told(ask, tmp_path, short):
    """Half a journal and half the samples: what is there is shown, what is missing is said."""
    folder = tmp_path / "runs" / "cut"
    ask("rehearse", short, "--cell", CELL, "--bench", BENCH, "--folder", folder)
    for name in ("samples.csv", "journal.jsonl"):
        path = folder / name
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    (one,) = ask("runs", tmp_path / "runs", "--json").data["runs"]
    assert one["ending"] == "interrupted"
    assert one["missing"]
    told = ask("watch", folder, "--plain")
    assert told.exit == 0
    assert "Traceback" not in told.out + told.err


def test_a_bench_without_simulation_is_rehearsed_with_a_nominal_cell(ask, tmp_path, short):
    """The user's own bench document is enough; that the cell is a guess is said."""
    bench = tmp_path / "own.yaml"
    text = BENCH.read_text(encoding="utf-8").partition("simulation:")[0]
    for number, name in enumerate(("supply", "load", "multimeter")):
        address = f"TCPIP0::192.0.2.{number + 1}::5025::SOCKET"
        text = text.replace(
            f"generic-scpi-{name}, address: served", f"generic-scpi-{name}, address: {address}"
        )
    text = text.replace("address: served", "address: serial:/dev/ttyUSB0", 1)
    text = text.replace("address: served", "address: serial:/dev/ttyUSB1", 1)
    bench.write_text(text, encoding="utf-8")
    told = ask("rehearse", short, "--cell", CELL, "--bench", bench)
    assert told.exit == 0, told.err
    assert "is a guess" in told.out


def test_the_help_is_fast_and_complete(ask):
    """No heavy module is loaded for it, and every command has a line."""
    program = (
        "import sys\nsys.argv = ['nightbench', '--help']\n"
        "from sequencer.cli import entry\n"
        "try:\n    entry()\nexcept SystemExit:\n    pass\n"
        "heavy = {'pydantic', 'yaml', 'pyvisa', 'serial', 'numpy', 'rich', 'psutil', 'socket'}\n"
        "heavy.add('pymodbus')\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "[]"
    for command in [
        "check",
        "rehearse",
        "run",
        "abort",
        "pause",
        "continue",
        "make-safe",
        "watch",
        "runs",
        "report",
        "export",
        "init",
        "bench",
    ]:
        assert f"    {command}" in done.stdout


def test_version(ask):
    """A version, and exit 0."""
    told = ask("--version")
    assert (told.exit, told.out.split()[0]) == (0, "nightbench")


def test_a_reader_that_leaves_is_no_error(short):
    """``nightbench check … | head -1`` ends quietly."""
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(
        [sys.executable, "-m", "sequencer.cli", "check", str(short), "--cell", str(CELL)],
        cwd=ROOT,
        stdout=writing,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
    )
    os.close(writing)
    assert (done.returncode, done.stderr) == (0, "")


def test_the_short_profile_is_what_these_tests_say_it_is():
    """Three steps, so that the numbers above mean something."""
    assert SHORT.count("- step:") == 3


def test_a_person_at_a_terminal_is_told_within_a_second_what_is_being_done(ask, short, monkeypatch):
    """On standard error, and only where somebody looks; what the command answers stays as it is."""
    monkeypatch.setattr("sequencer.cli.SOON_S", 0.0)
    words = ("check", short, "--cell", CELL)
    unseen = ask(*words)
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    seen = ask(*words)
    assert unseen.err == ""
    assert seen.err == "rehearsing the plan: some seconds for each day of it ...\n"
    assert len(seen.out.splitlines()) == len(unseen.out.splitlines())


def test_a_bench_that_is_looked_at_rehearses_nothing(ask, monkeypatch):
    """The same word begins another command."""
    monkeypatch.setattr("sequencer.cli.SOON_S", 0.0)
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    told = ask("bench", "check", BENCH)
    assert (told.exit, told.err) == (0, "")


def test_an_unknown_option_is_told_with_the_usage_of_its_own_command(ask):
    """Not with that of the whole program, which has no options to choose from."""
    told = ask("rehearse", SHORT, "--cell", CELL, "--bench", BENCH, "--output", "here")
    assert told.exit == 2
    assert told.err.startswith("usage: nightbench rehearse [-h]")
    assert told.err.endswith("nightbench rehearse: unrecognized arguments: --output here\n")


def test_make_safe_says_at_once_what_it_asks(ask, tmp_path, monkeypatch):
    """Addresses that answer nothing take some seconds each; what is tried stands there before."""
    bench = tmp_path / "bench.yaml"
    text = BENCH.read_text(encoding="utf-8").partition("simulation:")[0]
    for number in range(1, 6):
        text = text.replace("address: served", f"address: 'tcp:127.0.0.1:{number}'", 1)
    bench.write_text(text, encoding="utf-8")
    monkeypatch.setattr("sequencer.watchdog.rescue.TRIES_BY_HAND", 1)
    told = ask("make-safe", bench)
    assert told.exit == 7
    first = told.out.splitlines()[0]
    assert first.startswith("sending off to supply (127.0.0.1:1), load (127.0.0.1:2), ")
    assert first.endswith("what does not answer is tried again for some 15 s")

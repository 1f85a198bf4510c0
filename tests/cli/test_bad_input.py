"""Bad input: one clear message with its place, exit 2 or 3, no traceback, nothing left behind."""

from pathlib import Path

import pytest

from tests.cli.places import BENCH, CELL, SHORT


def refused(told, code=2):
    """What every refusal has in common."""
    assert told.exit == code
    assert told.out == ""
    assert "Traceback" not in told.err
    assert told.err.strip()
    return told.err


DOCUMENTS = {
    "not yaml": (b"profile: [unclosed\n", ":"),
    "tab": (b"profile: Short\nsteps:\n\t- step: rest\n", ":3:1"),
    "wrong unit": (SHORT.replace("10 s", "10 V", 1).encode(), ":8:"),
    "no unit": (SHORT.replace("10 s", "10", 1).encode(), "no unit"),
    "bare sexagesimal": (SHORT.replace("10 s", "1:30", 1).encode(), "1:30"),
    "on": (SHORT.replace("10 s", "on", 1).encode(), "'on'"),
    "repeated key": (b"profile: A\nprofile: B\n" + SHORT[15:].encode(), ":2:1"),
    "unknown key": (SHORT.replace("termination current", "terminating current").encode(), "mean"),
    "not a number": (SHORT.replace("10 s", "nan s", 1).encode(), "nan s"),
    "huge number": (SHORT.replace("10 s", "9e99 s", 1).encode(), "9e99 s"),
    "deep nesting": (b"profile: " + b"[" * 5000 + b"]" * 5000, ":1:"),
    "alias bomb": (
        b"a: &a [x, x, x, x, x, x, x, x, x]\n"
        + b"".join(
            f"{b}: &{b} [{', '.join(['*' + a] * 9)}]\n".encode()
            for a, b in zip("abcdefgh", "bcdefghi", strict=True)
        ),
        ":",
    ),
    "binary": (bytes(range(256)) * 8, "byte"),
    "empty": (b"", ""),
    "beyond the cell": (
        SHORT.replace("voltage: recommended", "voltage: 4.30 V", 1).encode(),
        "absolute limit",
    ),
    "no stop": (
        SHORT.replace("    termination current: 0.05 C\n    for: 60 s\n", "").encode(),
        "no stop",
    ),
}


@pytest.mark.parametrize("name", DOCUMENTS)
def test_a_wrong_profile_is_told_with_its_place(ask, tmp_path: Path, name):
    """Exit 2, the file's name, and what is wrong."""
    raw, said = DOCUMENTS[name]
    path = tmp_path / "wrong.yaml"
    path.write_bytes(raw)
    err = refused(ask("check", path, "--cell", CELL, "--bench", BENCH))
    assert "wrong.yaml" in err
    assert said in err


def test_a_large_file_is_not_read(ask, tmp_path: Path):
    """Fifty megabytes, sparse on disk: refused by size."""
    path = tmp_path / "large.yaml"
    with path.open("wb") as file:
        file.truncate(50_000_000)
    assert "too large" in refused(ask("check", path, "--cell", CELL))


def test_missing_files_are_told_all_at_once(ask, tmp_path: Path):
    """Three documents missing: three lines."""
    err = refused(ask("check", tmp_path / "p", "--cell", tmp_path / "c", "--bench", tmp_path / "b"))
    assert [line.split(": ")[1] for line in err.splitlines()] == ["no such file"] * 3


def test_faults_of_all_documents_are_told_at_once(ask, tmp_path: Path, short: Path):
    """A wrong profile and a wrong bench in one answer, as lines and as data."""
    short.write_text(SHORT.replace("10 s", "10", 1), encoding="utf-8")
    bench = tmp_path / "bench.yaml"
    bench.write_text(
        BENCH.read_text(encoding="utf-8").replace("30 mOhm", "30", 1), encoding="utf-8"
    )
    told = ask("check", short, "--cell", CELL, "--bench", bench, "--json")
    assert told.exit == 2
    assert {Path(fault["file"]).name for fault in told.data["faults"]} >= {
        "short.yaml",
        "bench.yaml",
    }


def test_an_unknown_definition_names_those_that_exist(ask, tmp_path: Path, short: Path):
    """The bench document's place, and what could have been meant."""
    bench = tmp_path / "bench.yaml"
    bench.write_text(
        BENCH.read_text(encoding="utf-8").replace("generic-scpi-load", "generic-scpi-lode")
    )
    err = refused(ask("check", short, "--cell", CELL, "--bench", bench))
    assert "bench.yaml" in err
    assert "generic-scpi-load" in err


def test_a_rehearsal_is_never_written_over_another(ask, tmp_path: Path, short: Path):
    """An existing folder is refused and left as it was."""
    there = tmp_path / "there"
    there.mkdir()
    told = ask("rehearse", short, "--cell", CELL, "--bench", BENCH, "--folder", there)
    assert "exists already" in refused(told)
    assert list(there.iterdir()) == []


def test_a_place_that_cannot_be_written_is_refused(ask, short: Path):
    """The kernel's own file system takes no folder: exit 3."""
    told = ask("rehearse", short, "--cell", CELL, "--bench", BENCH, "--folder", "/proc/nightbench")
    refused(told, code=3)


def test_a_full_disk_is_refused_before_anything_is_energised(
    ask, tmp_path: Path, monkeypatch, short
):
    """No room for the reserve: exit 3, and no half-made folder stays."""
    import errno
    import os

    from sequencer.recording.medium import Disk

    def full(handle: int, start: int, length: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(Disk, "reserve", staticmethod(full))
    place = tmp_path / "run"
    told = ask("rehearse", short, "--cell", CELL, "--bench", BENCH, "--folder", place)
    assert "No space left" in refused(told, code=3)
    assert not place.exists()


@pytest.mark.parametrize(
    "words",
    [
        (),
        ("chekc",),
        ("check",),
        ("run", "x.yaml", "--cell", "c.yaml"),
        ("rehearse", "x.yaml", "--cell", "c.yaml", "--bench", "b.yaml", "--frobnicate"),
    ],
)
def test_wrong_usage_is_told_with_the_usage(ask, words):
    """Exit 2 and how it is used."""
    assert "usage: nightbench" in refused(ask(*words))


@pytest.mark.parametrize("command", ["abort", "pause", "continue"])
def test_asking_what_is_no_run_is_wrong_usage(ask, tmp_path: Path, command):
    """An empty folder is no run."""
    assert "not a run folder" in refused(ask(command, tmp_path))


def test_making_safe_without_a_plan_says_so(ask, tmp_path: Path):
    """A folder without a safing plan, and a simulated bench without a run."""
    assert "no safing plan" in refused(ask("make-safe", tmp_path))
    assert "give the run folder" in refused(ask("make-safe", BENCH))


def test_a_bug_of_ours_is_short_on_the_screen(ask, monkeypatch, short):
    """Exit 1, one line and the name of a file; never a traceback."""
    import sequencer.commands.check as check

    monkeypatch.setattr(check, "read_run_documents", None)
    told = ask("check", short, "--cell", CELL)
    assert told.exit == 1
    assert "Traceback" not in told.err
    kept = Path(told.err.rpartition("details: ")[2].strip())
    assert "TypeError" in kept.read_text(encoding="utf-8")
    kept.unlink()

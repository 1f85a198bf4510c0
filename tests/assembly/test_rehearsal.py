"""A rehearsal that is kept and one that is not: the same words, and nothing left on a disk."""

import tempfile
from pathlib import Path

import pytest

from sequencer.assembly import rehearsal
from sequencer.cli import main
from sequencer.commands import telling
from tests.nights.shelf import ROOT
from tests.replaying.test_folders import BRIEF

FULL = BRIEF.replace("    until charge: 1 %\n", "")
"""Until full and down to the cut-off, so that there is something to say of claims."""
CELL = ROOT / "profiles/cells/lamp-pouch.yaml"


@pytest.fixture(autouse=True)
def _at_one_time(monkeypatch):
    """Both begin at one time, and are over at one."""
    monkeypatch.setattr(rehearsal, "unix_ns", lambda: 1_760_000_000_000_000_000)
    monkeypatch.setattr(telling, "clock_time_after", lambda _: "then")


@pytest.mark.parametrize(("bench", "way"), [("demonstration", ["--json"]), ("modest", [])])
def test_kept_or_not_it_says_the_same(bench, way, tmp_path, capsys):
    """To the last byte, but for where the record is."""
    profile, folder = tmp_path / "brief.yaml", tmp_path / "run"
    profile.write_text(FULL)
    bench_ = ROOT / f"sim_configs/benches/{bench}.yaml"
    command = ["rehearse", str(profile), "--cell", str(CELL), "--bench", str(bench_), *way]
    exits = [main(command)]
    unkept = capsys.readouterr().out
    exits.append(main([*command, "--folder", str(folder)]))
    kept = capsys.readouterr().out
    assert exits == [0, 0]
    assert "claims" in unkept
    assert "capacity 3 Ah" in unkept or way
    kept = kept.replace(f'"folder": "{folder}"', '"folder": null')
    assert kept.removesuffix(f"record: {folder}\n") == unkept
    assert (folder / "samples.csv").stat().st_size > 1000


def test_somebody_comes_to_a_rehearsal_that_waits(tmp_path, capsys):
    """After the 10 min that are supposed, twice; a replay decides the same."""
    profile, folder = tmp_path / "brief.yaml", tmp_path / "run"
    wait = "  - {step: wait, for: person, at most: 1 h, says: look}\n"
    profile.write_text(f"profile: waits\nsteps:\n{wait}  - {{step: rest, for: 10 s}}\n{wait}")
    bench = ROOT / "sim_configs/benches/demonstration.yaml"
    command = [str(profile), "--cell", str(CELL), "--bench", str(bench), "--folder", str(folder)]
    assert main(["rehearse", *command]) == 0
    assert capsys.readouterr().out.count("(10 min), stopped by: a person's word") == 2
    assert main(["replay", str(folder)]) == 0


def test_one_that_is_not_kept_writes_nothing(tmp_path, monkeypatch, capsys):
    """No folder, no file: nowhere on a disk, and none in memory made to look like one."""
    profile = tmp_path / "brief.yaml"
    profile.write_text(BRIEF)
    bench = ROOT / "sim_configs/benches/demonstration.yaml"

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("something is written")

    monkeypatch.setattr(Path, "mkdir", refuse)
    monkeypatch.setattr(tempfile, "mkdtemp", refuse)
    monkeypatch.setattr("os.open", refuse)
    assert main(["rehearse", str(profile), "--cell", str(CELL), "--bench", str(bench)]) == 0
    assert "step" in capsys.readouterr().out


def test_a_rest_waits_until_the_surface_has_warmed(tmp_path, capsys):
    """In a room of 22 degC it is at 21 degC at once, and never at 30 degC."""
    profile = tmp_path / "warm.yaml"
    steps = (
        f"  - {{step: rest, for: 5 min, until temperature: {{low: {c} degC}}}}\n" for c in (21, 30)
    )
    profile.write_text("profile: warms\nsteps:\n" + "".join(steps))
    bench = ROOT / "sim_configs/benches/demonstration.yaml"
    assert main(["rehearse", str(profile), "--cell", str(CELL), "--bench", str(bench)]) == 0
    said = capsys.readouterr().out
    assert said.count("stopped by: surface temperature at 21 degC or above") == 1
    assert said.count("(5 min), stopped by: time") == 1

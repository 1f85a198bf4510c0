"""``profile explain``: a profile in plain words, with a cell or without."""

from tests.cli.places import BENCH, CELL, ROOT

LOOK = ROOT / "profiles" / "first-look.yaml"


def test_without_a_cell_it_says_what_was_written(ask):
    """Rates and recommended, and what only a cell can tell."""
    told = ask("profile", "explain", LOOK)
    lines = told.out.splitlines()
    assert told.exit == 0
    assert lines[0] == "First look, for any cell"
    assert [one.partition(":")[0] for one in lines[1:5]] == [
        "purpose",
        "needs",
        "duration",
        "shows",
    ]
    assert lines[3] == "duration: some 1 h, says its author"
    assert "2. Charge at 0.3 C [a little in]" in lines
    assert (
        "how long: rests and pulses take 40 min 10 s; the rest depends on the cell (--cell)"
        in lines
    )
    assert lines[-1].startswith("claims: which of them it decides depends on cell and bench")
    assert ask("profile", "explain", LOOK, "--json").data["lines"] == lines


def test_with_a_cell_it_says_numbers_and_how_long(ask):
    """The sentences of check, and both times."""
    told = ask("profile", "explain", LOOK, "--cell", CELL)
    assert "First look, for Lamp pouch 3 Ah\n" in told.out
    assert "4. Pulse: discharge at 1.50 A (0.5 C) for 10 s" in told.out
    long = "how long: some 1 h 1 min (an estimate), at most 2 h (the profile's 'total time'): "
    assert f"{long}past that it trips\n" in told.out
    assert f"{long}past that it trips\n" in ask("check", LOOK, "--cell", CELL).out
    assert "claims: no bench named (--bench)" in told.out


def test_with_a_bench_it_says_which_claims_it_would_decide(ask):
    """As check does, from a rehearsal."""
    told = ask("profile", "explain", LOOK, "--cell", CELL, "--bench", BENCH, "--json")
    assert told.data["claims"]["claims"]
    assert any("this profile on this bench would decide" in one for one in told.data["lines"])


def test_a_fault_is_told_with_its_place(ask, tmp_path):
    """Exit 2, also for a word that has no value where it stands."""
    path = tmp_path / "p.yaml"
    path.write_text("profile: x\nsteps:\n  - {step: discharge, current: each rate, for: 1 min}\n")
    told = ask("profile", "explain", path)
    assert told.exit == 2
    assert "p.yaml:3:32: 'each rate' stands outside a 'for each'" in told.err

"""The numbers at the top: well known, told apart, and what is shared said once."""

import json
from pathlib import Path
from typing import Any

from sequencer.analysis.results import Figure
from sequencer.cli import main
from sequencer.report import headlines
from sequencer.report.grouping import grouped

ROOT = Path(__file__).parents[2]


def figure(label, value=1.0, u=0.01, step=None, flags=(), **conditions):
    """A headline whose interval is two standard uncertainties to each side."""
    return Figure(
        label, label, value, "Ohm", u, value - 2 * u, value + 2 * u,
        conditions=conditions, flags=flags, step=step, headline=True,
    )  # fmt: skip


def test_what_several_headlines_share_is_said_once():
    """Capacity, energy and energy per mass hang on one end of a charge: one sentence."""
    shared = "how full its charge left the cell is in doubt by -26 to +26 mAh"
    made = [figure(name, flags=(shared,)) for name in ("capacity", "energy")]
    told = headlines.flagged(headlines.headlines(made))
    assert told == [(shared, ["capacity", "energy"])]


def test_numbers_of_one_name_are_told_apart_by_what_differs():
    """Pulses at three states of charge, all at 1 C; and where no condition differs, the step."""
    made = [figure("R", state_of_charge=share, rate_c=1.0) for share in (0.8, 0.5, 0.2)]
    labels = [label for label, _ in headlines.headlines([*made, figure("C", rate_c=1.0)])]
    assert labels == ["R, at 80 % charge", "R, at 50 % charge", "R, at 20 % charge", "C"]
    same = [figure("R", step=step, rate_c=1.0) for step in (4, 8)]
    assert [label for label, _ in headlines.headlines(same)] == ["R, step 4", "R, step 8"]


def test_a_resistance_says_at_which_charge():
    """Counted, or read off the stated curve; what the label says already is not said again."""
    made = [
        figure("R", state_of_charge=0.5),
        figure("train, at 50 % charge", state_of_charge=0.5),
        figure("P", rested_charge=0.29),
    ]
    labels = [label for label, _ in headlines.headlines(made)]
    assert labels == ["R, at 50 % charge", "train, at 50 % charge", "P, at about 29 % charge"]


def test_a_number_that_is_hardly_known_is_no_headline():
    """± of a third is the most (0.33 stays, 0.34 goes); what is left out is named."""
    made = [figure("stays", u=0.165), figure("goes", u=0.17), figure("below", -1.0, 0.165)]
    assert [label for label, _ in headlines.headlines(made)] == ["stays", "below"]
    assert headlines.too_wide(made) == ["goes"]


def test_what_is_said_of_many_steps_is_said_once():
    """With the first five steps named; another reason, and what is of no step, stand alone."""
    many = [f"step {n} (CC discharge): no capacity: too short" for n in range(4, 164, 4)]
    told = grouped([*many, "step 3 (rest): a gap", "no pulse resistance at 30 s"])
    assert told == [
        "steps 4, 8, 12, 16, 20 and 35 more (CC discharge): no capacity: too short",
        "step 3 (rest): a gap",
        "no pulse resistance at 30 s",
    ]


STORED = """
profile: stored
limits: {charge temperature: {low: 12 degC, high: 40 degC}}
steps:
  - {step: charge, current: 0.7 C, voltage: recommended, termination current: 0.05 C}
  - {step: discharge, current: 1 C, cut-off voltage: recommended}
  - {step: charge, current: 0.7 C, voltage: recommended, termination current: 0.05 C}
  - {step: finish at storage charge, current: 0.3 C}
"""


def told_of(profile: str, place: Path, capsys) -> list[dict[str, Any]]:
    """The figures of such a night of the demonstration pouch."""
    (place / "night.yaml").write_text(profile, encoding="utf-8")
    given = ["--cell", f"{ROOT}/profiles/cells/lamp-pouch.yaml"]
    given += ["--bench", f"{ROOT}/sim_configs/benches/demonstration.yaml"]
    run = f"{place}/run"
    assert main(["rehearse", f"{place}/night.yaml", *given, "--folder", run]) == 0
    capsys.readouterr()
    assert main(["report", run, "--json"]) == 0
    return json.loads(capsys.readouterr().out)["figures"]


def test_what_a_storage_charge_took_out_is_no_headline(tmp_path, capsys):
    """It is slower than the discharge that was asked for, begins full, and ends at 3.8 V: 0.9 Ah of
    2.8 Ah stood at the top as capacity, and as 66 Wh/kg."""
    figures = told_of(STORED, tmp_path, capsys)
    steps = {one["step"] for one in figures if one["headline"]}
    assert {one["key"] for one in figures if one["headline"]} >= {
        "capacity.discharge.2", "energy.discharge.2", "specific-energy.data-sheet.2",
    }  # fmt: skip
    assert "capacity.discharge.4" in {one["key"] for one in figures}
    assert 4 not in steps


def test_a_run_of_a_burst_alone_has_its_current_at_the_top(tmp_path, capsys):
    """It said that no headline number can be told, of a run that carried 3 A for 7 s."""
    steps = STORED.split("  - {step: discharge")[0]
    steps += "  - {step: rest, for: 10 min}\n"
    steps += "  - {step: pulse, direction: discharge, current: 1 C, for: 7 s}\n"
    assert [one["key"] for one in told_of(steps, tmp_path, capsys) if one["headline"]] == [
        "highest-current.discharge"
    ]

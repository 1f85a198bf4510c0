"""What ``check`` says that a termination current nobody sees leaves in doubt, against the twin."""

import json
from itertools import pairwise
from pathlib import Path

from sequencer.cli import main

ROOT = Path(__file__).parents[2]
BENCHES = ROOT / "sim_configs/benches"
PROFILE = """
profile: one charge
limits: {{charge temperature: {{low: 12 degC, high: 40 degC}}}}
steps:
  - {{step: charge, current: 0.7 C, voltage: recommended, termination current: {last}}}
"""


def given(place: Path, last: str, bench: str) -> list[str]:
    """The arguments of such a charge of the demonstration pouch."""
    (place / "profile.yaml").write_text(PROFILE.format(last=last), encoding="utf-8")
    cell = ["--cell", f"{ROOT}/profiles/cells/lamp-pouch.yaml"]
    return [f"{place}/profile.yaml", *cell, "--bench", str(BENCHES / bench)]


def put_in_ah(place: Path, last: str, capsys) -> float:
    """What the twin takes in until its current has fallen so far, on a bench that sees it."""
    folder = f"{place}/to-{last.replace(' ', '')}"
    assert main(["rehearse", *given(place, last, "demonstration.yaml"), "--folder", folder]) == 0
    capsys.readouterr()
    assert main(["report", folder, "--json"]) == 0
    figures = json.loads(capsys.readouterr().out)["figures"]
    return next(one["value"] for one in figures if one["key"].startswith("charge-moved.charge."))


def test_the_span_said_beforehand_holds_what_the_twin_would_miss(tmp_path, capsys):
    """The modest bench's supply tells 150 mA to within 81 mA: so much less or more charge goes in
    when the hold really ends at 231 or at 69 mA."""
    assert main(["check", *given(tmp_path, "150 mA", "modest.yaml")]) == 0
    said = capsys.readouterr().out
    assert "that leaves 16 to 67 mAh in doubt (0.5 % to 2.2 % of the rated capacity)" in said
    assert "Write 'termination current: 420 mA' or more in step 1 of the profile" in said
    ends = [put_in_ah(tmp_path, last, capsys) for last in ("231 mA", "150 mA", "69 mA")]
    for less, more in pairwise(ends):
        assert 0.016 <= more - less <= 0.067


def test_a_remedy_names_every_step_that_it_is_for(tmp_path, capsys):
    """Also the storage charge, whose termination current stands nowhere in the profile; and what is
    advised, written there, is seen."""
    text = PROFILE.format(last="150 mA") + "  - {step: discharge, current: 0.5 C, for: 1 min}\n"
    text += (
        PROFILE.format(last="150 mA").splitlines()[-1] + "\n  - step: finish at storage charge\n"
    )
    arguments = given(tmp_path, "150 mA", "modest.yaml")
    (tmp_path / "profile.yaml").write_text(text, encoding="utf-8")
    assert main(["check", *arguments]) == 0
    advice = "Write 'termination current: 420 mA' or more in steps 1, 3 and 4 of the profile"
    assert advice in capsys.readouterr().out
    mended = text.replace("150 mA", "420 mA") + "    termination current: 420 mA\n"
    (tmp_path / "profile.yaml").write_text(mended, encoding="utf-8")
    assert main(["check", *arguments]) == 0
    assert "can: termination current 0.420 A" in capsys.readouterr().out

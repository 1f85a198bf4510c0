"""A night on a bench whose surface sensor is a Pt100 that a multimeter reads in ohms."""

import json
from math import sqrt

import pytest

from sequencer.cli import main
from tests.house.tree import ROOT

NIGHT = [
    str(ROOT / "profiles/first-look.yaml"),
    "--cell",
    str(ROOT / "profiles/cells/lamp-pouch.yaml"),
    "--bench",
    str(ROOT / "sim_configs/benches/platinum.yaml"),
]


def test_the_class_of_the_sensor_is_in_the_report(tmp_path, capsys):
    """Class B at some 22 degC, 0.3 K (and 0.5 % of the temperature); the multimeter's 24 mOhm and
    0.02 % (and what 10 K of room make of it) of up to 115 Ohm by 0.38 Ohm/K."""
    folder = tmp_path / "run"
    assert main(["rehearse", *NIGHT, "--folder", str(folder)]) == 0
    capsys.readouterr()
    assert main(["report", str(folder), "--json"]) == 0
    figures = json.loads(capsys.readouterr().out)["figures"]
    (highest,) = {
        part["standard"]
        for figure in figures
        for part in figure["budget"]
        if part["source"] == "ohmmeter, surface temperature offset"
    }
    assert highest * sqrt(3.0) == pytest.approx(0.3 + (0.024 + 0.023) / 0.384, abs=0.01)


def test_a_sensor_that_is_shorted_ends_the_night(tmp_path, capsys):
    """As one that has come off: exit 6, the instrument named."""
    fault = tmp_path / "short.yaml"
    fault.write_text(
        "fault: the sensor breaks\nkind: dead reading\nreading: surface\nat: 20 min\n",
        encoding="utf-8",
    )
    assert main(["rehearse", *NIGHT, "--fault", str(fault)]) == 6
    assert "ohmmeter" in capsys.readouterr().out

"""A rehearsed night of discharges that hold a power, a resistance and a cut-off: the rows, what is
told of it, and the same decisions again."""

import json
from pathlib import Path

import numpy as np
import pytest

from sequencer.cli import main
from sequencer.recording.run import read_run
from sequencer.report.numbers import conditions_text
from sequencer.vocabulary.sample import OFF

ROOT = Path(__file__).parents[2]
PROFILE = """
profile: what it holds
steps:
  - {step: charge, current: 0.3 C, voltage: recommended, termination current: 0.05 C}
  - {step: discharge, power: 5 W, cut-off voltage: recommended}
  - {step: charge, current: 0.3 C, until charge: 20 %}
  - {step: discharge, resistance: 4 Ohm, cut-off voltage: recommended}
  - {step: charge, current: 0.3 C, until charge: 20 %}
  - step: discharge
    current: 0.5 C
    cut-off voltage: recommended
    termination current: 0.05 C
"""


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """The folder of the night."""
    place = tmp_path_factory.mktemp("held")
    (place / "profile.yaml").write_text(PROFILE, encoding="utf-8")
    documents = ("--cell", f"{ROOT}/profiles/cells/lamp-pouch.yaml")
    bench = ("--bench", f"{ROOT}/sim_configs/benches/demonstration.yaml")
    folder = str(place / "run")
    assert main(["rehearse", f"{place}/profile.yaml", *documents, *bench, "--folder", folder]) == 0
    return place / "run"


@pytest.fixture(scope="module")
def rows(night):
    """Its rows."""
    return read_run(night).rows


def columns(rows, words: str):
    """Voltage and current (positive) of the driven rows of a step, and what each row set."""
    rows = [one for one in rows if one.mark.name == words]
    driven = [one for one in rows if one.sample.load_on != OFF][3:]
    table = [(one.sample.voltage_v, -one.sample.current_a, one.mark.set_a) for one in driven]
    return np.array(table).T


def test_each_holds_what_was_asked_for_within_what_the_load_can_set(rows):
    """The load sets whole milliamperes within 0.1 % and 5 mA; the voltage moves between samples."""
    volts, amps, _ = columns(rows, "CP discharge")
    assert np.abs(volts * amps - 5.0).max() < 0.001 * 5.0 + 0.006 * 4.2
    volts, amps, _ = columns(rows, "CR discharge")
    assert np.abs(volts / amps - 4.0).max() < 0.001 * 4.0 + 0.006 * 4.0 / 0.75
    volts, amps, _ = columns(rows, "CV discharge")
    assert np.abs(volts - 3.0).max() < 0.006
    assert amps[-1] <= 0.15


def test_what_a_row_set_is_what_the_next_one_shows(rows):
    """Within the load's own errors."""
    for words in ("CP discharge", "CR discharge", "CV discharge"):
        _, amps, set_a = columns(rows, words)
        assert np.abs(amps[1:] - set_a[:-1]).max() < 0.007


def test_the_night_is_decided_again_line_for_line(night, capsys):
    """What the executive set is worked out again of the rows."""
    assert main(["replay", str(night)]) == 0
    assert "the same decisions, line for line" in capsys.readouterr().out


def test_the_report_names_each_by_what_it_held(night, capsys):
    """Also in the numbers, with the rates between which it was."""
    assert main(["report", str(night), "--json"]) == 0
    figures = json.loads(capsys.readouterr().out)["figures"]
    capacity = next(one for one in figures if one["key"] == "capacity.discharge.2")
    assert capacity["label"] == "Capacity at 5.0 W down to 3.00 V"
    conditions = capacity["conditions"]
    assert conditions["power_w"] == 5.0
    assert conditions["rate_low_c"] == pytest.approx(5.0 / 4.1 / 3.0, rel=0.03)
    assert conditions["rate_high_c"] == pytest.approx(5.0 / 3.0 / 3.0, rel=0.03)


def test_a_number_of_a_varying_discharge_is_shown_with_both_its_rates():
    """What the label says already is left out."""
    shown = conditions_text(
        {"power_w": 5.0, "rate_c": 0.45, "rate_low_c": 0.41, "rate_high_c": 0.55},
        "Capacity at 5.0 W down to 3.00 V",
    )
    assert shown == "0.41 to 0.55 C"

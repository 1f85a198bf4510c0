"""A charge to 4.40 V as a person reads it: its rises are one item, in ``check`` and ``explain``."""

import re

import pytest

from tests.cli.places import CELL

STEPS = """\
profile: Up
limits:
  charge temperature: {low: 15 degC, high: 40 degC}
steps:
  - step: repeat
    times: 3
    steps:
      - step: charge
        label: up
        current: 0.5 C
        voltage: recommended
        termination current: 0.05 C
      - {step: discharge, current: 1 C, cut-off voltage: recommended}
  - {step: charge, current: 0.05 C, until voltage: recommended less 30 mV}
  - {step: rest, for: 1 min}
"""
TOLD = """\
1. Charge at 1.50 A (0.5 C) until the voltage has risen to 4.200 V [up]
   stops when the voltage has risen to 4.200 V or the current has fallen to 1.35 A;
2 to 11. Charge on at 0.300 A (0.1 C) from 4.200 V to 4.400 V in 10 rises of 20 mV, then
 hold 4.400 V until the current has fallen to 0.150 A [up]
   each but the last stops when its voltage is reached or the current has fallen to 0.270 A;
 at most 4 h 7 min each (derived), 14 h 9 min the last; nearest limit: 4.420 V, 20 mV above
12. Discharge at 3.00 A (1 C) until the voltage has fallen to
   stops when
   these 12 steps, 3 times in all: up to step 36
37. Charge at 0.150 A (0.05 C) until the voltage has risen to 4.200 V
   stops when
38 to 46. Charge on at 0.150 A (0.05 C) from 4.200 V to 4.370 V in 9 rises of at most
 20 mV
   each stops when its voltage is reached or the current has fallen to 0.135 A;
 at most 8 h 9 min each (derived); nearest limit: 4.420 V, 50 mV above
47. Rest for 1 min
   stops when
"""
"""Worked out by hand of 3 Ah: a bound of 40 % of the rated capacity and 1 % of that, and 5 min."""


@pytest.fixture
def documents(tmp_path):
    """The profile, and the demonstration cell made for 4.40 V."""
    text = CELL.read_text(encoding="utf-8").replace(": 4.20 V", ": 4.40 V", 1)
    text = text.replace(": 4.25 V", ": 4.42 V", 1)
    text += "limits from: {document: data sheet, page: 3}\n"
    (tmp_path / "cell.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "up.yaml").write_text(STEPS, encoding="utf-8")
    return tmp_path / "up.yaml", "--cell", tmp_path / "cell.yaml"


@pytest.mark.parametrize("command", [("check",), ("profile", "explain")])
def test_the_rises_of_a_charge_are_told_as_one(ask, documents, command):
    """Whatever else stands around them; what is done again counts every step."""
    told = ask(*command, *documents)
    assert told.exit == 0, told.err
    lines = told.out.splitlines()
    start = next(number for number, line in enumerate(lines) if line.startswith("1. "))
    expected = re.sub(r"\n (?! )", " ", TOLD).splitlines()
    found = lines[start : start + len(expected)]
    assert [line[: len(want)] for line, want in zip(found, expected, strict=True)] == expected


def test_as_data_each_is_a_step(ask, documents):
    """What runs is told whole."""
    data = ask("check", *documents, "--json").data
    assert (len(data["steps"]), data["step_count"]) == (47, 47)


def test_a_run_that_likely_trips_before_its_end_is_told_so(ask, documents):
    """Three charges above 4.20 V take more than 5 h."""
    path = documents[0]
    path.write_text(STEPS.replace("limits:\n", "limits:\n  total time: 5 h\n"))
    told = ask("check", *documents)
    (line,) = [one for one in told.out.splitlines() if one.startswith("how long: ")]
    assert line.endswith(
        "at most 5 h (the profile's 'total time'): past that it trips, which is likely before its"
        " end"
    )
    data = ask("check", *documents, "--json").data
    assert data["likely_s"] > data["at_most_s"] == 5 * 3600.0

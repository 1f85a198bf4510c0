"""Loops in the report: the night of the lamp, and numbers beside those of its steps."""

import json
from pathlib import Path
from typing import Any

import pytest

from sequencer.analysis.analyse import analyse
from sequencer.assembly import analysis_input as gathered
from sequencer.assembly.rehearsal import rehearse
from sequencer.recording.run import read_run
from sequencer.report import loops
from sequencer.report.data import as_data
from sequencer.report.lines import lines
from sequencer.report.page import render
from sequencer.report.sheet import make_sheet
from sequencer.run_documents.reading import RunOptions, read_run_documents
from tests.report.test_page import words_of

ROOT = Path(__file__).parents[2]
CYCLES = """
profile: Three cycles
limits:
  charge temperature: {low: 12 degC, high: 40 degC}
  discharge temperature: {low: 5 degC, high: 50 degC}
steps:
  - step: repeat
    times: 5
    until: {charge out: 5 Ah}
    steps:
      - {step: charge, current: 0.5 C, voltage: recommended, termination current: 0.05 C}
      - {step: discharge, current: 1 C, cut-off voltage: recommended}
"""


def recorded(profile: Path, folder: Path):
    """The record of a rehearsal on the demonstration bench."""
    cell = ROOT / "profiles/cells/lamp-pouch.yaml"
    bench = ROOT / "sim_configs/benches/demonstration.yaml"
    rehearse(read_run_documents(RunOptions(profile, cell, bench)), folder)
    return read_run(folder)


@pytest.fixture(scope="module")
def lamp(tmp_path_factory):
    """The lamp until its cell is empty."""
    return recorded(ROOT / "profiles/lamp-run-time.yaml", tmp_path_factory.mktemp("lamp") / "run")


@pytest.fixture(scope="module")
def cycles(tmp_path_factory):
    """Cycles until 5 Ah have been taken out: two give some 5.6."""
    place = tmp_path_factory.mktemp("cycles")
    (place / "cycles.yaml").write_text(CYCLES)
    return recorded(place / "cycles.yaml", place / "run")


def test_the_run_time_of_a_lamp_is_that_of_its_steps(lamp):
    """The steps bright and dim, added up from their own lines of the journal."""
    (loop,) = loops.loops_of(lamp)
    ended = [one for one in lamp.all("step ended") if one["label"] == "lamp"]
    lasted_s, into_ah, out_ah, _, out_wh = loop.moved
    assert lasted_s == pytest.approx(sum(one["ended_ns"] - one["began_ns"] for one in ended) / 1e9)
    assert out_ah == pytest.approx(sum(one["charge_out_ah"] for one in ended))
    assert out_wh == pytest.approx(sum(one["energy_out_wh"] for one in ended))
    assert into_ah == 0.0
    assert loop.ended_by == "the voltage has fallen to 3.000 V"
    assert ended[-1]["reason"].startswith("voltage at or below 3.000 V")
    assert len(loop.passes) == (len(ended) + 1) // 2 < loop.at_most


def test_the_parts_of_a_loop_are_its_whole(lamp, cycles):
    """What the passes moved adds up to what the loop did; they follow one another in time."""
    for run in (lamp, cycles):
        (loop,) = loops.loops_of(run)
        each = [one.moved for one in loop.passes]
        assert [sum(column) for column in zip(*each, strict=True)] == pytest.approx(loop.moved)
        assert [one.number for one in loop.passes] == list(range(1, len(each) + 1))
        times = [one.ended_s for one in loop.passes]
        assert times == sorted(times)


def test_a_pass_with_a_charge_has_a_capacity_and_a_share_of_the_first(cycles):
    """As its own discharge says; the loop ends with the pass in which 5 Ah are reached."""
    (loop,) = loops.loops_of(cycles)
    gave = [-one["crossed_ah"] for one in cycles.all("step ended") if one["crossed_ah"] < 0.0]
    assert [one.capacity_ah for one in loop.passes] == pytest.approx(gave)
    assert [one.retention for one in loop.passes] == pytest.approx([1.0, gave[1] / gave[0]])
    assert loop.moved[2] >= 5.0 > gave[0]
    assert loop.ended_by == "5.000 Ah have been taken out"


def test_terminal_page_and_json_tell_the_same(lamp, cycles):
    """A sentence on both, a table of the passes on the page, numbers for machines."""
    for run, most in ((lamp, 32), (cycles, 5)):
        found = gathered.tested_from(run)
        sheet, analysis = make_sheet(run, found), analyse(found)
        (loop,) = sheet.loops
        said = loops.sentence(loop)
        assert said.startswith(f"Loop from step {loop.first_step}: {len(loop.passes)} of at most ")
        assert said in " ".join(" ".join(lines(sheet, analysis)).split())
        page = words_of(render(sheet, found.table, analysis, "0"))
        assert said in page
        assert f"Passes ({len(loop.passes)})" in page
        (data,) = json.loads(json.dumps(as_data(sheet, analysis, "0")))["loops"]
        assert (data["at_most"], len(data["passes"])) == (most, len(loop.passes))
        assert data["charge_out_ah"] == pytest.approx(loop.moved[2])
        assert data["ended_by"] == loop.ended_by


def test_a_loop_that_an_earlier_run_began_says_what_it_cannot_know(lamp):
    """The pass in which it was broken off was partly in the other record."""
    told = lamp.all("pass ended")[4:]
    loop = loops._loop(3, told, lamp.start_ns)
    assert loop.passes[0].moved is None
    assert loops.rows(loop)[0][2:5] == ("not known",) * 3
    assert loop.moved[2] == pytest.approx(told[-1]["charge_out_ah"])


def test_a_loop_that_did_not_end_says_how_the_run_left_it(lamp):
    """By its last pass, or with the run."""
    told = [{**one, "left_by": None, "is_last": False} for one in lamp.all("pass ended")[:3]]
    assert loops.sentence(loops._loop(3, told, 0)).endswith("The run ended in it.")
    told[-1]["is_last"] = True
    assert loops.sentence(loops._loop(3, told, 0)).endswith("It ended with its last pass.")


class _Journal:
    """The pass lines of a record, of which nothing else is asked."""

    start_ns = 0

    def __init__(self, *lines: dict[str, Any]) -> None:
        self._lines = list(lines)

    def all(self, _kind: str) -> list[dict[str, Any]]:
        return self._lines


@pytest.mark.parametrize("times", [2, 3])
def test_loops_that_begin_with_the_same_step_are_told_apart(times):
    """An outer loop of 2 or 3 passes, which is broken off, and whose first part is a loop of 3:
    five lines, two loops. The inner one is over before a pass of the outer one is."""
    inner = [
        {"loop": 1, "pass": number, "times": 3, "lasted_ns": number * 10**9, "is_last": number == 3}
        for number in (1, 2, 3)
    ]
    outer = [
        {"loop": 1, "pass": number, "times": times, "lasted_ns": 9 * number * 10**9}
        for number in (1, 2)
    ]
    run: Any = _Journal(*inner, *outer)
    found = [
        (one.at_most, [(each.number, each.moved and each.moved[0]) for each in one.passes])
        for one in loops.loops_of(run)
    ]
    assert found == [(times, [(1, 9.0), (2, 9.0)]), (3, [(1, 1.0), (2, 1.0), (3, 1.0)])]

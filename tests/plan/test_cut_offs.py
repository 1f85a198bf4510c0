"""Two recommended cut-offs, one for any current and one for small ones: what may be written, where
a discharge ends, and what a rehearsed night tells of both."""

import json
from pathlib import Path

import pytest

from sequencer.cli import main
from sequencer.documents.cell import CellDocument
from sequencer.plan.against_cell import find_breaches
from sequencer.plan.make import make_plan
from sequencer.plan.step import StopKind
from sequencer.plan.within import count_steps
from sequencer.source.loading import load_text
from sequencer.vocabulary.faults import DocumentError
from tests.plan.documents import CELL_TEXT, profile, told

ONE = "cut-off voltage: 3.00 V"
TWO = "cut-off voltage: [{voltage: 3.0 V}, {voltage: 2.7 V, up to: 0.2 C}]"


def cell(given: str = TWO, recommended: str = ONE) -> CellDocument:
    """The cell of round numbers (2 Ah; absolute cut-off 2.50 V) with these recommended cut-offs."""
    return load_text(CELL_TEXT.replace(recommended, given), "cell.yaml", CellDocument).document


def ends(steps: str) -> list[tuple[float, float]]:
    """Current (A) and cut-off (V) of each step."""
    made = profile(steps)
    assert find_breaches(made, cell()) == []
    return [(step.drive.current_a, step.drive.voltage_v) for step in make_plan(made, cell())]


@pytest.mark.parametrize(
    ("given", "rule"),
    [
        ("[{voltage: 3.0 V}, {voltage: 3.1 V, up to: 0.2 C}]", "not below the entry"),
        ("[{voltage: 3.0 V}, {voltage: 2.7 V}]", "each further one has 'up to'"),
        ("[{voltage: 3.0 V, up to: 1 C}]", "the first entry is for any current"),
        ("[]", "needs at least 1"),
        ("[{voltage: 3.0 V}, {voltage: 2.4 V, up to: 0.2 C}]", "below the absolute limit of"),
        (
            "[{voltage: 3.0 V}, {voltage: 2.8 V, up to: 0.2 C}, {voltage: 2.7 V, up to: 500 mA}]",
            "is not less than the entry before it, 0.400 A",
        ),
        ("[{voltage: 4.3 V}, {voltage: 2.7 V, up to: 0.2 C}]", "not below the charge voltage"),
        ("[{voltage: 3.0 V}, {volts: 2.7 V}]", "unknown key 'volts'"),
    ],
)
def test_cut_offs_that_do_not_fit_are_refused_at_their_place(given, rule):
    """Each is told at the line of the cut-offs."""
    with pytest.raises(DocumentError) as refused:
        cell(f"cut-off voltage: {given}")
    faults = [str(one) for one in refused.value.faults]
    assert any(rule in fault for fault in faults), faults
    assert all(fault.startswith("cell.yaml:9:") for fault in faults if rule in fault)


def test_the_absolute_cut_off_is_one():
    """Nothing goes below it, whatever the current."""
    two = "cut-off voltage: [{voltage: 2.5 V}, {voltage: 2.4 V, up to: 0.1 C}]"
    with pytest.raises(DocumentError, match="is one voltage, whatever the current"):
        cell(two, recommended="cut-off voltage: 2.50 V")


def test_recommended_means_the_one_for_the_current_of_the_step():
    """0.4 A is 0.2 C of 2 Ah; a power's current at 2.7 V counts, and so does a resistance's there:
    1.08 W and 6.75 Ohm are 0.4 A at 2.7 V."""
    for held, volts in {
        "current: 0.4 A": 2.7,
        "current: 0.401 A": 3.0,
        "power: 1.08 W": 2.7,
        "power: 1.09 W": 3.0,
        "resistance: 6.75 Ohm": 2.7,
        "resistance: 6.7 Ohm": 3.0,
    }.items():
        ((_, end_v),) = ends(f"- {{step: discharge, {held}, cut-off voltage: recommended}}")
        assert end_v == volts, held
    assert ends("- {step: discharge, current: 0.1 C, for: 1 h}")[0][1] == 2.7
    assert ends("- {step: pulse, direction: discharge, current: 1 C, for: 10 s}")[0][1] == 3.0


def test_for_small_currents_goes_on_below_at_a_current_that_allows_it():
    """Two steps: down to the one for any current, then at 0.2 C; a slower one stays as slow. What
    ends the first otherwise leaves the second out."""
    steps = """
    - step: discharge
      current: 1 C
      cut-off voltage: recommended for small currents
      for: 2 h
    """
    assert ends(steps) == [(2.0, 3.0), (0.4, 2.7)]
    assert ends(steps.replace("1 C", "0.1 C")) == [(0.2, 3.0), (0.2, 2.7)]
    assert count_steps(profile(steps).steps) == 2
    first, second = make_plan(profile(steps), cell())
    assert [(s.kind, s.leaves_out) for s in first.stops] == [
        (StopKind.VOLTAGE_BELOW, 0),
        (StopKind.TIME, 1),
    ]
    assert "for small currents" in second.sentence


@pytest.mark.parametrize(
    ("step", "rule"),
    [
        ("power: 5 W, cut-off voltage: recommended for small currents", "it needs 'current'"),
        (
            (
                "current: 1 C, cut-off voltage: recommended for small currents, "
                "termination current: 0.05 C"
            ),
            "and no 'termination current'",
        ),
    ],
)
def test_what_cannot_go_on_is_refused(step, rule):
    """A power asks for more, not less, as the voltage falls; and one thing follows at a time."""
    with pytest.raises(DocumentError, match=rule):
        profile(f"- {{step: discharge, {step}}}")


def test_the_lower_one_is_refused_to_a_larger_current():
    """And the message says for which current the limit is."""
    step = "- {step: discharge, current: 0.5 C, cut-off voltage: 2.8 V}"
    (message,) = told(step, of=cell())
    assert "is below the cell's recommended 3.00 V, where normal steps end at 1.00 A" in message
    assert told(step.replace("0.5 C", "0.2 C"), of=cell()) == []


def test_without_a_lower_one_there_is_nothing_to_go_on_to():
    """The cell document gives one cut-off; what is said to write in its place is taken."""
    step = "- {step: discharge, current: 1 C, cut-off voltage: recommended for small currents}"
    (message,) = told(step)
    assert "the cell document gives no cut-off for small currents: write your maker's" in message
    form = message.partition("in this form: '")[2].partition("'")[0]
    assert form == "cut-off voltage: [{voltage: 3.00 V}, {voltage: 2.75 V, up to: 0.2 C}]"
    assert told(step, of=cell(form)) == []
    assert "'cut-off voltage: recommended' here" in message
    assert told(step.replace(" for small currents", "")) == []


NIGHT = """
profile: both cut-offs
steps:
  - {step: charge, current: 0.3 C, voltage: recommended, termination current: 0.05 C}
  - {step: discharge, current: 1 C, cut-off voltage: recommended for small currents}
  - {step: charge, current: 0.3 C, voltage: recommended, termination current: 0.05 C}
  - {step: discharge, current: 0.2 C, cut-off voltage: recommended}
  - {step: finish at storage charge, current: 0.3 C}
"""


def test_a_night_tells_both_yields_and_what_lies_between(tmp_path, capsys, figures_of):
    """Twice from full: 1 C to 3.0 V and on at 0.2 C to 2.8 V, and 0.2 C to 2.8 V at once. Both end
    with the same cell at the same current and voltage, so that they gave the same within what the
    first one's warmth does."""
    figures = figures_of(NIGHT, tmp_path, capsys)
    first, between = figures["capacity.discharge.2"], figures["residual.capacity.3"]
    both, slow = figures["both-cut-offs.capacity.3"], figures["capacity.discharge.5"]
    assert both["value"] == pytest.approx(first["value"] + between["value"], rel=1e-3)
    assert both["value"] == pytest.approx(slow["value"], rel=2e-3)
    recommended, below = figures["capacity.recommended.5"], figures["residual.capacity.5"]
    assert slow["value"] == pytest.approx(recommended["value"] + below["value"], rel=1e-9)
    assert "between the recommended cut-offs, 3.00 V and 2.80 V" in below["label"]
    assert not any("below the recommended" in one["label"] for one in figures.values())


@pytest.fixture
def figures_of():
    """The figures of a rehearsed night, on the demonstration pouch with a cut-off of 2.8 V more."""
    root = Path(__file__).parents[2]

    def rehearsed(night, place, capsys):
        text = (root / "profiles/cells/lamp-pouch.yaml").read_text(encoding="utf-8")
        assert ONE in text
        two = TWO.replace("2.7 V", "2.8 V")
        (place / "cell.yaml").write_text(text.replace(ONE, two), encoding="utf-8")
        (place / "profile.yaml").write_text(night, encoding="utf-8")
        bench = ["--bench", f"{root}/sim_configs/benches/demonstration.yaml"]
        documents = [f"{place}/profile.yaml", "--cell", f"{place}/cell.yaml", *bench]
        assert main(["rehearse", *documents, "--folder", f"{place}/run"]) == 0
        capsys.readouterr()
        main(["report", f"{place}/run", "--json"])
        told = json.loads(capsys.readouterr().out)
        return {one["key"]: one for one in told["figures"]}

    return rehearsed

"""A step that was paused, in the report: what flowed did not flow at once."""

from pathlib import Path

import pytest

from sequencer.analysis.analyse import analyse
from sequencer.assembly import analysis_input
from sequencer.assembly.benches import make_twin
from sequencer.recording.run import read_run
from sequencer.run_documents.reading import RunOptions, read_run_documents
from sequencer.vocabulary.intent import State
from tests.cli.places import BENCH, CELL
from tests.resuming.recorded import record

LIMITS = """\
profile: paused
limits:
  charge temperature: {low: 15 degC, high: 40 degC}
  discharge temperature: {low: 15 degC, high: 45 degC}
steps:
  - {step: rest, for: 1 min}
"""
PULSE = "  - {step: pulse, direction: discharge, current: 1 C, for: 30 s}\n"
NIGHT = """\
  - {step: charge, current: 0.7 C, voltage: recommended, termination current: 0.05 C}
  - {step: discharge, current: 1 C, cut-off voltage: recommended}
"""


def found(
    folder: Path, steps: str, pause_after: int, paused_in: str = "discharging", lasts: int = 20
) -> tuple[dict, list[str]]:
    """Every figure, by its key, and what was left out, of a run that was paused for so many ticks
    after so many ticks in a state (0: it was not)."""
    profile = folder / "profile.yaml"
    profile.write_text(f"{LIMITS}{steps}  - {{step: rest, for: 1 min}}\n", encoding="utf-8")
    documents = read_run_documents(RunOptions(profile, CELL, BENCH))
    is_asked = False

    def options(state: str, ticks: int) -> str:
        nonlocal is_asked
        if (state, ticks, is_asked) == (paused_in, pause_after, False):
            is_asked = True
            return "pause"
        return "continue" if (state, ticks) == ("paused", lasts) else ""

    outcome = record(folder / "run", options, twin=make_twin(documents), documents=documents)
    assert outcome is not None
    assert outcome.state is State.DONE
    told = analyse(analysis_input.tested_from(read_run(folder / "run")))
    return {one.key: one for one in told.figures}, list(told.excluded)


@pytest.mark.parametrize("pause_after", [0, 60])
def test_a_pulse_that_was_paused_was_held_for_no_longer_than_until_then(tmp_path, pause_after):
    """After 15 s of 30 s: no resistance after 30 s, and no current that was held for 50 s."""
    figures, _ = found(tmp_path, PULSE, pause_after)
    assert "resistance.pulse.2.10s" in figures
    assert ("resistance.pulse.2.30s" in figures) is not bool(pause_after)
    assert ("highest-current.discharge" in figures) is not bool(pause_after)


@pytest.mark.parametrize("pause_after", [0, 300])
def test_a_discharge_that_was_paused_is_no_capacity(tmp_path, pause_after):
    """A cell that rests on the way gives more (DESIGN, section 9: an interrupted discharge never
    yields a capacity)."""
    figures, excluded = found(tmp_path, NIGHT, pause_after)
    assert ("capacity.discharge.3" in figures) is not bool(pause_after)
    assert ("highest-current.discharge" in figures) is not bool(pause_after)
    paused = [one for one in excluded if "no capacity: it was paused on the way" in one]
    assert bool(paused) is bool(pause_after)
    moved = figures["charge-moved.discharge.3"].flags
    assert ("it was paused on the way: this is no capacity" in moved) is bool(pause_after)


def test_a_pause_between_two_steps_is_a_longer_rest(tmp_path):
    """The cell is looked at all the time, so that the capacity stands; it is the same as without
    (the twin's own truth moves by its self-discharge alone), and the time is told as rest."""
    steps = NIGHT.replace(
        "  - {step: discharge", "  - {step: rest, for: 10 min}\n  - {step: discharge"
    )
    told = {}
    for lasts in (0, 600):
        (tmp_path / str(lasts)).mkdir()
        # The rest before the charge lasts 60 ticks, the one after it 600.
        figures, _ = found(tmp_path / str(lasts), steps, 100 if lasts else 0, "resting", lasts)
        told[lasts] = figures["capacity.discharge.4"]
        assert told[lasts].conditions["rest_s"] == pytest.approx(600.0 + lasts, abs=2.0)
    assert told[600].value == pytest.approx(told[0].value, abs=1e-3)

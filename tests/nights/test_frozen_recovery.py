"""A meter that freezes while the voltage recovers from a pulse: held against the twin whose meter
goes on."""

import pytest

from sequencer.analysis.analyse import analyse
from sequencer.analysis.results import Analysis
from sequencer.assembly import analysis_input
from sequencer.recording.run import read_run
from sequencer.vocabulary.verdict import Exit
from tests.nights.test_chamber import night

STEPS = (
    "{step: rest, for: 10 min}",
    "{step: pulse, direction: discharge, current: 1 C, for: 30 s}",
    "{step: rest, for: 5 min}",
)
KINDS = {
    "stuck": "kind: stuck reading\nreading: cell voltage",
    "stale": "kind: stale\ninstrument: voltage",
}


def found(folder, fault: str = "") -> Analysis:
    """What the report's figures are made of."""
    made = night(folder, *STEPS, chamber="", fault=fault)
    assert made.outcome.exit is Exit.DONE, made.outcome
    return analyse(analysis_input.tested_from(read_run(folder / "run")))


@pytest.fixture(scope="module")
def healthy(tmp_path_factory) -> Analysis:
    """The same night with a meter that goes on."""
    return found(tmp_path_factory.mktemp("healthy"))


def ohms(analysed, after: str) -> float:
    """The resistance of the recovery."""
    return analysed.figure(f"resistance.recovery.3.{after}").value


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_a_recovery_that_nobody_saw_tells_no_resistance(tmp_path, healthy, kind):
    """Frozen from 10 s after the pulse on, for 100 s: at 30 s it told what it was at 10 s, less
    than the cell has. What was read before stands, and why the other is left out."""
    fault = f"fault: frozen\n{kind}\ncounted from: discharging\nat: 41 s\nfor: 100 s\n"
    frozen = found(tmp_path, fault)
    assert ohms(healthy, "30s") > 1.02 * ohms(healthy, "10s")
    assert ohms(frozen, "10s") == pytest.approx(ohms(healthy, "10s"), rel=1e-3)
    assert frozen.figure("resistance.recovery.3.30s") is None
    (why,) = (one for one in frozen.excluded if "no resistance after 30 s" in one)
    assert why.startswith("step 3 (rest): no resistance after 30 s: the voltage reads digit for")
    assert "its meter stood still" in why
    assert not any("stood still" in one for one in healthy.excluded)

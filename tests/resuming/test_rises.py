"""A charge far above the usual voltage that was broken off: it rises anew, little by little."""

import itertools
from pathlib import Path

import pytest

from sequencer.assembly.benches import make_twin
from sequencer.plan.rest import first_rise
from sequencer.recording.run import read_run
from sequencer.replaying.recorded_run import replay_run
from sequencer.resuming.resumption import resume_from
from sequencer.run_documents.reading import RunOptions, read_run_documents
from sequencer.vocabulary.intent import State
from sequencer.watchdog.orphans import note_proof
from tests.builders import LIMITS, FixedPlan, charge, discharge, rest
from tests.nights.test_unusual_voltage import WORD, place
from tests.resuming.recorded import crash_in, ended, record
from tests.resuming.test_resuming import HOUR_LATER_NS, SEEN_OFF

__all__ = ["place"]
BOLD = LIMITS._replace(full_v=4.40)


def rises(*volts: float):
    """Charges to these voltages."""
    return [charge(0.3, one, 0.1) for one in volts]


@pytest.mark.parametrize(
    ("steps", "index", "first"),
    [
        (rises(4.2, 4.22, 4.24), 2, 0),
        (rises(4.2, 4.22, 4.24), 0, 0),
        ([discharge(1.0, 3.0), *rises(4.2), rest(60), *rises(4.22, 4.24)], 4, 1),
        ([*rises(4.2), discharge(1.0, 3.0), *rises(4.22)], 2, 2),
        (rises(4.22, 4.24), 1, 1),
    ],
)
def test_a_rise_begins_with_the_charge_to_the_ordinary_voltage(steps, index, first):
    """That of the same rise, whatever rests lie between; where there is none, it stays. A cell for
    no more than 4.35 V is charged at once."""
    assert first_rise(FixedPlan("test", BOLD, steps), index) == first
    assert first_rise(FixedPlan("test", LIMITS._replace(full_v=4.35), steps), index) == index


def test_a_rise_that_was_broken_off_is_begun_anew(place: Path, tmp_path):
    """At 4.32 V; the cell has relaxed by more than a rise. It skips what it has, goes on by 20 mV
    each, and what both runs put in stays bounded together."""
    (place / "profile.yaml").write_text(f"profile: bold\nsteps:\n{WORD}", encoding="utf-8")
    names = (place / f"{one}.yaml" for one in ("profile", "cell", "bench"))
    documents = read_run_documents(RunOptions(*names))
    twin, old, new = make_twin(documents), tmp_path / "old", tmp_path / "new"
    assert record(old, crash_in("charging", 1900), twin=twin, documents=documents) is None
    list(note_proof(old, SEEN_OFF, "test"))
    broken = read_run(old).last("state")
    assert broken is not None
    assert broken["drive"]["voltage_v"] > 4.25, broken
    resumes = resume_from(old, HOUR_LATER_NS)
    assert (resumes.told["first_step"], resumes.told["stopped_in"]) == (1, broken["step"])
    assert any("a charge rises little by little" in line for line in resumes.lines)
    put_in_ah = sum(one["charge_in_ah"] for one in ended(old))
    assert resumes.run_documents.already_in_ah > put_in_ah
    outcome = record(new, resumes=resumes, twin=make_twin(documents))
    assert outcome is not None
    assert outcome.state is State.DONE, outcome.trip
    driven = [one["drive"]["voltage_v"] for one in read_run(new).all("state") if "drive" in one]
    assert max(later - before for before, later in itertools.pairwise(driven)) < 0.021
    assert (replay_run(new).replayed.differences, replay_run(new).missing) == ((), ())

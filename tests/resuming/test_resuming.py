"""Taking up a run that broke off: what is begun again, what is left out, what is refused."""

import json
import os
import shutil
from pathlib import Path
from unittest.mock import Mock

import pytest

from sequencer.recording.manifest import FORMAT
from sequencer.recording.run import read_manifest, read_run
from sequencer.recording.summary import summarise
from sequencer.replaying.recorded_run import replay_run
from sequencer.resuming.resumption import changed_since, resume_from
from sequencer.vocabulary.faults import RefusedError
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.verdict import Level, Proof
from sequencer.watchdog import locks
from sequencer.watchdog.afterword import write_afterword
from sequencer.watchdog.orphans import note_proof
from tests.resuming.recorded import (
    BEGAN_UNIX_NS,
    SleepyClock,
    crash_in,
    ended,
    nobody,
    record,
)
from tests.safety.small_night import START_NS, make_twin, run_documents

HOUR_LATER_NS = BEGAN_UNIX_NS + 3_600_000_000_000
SEEN_OFF = Proof(Level.A, ("a test has seen it",), 0.01, contradicted=False)


def crashed(folder: Path, state: str, ticks: int, **extra: object) -> Path:
    """A run that crashed there and was made safe afterwards."""
    assert record(folder, crash_in(state, ticks), **extra) is None
    assert list(note_proof(folder, SEEN_OFF, "test")) == []
    return folder


@pytest.fixture(scope="module")
def in_charge(tmp_path_factory) -> Path:
    """Crashed twenty ticks into the charge."""
    return crashed(tmp_path_factory.mktemp("charge") / "old", "charging", 20)


@pytest.fixture
def old(in_charge, tmp_path) -> Path:
    """A copy of that run, to be damaged."""
    shutil.copytree(in_charge, tmp_path / "old")
    return tmp_path / "old"


def reasons(folder: Path) -> str:
    """Why a run is not resumed."""
    with pytest.raises(RefusedError) as refusal:
        resume_from(folder, HOUR_LATER_NS)
    return "\n".join(refusal.value.reasons)


def test_a_charge_is_begun_again_with_what_is_left_of_it(old, tmp_path):
    """The rest is run to the end, linked to the old run, with the gap; the charge is marked, what
    had been put in counts on, and a replay of the new folder decides the same."""
    resumes = resume_from(old, HOUR_LATER_NS)
    told = resumes.told
    assert (told["run"], told["folder"]) == (read_manifest(old)["run"], "old")
    last_ns = read_run(old).rows[-1].sample.at_ns
    assert told["gap_s"] == pytest.approx(3600.0 - (last_ns / 1e9 - 1.0), abs=1e-3)
    assert (told["first_step"], told["left_out"]) == (2, None)
    lasted_s = told["again"]["lasted_s"]
    # 0.7 C of 3 Ah is 2.1 A; 1 Ah is 3600 C.
    assert told["again"]["charge_in_ah"] == pytest.approx(2.1 * lasted_s / 3600, rel=0.03)
    assert resumes.run_documents.already_in_ah == told["again"]["charge_in_ah"]
    first = resumes.run_documents.plan[0]
    assert first.stops[-1].value == pytest.approx(70.0 - lasted_s)
    assert "begun again after an interruption" in first.sentence
    assert any("goes on with step 2" in line for line in resumes.lines)
    assert any("the gap since then: 59 min" in line for line in resumes.lines)
    new = tmp_path / "new"
    outcome = record(new, nobody, resumes=resumes)
    assert outcome is not None
    assert outcome.state is State.DONE
    steps = ended(new)
    assert [one["step"] for one in steps] == list(range(2, len(run_documents().plan) + 1))
    assert [one["step"] for one in steps if one["interrupted"]] == [2]
    assert (steps[0]["ended_ns"] - steps[0]["began_ns"]) / 1e9 == pytest.approx(
        70.0 - lasted_s, abs=1.0
    )
    replayed = replay_run(new)
    assert (replayed.replayed.differences, replayed.missing) == ((), ())
    assert summarise(read_run(new))["resumes"]["run"] == told["run"]
    broken = summarise(read_run(old))["interrupted_step"]
    assert (broken["step"], broken["interrupted"]) == (2, True)


def test_a_run_that_its_watchdog_ended_is_taken_up(old):
    """Its program was killed, and whoever wrote the end knew no bench time."""
    why = "the program that ran the test is gone (ended by SIGKILL)"
    end = {"at_ns": None, "ending": "faulted", "exit": 6, "reason": why, "by": "watchdog"}
    write_afterword(old, [("end", end)])
    resumes = resume_from(old, HOUR_LATER_NS)
    assert resumes.told["first_step"] == 2
    assert any(why in line for line in resumes.lines)


def test_what_a_supply_gave_while_the_computer_slept_counts_as_put_in(tmp_path):
    """No row has it: the charge that is begun again puts in so much less, and lasts less long; the
    gap begins when it woke, and what is recorded afterwards bears that wall time."""
    clock, old = SleepyClock(START_NS), tmp_path / "old"
    outcome = record(old, clock.sleep_in("charging", 10, 30.0), clock=clock)
    assert outcome is not None
    assert outcome.trip is not None
    assert outcome.trip.reason == "the computer slept for 30.0 s"
    told = resume_from(old, HOUR_LATER_NS)
    awake_s = told.told["again"]["lasted_s"] - 30.0
    assert 5.0 < awake_s < 15.0
    again_ah = told.told["again"]["charge_in_ah"]
    assert again_ah == pytest.approx(2.1 * (awake_s + 30.0) / 3600, rel=0.03)
    assert told.run_documents.already_in_ah == again_ah
    assert told.run_documents.plan[0].stops[-1].value == pytest.approx(70.0 - awake_s - 30.0)
    assert any("the computer slept for 30 s in it" in line for line in told.lines)
    last_s = read_run(old).rows[-1].sample.at_ns / 1e9 - 1.0
    assert told.told["gap_s"] == pytest.approx(3600.0 - last_s - 30.0, abs=1e-3)
    first, *_, last = (old / "samples.csv").read_text(encoding="utf-8").splitlines()
    unix_s = float(last.split(",")[first.split(",").index("Unix Time / s")])
    assert unix_s == pytest.approx(BEGAN_UNIX_NS / 1e9 + last_s + 30.0, abs=1e-3)


def test_a_rest_is_a_whole_rest_again(tmp_path):
    """A rest in the middle of which the record stopped relaxes from the start."""
    resumes = resume_from(crashed(tmp_path / "old", "resting", 5), HOUR_LATER_NS)
    first = resumes.run_documents.plan[0]
    assert (first.number, first.stops) == (1, run_documents().plan[0].stops)
    assert first.bound_s == run_documents().plan[0].bound_s
    assert first.is_begun_again


def test_an_interrupted_discharge_without_a_charge_after_it_is_not_taken_up(tmp_path):
    """Pulses would follow, from a state of charge that nobody knows; the summary marks it."""
    folder = crashed(tmp_path / "old", "discharging", 5)
    assert "an interrupted discharge is not taken up" in reasons(folder)
    broken = summarise(read_run(folder))["interrupted_step"]
    assert (broken["step"], broken["interrupted"]) == (3, True)
    assert broken["charge_out_ah"] > 0.0


def test_a_resumed_run_that_breaks_off_is_taken_up_too(old, tmp_path):
    """What both runs had put in is added up, and the link leads to the second."""
    resumes = resume_from(old, HOUR_LATER_NS)
    second = tmp_path / "second"
    assert record(second, crash_in("charging", 10), resumes=resumes) is None
    list(note_proof(second, SEEN_OFF, "test"))
    again = resume_from(second, HOUR_LATER_NS)
    assert again.told["first_step"] == 2
    assert again.told["again"]["lasted_s"] > resumes.told["again"]["lasted_s"] + 5.0
    assert again.run_documents.already_in_ah == pytest.approx(again.told["again"]["charge_in_ah"])
    assert again.run_documents.already_in_ah > resumes.run_documents.already_in_ah
    resumes.mark_old(second, "its-id")
    assert "was resumed already" in reasons(old)
    assert read_run(old).last("resumed") == {"by": "its-id", "folder": str(second)}


def test_an_aborted_run_is_taken_up_between_two_steps(tmp_path):
    """Aborted in a changeover: the next step begins as it was planned, nothing is marked."""
    options = lambda state, ticks: "abort" if (state, ticks) == ("changeover", 1) else ""  # noqa: E731
    outcome = record(tmp_path / "old", options)
    assert outcome is not None
    resumes = resume_from(tmp_path / "old", HOUR_LATER_NS)
    assert (resumes.told["first_step"], resumes.told["again"]) == (1, None)
    assert not resumes.run_documents.plan[0].is_begun_again
    assert any("its cause is found and removed" in line for line in resumes.lines)


def test_the_cell_must_be_where_it_was_left(old):
    """Relaxed after the charge is plausible; emptied, another, absent or not a number is not."""
    left = resume_from(old, HOUR_LATER_NS).left
    assert left.doubts(left.last_v) == []
    assert left.doubts(left.last_v - 0.15) == []
    for volts in (left.last_v - 0.5, left.last_v + 0.1, 0.0, float("nan")):
        assert "the record stopped at" in left.doubts(volts)[0]


def edit(folder: Path, **changes: object) -> None:
    """Change what the manifest says."""
    path = folder / "manifest.json"
    path.write_text(json.dumps({**json.loads(path.read_text(encoding="utf-8")), **changes}))


def test_a_living_run_is_refused(old):
    """Its lock is held."""
    held = locks.hold(old / locks.LIVE, {})
    try:
        assert "alive" in reasons(old)
    finally:
        os.close(held)


def test_a_run_whose_off_is_not_proven_is_refused(tmp_path):
    """The way out is said."""
    record(tmp_path / "old", crash_in("charging", 20))
    assert f"nightbench make-safe {tmp_path / 'old'}" in reasons(tmp_path / "old")


def test_a_run_that_is_done_is_refused(tmp_path):
    """There is nothing to go on with."""
    record(tmp_path / "old")
    assert "this run is done" in reasons(tmp_path / "old")


def test_a_run_that_was_refused_is_refused(tmp_path, monkeypatch):
    """It never began."""
    stranger = make_twin()
    refusing = Mock(side_effect=RefusedError(["not this cell"]))
    monkeypatch.setattr(stranger, "read", refusing)
    outcome = record(tmp_path / "old", twin=stranger)
    assert outcome is not None
    assert outcome.state is State.REFUSED
    assert "run it anew" in reasons(tmp_path / "old")


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"format": 1}, f"its record is of format 1, this nightbench writes {FORMAT}"),
        ({"rehearsal": True}, "a rehearsal"),
        ({"simulated": True, "control": ["127.0.0.1", 5025]}, "nightbench bench serve"),
    ],
)
def test_what_the_manifest_rules_out(old, changes, said):
    """Another format, no real bench, or a bench that is gone."""
    edit(old, **changes)
    assert said in reasons(old)


def test_documents_that_read_otherwise_are_refused(old):
    """As resolved then is what counts: a version that resolves them otherwise may not go on."""
    documents = json.loads((old / "manifest.json").read_text(encoding="utf-8"))["documents"]
    documents[0]["resolved"]["profile"] = "Another"
    edit(old, documents=documents)
    assert "reads what the profile says otherwise" in reasons(old)


def test_a_document_that_does_not_fit_its_hash_is_refused(old):
    """Somebody changed the text."""
    documents = json.loads((old / "manifest.json").read_text(encoding="utf-8"))["documents"]
    documents[0]["text"] += "# changed\n"
    edit(old, documents=documents)
    assert "does not fit its hash" in reasons(old)


def test_documents_that_were_edited_since_are_said_and_not_followed(old, tmp_path):
    """A person who tightens a limit after the interruption must not believe that it holds: what the
    files said when the run began does. One that is gone is compared with nothing, and a profile
    that was given settings never."""
    assert not any("changed since" in line for line in resume_from(old, HOUR_LATER_NS).lines)
    manifest = json.loads((old / "manifest.json").read_text(encoding="utf-8"))
    for place, name in enumerate(("profile", "cell", "bench")):
        one = manifest["documents"][place]
        assert one["role"] == name
        one["path"] = str(tmp_path / f"{name}.yaml")
        (tmp_path / f"{name}.yaml").write_text(one["text"])
    edit(old, documents=manifest["documents"])
    assert not any("changed since" in line for line in resume_from(old, HOUR_LATER_NS).lines)
    cell, profile = tmp_path / "cell.yaml", tmp_path / "profile.yaml"
    cell.write_text(cell.read_text(encoding="utf-8") + "# tightened\n")
    profile.write_text("profile: [")
    (tmp_path / "bench.yaml").unlink()
    (said,) = [line for line in resume_from(old, HOUR_LATER_NS).lines if "changed since" in line]
    assert said == (
        f"! changed since that run began, and not followed: {profile}, {cell}: what they said then "
        "holds; to use what they say now, begin anew with 'nightbench run'"
    )
    manifest["documents"][0]["resolved"]["set_"] = {"rate": 0.5}
    edit(old, documents=manifest["documents"])
    assert list(changed_since(read_run(old).manifest)) == [str(cell)]


def test_a_wall_clock_that_was_set_back_tells_no_gap(old):
    """By less than the gap: it was told as so much shorter, and a cell that had been low for hours
    as recharged in time. A sleep, a start of the computer and what another one says are no such
    thing."""
    last_ns = read_run(old).rows[-1].sample.at_ns
    gap_ns = round(resume_from(old, HOUR_LATER_NS).told["gap_s"] * 1e9)

    def gap_s(bench_ns: int) -> float:
        return resume_from(old, HOUR_LATER_NS, bench_ns).told["gap_s"]

    for passed_ns in (gap_ns, gap_ns + 10_000_000_000, 60_000_000_000):
        assert gap_s(last_ns + passed_ns) == gap_ns / 1e9
    assert gap_s(1_000_000_000) == gap_ns / 1e9
    assert gap_s(last_ns + gap_ns + 10_001_000_000) == pytest.approx(-10.001)
    lines = resume_from(old, HOUR_LATER_NS, last_ns + 2 * gap_ns).lines
    assert any("the gap since then: unknown: the clock went back" in one for one in lines)
    edit(old, host="another")
    assert gap_s(last_ns + 2 * gap_ns) == gap_ns / 1e9

"""An invented night for the screens: two steps, and any ending that is wanted."""

import math
from pathlib import Path
from typing import Any

from sequencer.ports import StepMark
from sequencer.recording.folder import RunFolder
from sequencer.recording.manifest import Source, Start, compose
from sequencer.vocabulary.faults import Fault, FaultKind
from sequencer.vocabulary.sample import Sample
from tests.recording.invented import RUN_ID, SECOND, StillTime

START = Start(1_000_000_000, 1_760_000_000_000_000_000)
LIMITS = {
    "floor_v": 2.75,
    "ceiling_v": 4.25,
    "charge_current_a": 3.0,
    "discharge_current_a": 9.0,
    "charge_low_c": 12.0,
    "charge_high_c": 40.0,
    "discharge_low_c": 5.0,
    "discharge_high_c": 50.0,
    "total_time_s": 100_000.0,
}
SENTENCE = "Charge at 2.10 A (0.7 C) to 4.200 V, then hold 4.200 V until the current is 0.150 A"
PROVEN = {
    "level": "A",
    "evidence": ["contactor feedback open", "supply reads 0.000 A, output off"],
    "honest_a": 0.0,
    "lying_a": 0.0,
    "contradicted": False,
}
REFUTED = {
    "level": "C",
    "evidence": ["load reads 2.9 A"],
    "honest_a": None,
    "lying_a": None,
    "contradicted": True,
}
TRIP = {
    "interlock": "temperature high",
    "reason": "surface 40.3 degC is not between 12 degC and 40 degC",
    "at_ns": 1_000_000_000 + 700 * SECOND,
    "ending": "tripped",
}


def begin(
    folder: Path, *, title: str = "overnight rates", bench: Any = None, **facts: Any
) -> RunFolder:
    """The record, its start entry and its first proof."""
    cell = Source("cell", "lamp.yaml", b"", {"cell": "Lamp pouch 3 Ah"})
    documents = [cell, *([Source("bench", "attic.yaml", b"", bench)] if bench else [])]
    manifest = compose(
        title, START, documents=documents, specimen={"specimen": "LP-07"}, run_id=RUN_ID
    )
    run = RunFolder.create(folder, manifest, START, real_ns=StillTime(), sync_every_s=None)
    run.note("start", {"title": title, "steps": 9, "bench": "attic", "limits": LIMITS, **facts})
    run.note("proof", PROVEN)
    return run


def charge(
    run: RunFolder,
    seconds: int = 600,
    *,
    resting: int = 60,
    quiet_sensor: bool = False,
    sensorless: bool = False,
    faults=(),
) -> None:
    """A rest of a minute (its first ``resting`` seconds), then a charge of ``seconds`` so far; each
    second a row."""
    run.note("state", _state(1, "rest", "Rest for 1 min", "resting", 0))
    for second in range(resting):
        run.append(_sample(second, 3.6, 0.0), _mark(1, "rest", 0, 0.0))
    run.note("step ended", ended(1, "rest", 0, 60, 0.0))
    run.note("command", {"direction": "charge", "current_a": 2.1, "voltage_v": 4.2})
    run.note("state", _state(2, "CC-CV charge", SENTENCE, "charging", 60, label="first fill"))
    for second in range(60, 60 + seconds):
        volts = 3.7 + 0.5 * (1 - math.exp(-(second - 60) / 300))
        sample = _sample(second, round(volts, 6), 2.1)
        if quiet_sensor:
            sample = sample._replace(surface_at_ns=START.bench_ns + 60 * SECOND)
        if sensorless:
            sample = sample._replace(surface_c=math.nan, surface_at_ns=0)
        last = second == 59 + seconds
        sample = sample._replace(faults=faults if last else ())
        run.append(sample, _mark(2, "CC-CV charge", 60, (second - 60) * 2.1 / 3600))


def state_of(run: RunFolder, state: str, second: int) -> None:
    """The charge in another state, so many seconds after the start."""
    run.note("state", _state(2, "CC-CV charge", SENTENCE, state, second, label="first fill"))


def finish(run: RunFolder, ending: str, code: int, proof=PROVEN, trip=None, reason="") -> None:
    """The last entries of a journal."""
    at_ns = START.bench_ns + 710 * SECOND
    if trip:
        run.note("trip", trip)
    else:
        run.note("step ended", ended(2, "CC-CV charge", 60, 660, 0.35))
    run.note("proof", proof)
    run.note("end", {"ending": ending, "exit": code, "reason": reason, "at_ns": at_ns})
    run.close()


def ended(step, words, began, done, charge_ah):
    """A finished step, as the executive notes it."""
    return {
        "step": step,
        "cycle": 1,
        "words": words,
        "label": "",
        "reason": "time 60 s" if step == 1 else "termination current 0.150 A",
        "began_ns": START.bench_ns + began * SECOND,
        "ended_ns": START.bench_ns + done * SECOND,
        "charge_in_ah": charge_ah,
        "charge_out_ah": 0.0,
        "energy_in_wh": charge_ah * 4,
        "energy_out_wh": 0.0,
        "start_v": 3.6,
        "end_v": 3.6 if step == 1 else 4.2,
        "end_a": 0.0 if step == 1 else 0.15,
        "highest_c": 25.0 + step,
        "low_v": 3.6,
        "high_v": 4.2,
    }


def _state(step, words, sentence, state, began, label=""):
    return {
        "at_ns": START.bench_ns + began * SECOND,
        "state": state,
        "step": step,
        "words": words,
        "sentence": sentence,
        "label": label,
        "bound_s": 16_200.0,
        "stops": [{"words": "termination current 0.150 A" if step == 2 else "time 60 s"}],
    }


def _sample(second, volts, amps):
    at_ns = START.bench_ns + second * SECOND
    return Sample(
        at_ns,
        voltage_v=volts,
        voltage_at_ns=at_ns,
        current_a=amps,
        current_at_ns=at_ns,
        surface_c=26.1,
        surface_at_ns=at_ns,
        supply_on=int(amps > 0),
        load_on=0,
        contactor_closed=1,
        contactor_at_ns=at_ns,
    )


def _mark(count, words, began, charge_ah):
    kind = "rest" if count == 1 else "charge"
    began_ns = START.bench_ns + began * SECOND
    return StepMark(count, 1, words, kind, began_ns, charge_ah, 0.0, charge_ah * 4, 0.0)


NO_REPLY = Fault(FaultKind.NO_REPLY, "logger", "surface_c", "none in 0.5 s")

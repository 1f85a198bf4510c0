"""An invented run, made by the real writer: the test data of the recording and screens rooms."""

from collections.abc import Iterator
from pathlib import Path

from sequencer.ports import StepMark
from sequencer.recording.export import ENDING, export_as, next_stem
from sequencer.recording.folder import RunFolder
from sequencer.recording.manifest import Start, compose
from sequencer.recording.medium import DISK, Disk
from sequencer.recording.run import read_run
from sequencer.vocabulary.faults import Fault, FaultKind
from sequencer.vocabulary.sample import Host, Sample

START = Start(5_000_000_000, 1_760_000_000_123_456_000)
RUN_ID = "0b7c7a52-6a9e-4a53-9d0e-0c6e5f1c2a11"
SECOND = 1_000_000_000


class StillTime:
    """Real time that moves only when told."""

    def __init__(self) -> None:
        self.now_ns = 1

    def __call__(self) -> int:
        """The time."""
        return self.now_ns


def create(path: Path, disk: Disk = DISK, real_ns: StillTime | None = None) -> RunFolder:
    """An empty record that syncs only when asked."""
    return RunFolder.create(
        path,
        compose("overnight rates", START, run_id=RUN_ID, rehearsal=True),
        START,
        real_ns=real_ns or StillTime(),
        disk=disk,
        sync_every_s=None,
    )


def ticks(count: int) -> Iterator[tuple[Sample, StepMark]]:
    """A sagging discharge: a slow thermometer, a tab sensor never read, a fault, a host change."""
    for number in range(1, count + 1):
        at_ns = START.bench_ns + number * SECOND
        slow_ns = START.bench_ns + number // 5 * 5 * SECOND
        fault = Fault(FaultKind.NO_REPLY, "logger", "surface", 'none in 0.5 s, "sorry"')
        sample = Sample(
            at_ns,
            late_ns=0 if number % 7 else 1_234_000,
            voltage_v=round(3.7 - number * 0.001, 6),
            voltage_at_ns=at_ns - 2_000,
            current_a=-1.234567,
            current_at_ns=at_ns,
            load_v=round(3.69 - number * 0.001, 6),
            load_a=-1.234,
            load_at_ns=at_ns,
            surface_c=round(23.0 + slow_ns / 1e10, 3) if number >= 5 else float("nan"),
            surface_at_ns=slow_ns if number >= 5 else 0,
            supply_on=0,
            load_on=1,
            contactor_closed=1 if number > 1 else -1,
            contactor_at_ns=at_ns if number > 1 else 0,
            faults=(fault,) if number % 9 == 0 else (),
            host=Host(free_bytes=1 << 30) if number > count // 2 else Host(),
        )
        step = 1 if number <= count // 2 else 2
        out_ah, out_wh = round(number * 0.000343, 9), round(number * 0.00126, 9)
        began_ns = START.bench_ns
        name = "CC discharge" if step == 1 else 'rest, "so to say"'
        yield sample, StepMark(step, 1, name, "discharge", began_ns, 0.0, out_ah, 0.0, out_wh)


def write_run(path: Path, count: int = 10, disk: Disk = DISK) -> Path:
    """A whole small run, ended."""
    run = create(path, disk)
    run.note("start", {"profile": "overnight rates", "steps": 2})
    for sample, mark in ticks(count):
        run.append(sample, mark)
        if mark.charge_out_ah and sample.late_ns:
            run.note("checkpoint-like", {"at_ns": sample.at_ns, "odd": float("nan")})
    run.note("end", {"ending": "done", "exit": 0, "reason": "", "at_ns": sample.at_ns})
    run.close()
    return path


def same(one: Sample, other: Sample) -> bool:
    """Equal field by field, two NaN being equal."""
    return all(a == b or (a != a and b != b) for a, b in zip(one, other, strict=True))


def exported(folder: Path, to: Path | None = None, institution: str = "") -> tuple[Path, list[str]]:
    """The run's samples as a bundle has them, alone in ``to``; the file, and what was missing."""
    run, place = read_run(folder), to or folder
    target = place / f"{next_stem(place, run.manifest, institution)}{ENDING}"
    return target, export_as(target, run, run.manifest)

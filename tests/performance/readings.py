"""Six readings from four instruments: what each costs above raw PyVISA, and lateness at 20 Hz."""

import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pyvisa

from drivers.instruments.instrument import Instrument
from drivers.transports.choice import transport_for
from sequencer.run_documents.reading import RunDocuments, RunOptions, read_run_documents
from sequencer.vocabulary.sample import Sample
from tests.performance.desk import Desk, desk, serving
from tests.performance.figure import Figure, percentile
from tests.performance.loop import PERIOD_NS, Stopwatch, run_for
from tests.performance.rehearsal import ROOT

ASKED = {
    "supply": "measure",
    "load": "measure",
    "meter": "measure voltage",
    "logger": "measure temperature",
}
"""Two readings of the first two, one of the others: six."""
READINGS = 6
_ROUNDS = 300
_TURNS = 5
_LEAST_ROWS = 200


def read_four(place: Path) -> RunDocuments:
    """The demonstration bench without its contactor, its logger on a socket too."""
    bench = (ROOT / "sim_configs/benches/demonstration.yaml").read_text(encoding="utf-8")
    lines = [
        one for one in bench.splitlines() if "contactor" not in one and "place: room" not in one
    ]
    text = "\n".join(lines).replace("../cells", str(ROOT / "sim_configs/cells"))
    text = text.replace("generic-line-thermometer", "logger")
    logger = (ROOT / "drivers/definitions/generic-line-thermometer.yaml").read_text(
        encoding="utf-8"
    )
    logger = logger.replace("generic-line-thermometer", "logger")
    (place / "bench.yaml").write_text(text)
    (place / "logger.yaml").write_text(
        logger.replace("kinds: [serial, socket]", "kinds: [socket, visa]")
    )
    return read_run_documents(
        RunOptions(
            ROOT / "profiles/overnight-rates.yaml",
            ROOT / "profiles/cells/lamp-pouch.yaml",
            place / "bench.yaml",
        )
    )


class EverythingEveryTick(Stopwatch):
    """Asks for all six in every tick, also for what decides nothing, and keeps the samples."""

    def __init__(self, opened: Desk) -> None:
        super().__init__(opened)
        self.samples: list[Sample] = []

    def read(self, at_ns: int, late_ns: int, period_ns: int) -> Sample:
        """Everything is due."""
        for lane in self._bench._lanes.values():  # what a run has no reason to ask for
            lane.hurry()
        self.samples.append(super().read(at_ns, late_ns, period_ns))
        return self.samples[-1]


def readings() -> Iterator[Figure]:
    """Cost above raw PyVISA; lateness at 20 Hz with all six asked in every tick; skew."""
    with tempfile.TemporaryDirectory() as place:
        run_documents = read_four(Path(place))
        yield _above_raw(run_documents)
        with desk(run_documents, real_time=True) as opened:
            watch = EverythingEveryTick(opened)
            run_for(opened, watch, 15.0)
    late_ms = percentile(watch.late_ns, 99) / 1e6
    read_us = percentile(watch.read_ns, 50) / 1e3
    yield Figure(
        f"lateness at 20 Hz, six readings of four instruments in every tick, p99 of "
        f"{len(watch.late_ns)}",
        f"{late_ms:.2f} ms (median of reading all {read_us:.0f} us)",
        "<= 2 ms",
        "",
        late_ms <= 2.0 and len(watch.late_ns) >= _LEAST_ROWS,
    )
    rows = [one for one in watch.samples if one.voltage_at_ns and one.current_at_ns]
    skews = [abs(one.voltage_at_ns - one.current_at_ns) / 1e3 for one in rows]
    yield Figure(
        f"skew of voltage and current, of {len(rows)} rows (both times stand in each)",
        f"median {percentile(skews, 50):.0f} us, p99 {percentile(skews, 99):.0f} us,"
        f" most {max(skews):.0f} us",
        f"both in every row; below a tick of {PERIOD_NS / 1e6:.0f} ms",
        "",
        len(rows) == len(watch.samples) and max(skews) * 1e3 < PERIOD_NS,
    )


def _above_raw(run_documents: RunDocuments) -> Figure:
    with serving(run_documents) as served:
        raw, ours = [], []
        for _ in range(_TURNS):  # one client at a time: they take turns
            raw.append(_raw_us(run_documents, served.addresses))
            ours.append(_our_us(run_documents, served.addresses))
    above_us = statistics.median(ours) - statistics.median(raw)
    return Figure(
        f"a reading above raw PyVISA, {READINGS} readings of {len(ASKED)} instruments one after"
        f" another, median of {_ROUNDS} rounds and {_TURNS} turns",
        f"{above_us:.0f} us ({statistics.median(ours):.0f} us a reading)",
        "<= 150 us",
        f"raw PyVISA, the same questions: {statistics.median(raw):.0f} us a reading",
        above_us <= 150.0,
    )


def _per_reading_us(round_of: Callable[[], object]) -> float:
    took = []
    for _ in range(_ROUNDS):
        began = time.perf_counter_ns()
        round_of()
        took.append(time.perf_counter_ns() - began)
    return percentile(took, 50) / 1e3 / READINGS


def _raw_us(run_documents: RunDocuments, addresses: dict[str, str]) -> float:
    manager = pyvisa.ResourceManager("@py")
    asked: list[tuple[Any, str]] = []
    for name, operation in ASKED.items():
        session = manager.open_resource(
            addresses[name], read_termination="\n", write_termination="\n", timeout=5000
        )
        query = run_documents.definitions[name].operations[operation].query or ""
        asked.append((session, query.replace("{channel}", "1")))
    took_us = _per_reading_us(lambda: [session.query(text) for session, text in asked])
    for session, _ in asked:
        session.close()
    manager.close()
    return took_us


def _our_us(run_documents: RunDocuments, addresses: dict[str, str]) -> float:
    asked = []
    for name, operation in ASKED.items():
        found = run_documents.definitions[name]
        one = Instrument(name, found, transport_for(addresses[name], found.link, name))
        one.identify()
        asked.append((one, operation, 1 if name == "logger" else None))
    took_us = _per_reading_us(
        lambda: [one.perform(operation, None, channel) for one, operation, channel in asked]
    )
    for one, _, _ in asked:
        one.close()
    return took_us

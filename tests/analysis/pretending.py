"""Tables for tests, written as a recorder writes them, from functions of time."""

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np

from sequencer.analysis.results import StepEnd, Tested
from sequencer.documents.cell import CellDocument
from sequencer.vocabulary.table import StepName, Table
from tests.analysis.journaled import step_end

Wave = Callable[[np.ndarray], np.ndarray]


class Part(NamedTuple):
    """One step: times since its beginning (the last is its end), voltage and current by them."""

    kind: str
    times_s: np.ndarray
    volts: Wave
    amps: Wave
    name: str = ""
    reason: str = ""
    sentence: str = ""
    cycle: int = 1


def steady(value: float) -> Wave:
    """The same at all times."""
    return lambda t: np.full(len(t), value)


def every(period_s: float, until_s: float) -> np.ndarray:
    """Times after the edge: one period, two periods ... the end."""
    return np.arange(1, round(until_s / period_s) + 1) * period_s


def rest(seconds: float, volts: float | Wave, period_s: float = 1.0) -> Part:
    """A rest that ran to its end."""
    wave = volts if callable(volts) else steady(volts)
    return Part("rest", every(period_s, seconds), wave, steady(0.0), "rest", "time", "Rest")


def discharge(
    amps: float, seconds: float, volts: Wave, period_s: float = 1.0, cut_off_v: float = 3.0
) -> Part:
    """A constant-current discharge that its cut-off ended."""
    return Part(
        "discharge",
        every(period_s, seconds),
        volts,
        steady(-amps),
        "CC discharge",
        f"voltage at or below {cut_off_v:.3f} V",
        f"Discharge at {amps:.3f} A (1 C) until the voltage has fallen to {cut_off_v:.3f} V",
    )


def charge(amps: Wave, seconds: float, volts: Wave, period_s: float = 1.0) -> Part:
    """A charge that its termination current ended."""
    return Part(
        "charge", every(period_s, seconds), volts, amps, "CC-CV charge", "termination current 0.1 A"
    )


def pulse(kind: str, amps: float, times_s: np.ndarray, volts: Wave) -> Part:
    """A pulse that its time ended."""
    signed = amps if kind == "charge" else -amps
    return Part(kind, times_s, volts, steady(signed), f"{kind} pulse", "time 10 s", "Pulse")


def table_of(parts: Sequence[Part], *, ours: bool = True, first_v: float = 3.7) -> Table:
    """One table. ``ours``: a step's first row holds the readings from before its edge, and its end
    is the first row of the next. Otherwise a step's rows all belong to it, its end included."""
    columns: list[list[np.ndarray]] = [[], [], [], [], []]
    began, before = 0.0, (first_v, 0.0)
    for number, part in enumerate(parts, start=1):
        volts, amps = part.volts(part.times_s), part.amps(part.times_s)
        times = began + part.times_s
        last = number == len(parts)
        rows: tuple[np.ndarray, ...] = (times, volts, amps)
        if ours:
            firsts = (began, *before)
            stop = None if last else -1
            rows = tuple(
                np.concatenate(([first], row[:stop]))
                for first, row in zip(firsts, rows, strict=True)
            )
        for column, row in zip(columns, rows, strict=False):
            column.append(row)
        columns[3].append(np.full(len(rows[0]), number))
        columns[4].append(np.full(len(rows[0]), part.cycle))
        began, before = float(times[-1]), (float(volts[-1]), float(amps[-1]))
    time_s, volts, amps, step, cycle = (np.concatenate(column) for column in columns)
    names = {n: StepName(part.kind, part.name) for n, part in enumerate(parts, start=1)}
    return plain(time_s, volts, amps, step, names, cycle=cycle)


def plain(time_s, volts, amps, step, names, cycle=None) -> Table:
    """Columns as a table; both readings at the tick, no temperatures."""
    none = np.full(len(time_s), np.nan)
    return Table(
        time_s=np.asarray(time_s, float),
        voltage_v=np.asarray(volts, float),
        current_a=np.asarray(amps, float),
        voltage_time_s=np.asarray(time_s, float),
        current_time_s=np.asarray(time_s, float),
        step=np.asarray(step, np.int64),
        cycle=np.ones(len(time_s), np.int64) if cycle is None else np.asarray(cycle, np.int64),
        surface_c=none,
        tab_c=none,
        room_c=none,
        steps=names,
    )


def ends_of(parts: Sequence[Part]) -> dict[int, StepEnd]:
    """A journal that knows what stopped each step and leaves the sums out; a step in which the run
    tripped never ended."""
    return {
        number: step_end(number, part.sentence, part.reason)
        for number, part in enumerate(parts, start=1)
        if not part.reason.startswith("tripped")
    }


def cell(
    rated_ah: float = 2.5, low_v: float = 2.8, high_v: float = 4.2, **more: object
) -> CellDocument:
    """A cell document with nothing but what is needed."""
    limits = {
        "charge voltage": f"{high_v} V",
        "cut-off voltage": f"{low_v} V",
        "charge current": "1 C",
        "discharge current": "5 C",
        "charge temperature": {"low": "10 degC", "high": "45 degC"},
        "discharge temperature": {"low": "-10 degC", "high": "60 degC"},
    }
    lowest = {**limits, "cut-off voltage": f"{low_v - 0.3} V"}
    given = {
        "cell": "pretended",
        "chemistry": "NMC",
        "rated capacity": f"{rated_ah} Ah",
        "recommended": limits,
        "absolute": lowest,
        "storage voltage": "3.8 V",
        **more,
    }
    return CellDocument.model_validate(given)


def ran(parts: Sequence[Part], *, ours: bool = True, **more: object) -> Tested:
    """What an analysis is given, with a journal."""
    found = {"step_ends": ends_of(parts), **more}
    return Tested(table_of(parts, ours=ours), **found)

"""The machine over many samples at once: how far it decides nothing, and where it then stands.

The same as ``advance`` after each of them, to the last bit: its own questions are asked over
columns, and what adds up is added one after the other. Pure.
"""

from collections.abc import Sequence
from itertools import accumulate
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sequencer.machine.entries import mark_of
from sequencer.machine.machine import Machine
from sequencer.machine.stops import due_ns, is_met
from sequencer.machine.tally import NS_PER_2H, Moved, Tally
from sequencer.machine.tapering import arming
from sequencer.plan.cell_estimate import CellEstimate, wanted_a
from sequencer.ports import StepMark
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.intent import DRIVING, State
from sequencer.vocabulary.sample import TIME_STEP_NS, Sample

_new = tuple.__new__
_TOTALS = StepMark._fields.index("charge_in_ah")
"""Where the totals begin in a mark; what is set comes behind them."""
_ASKED = [
    Sample._fields.index(name)
    for name in ("at_ns", "voltage_v", "current_a", "current_at_ns", "surface_c", "room_c")
]
"""What stops and account ask of a sample."""


class Passed(NamedTuple):
    """The machine after some samples, and the mark of each one's row."""

    machine: Machine
    marks: Sequence[StepMark] = ()


def times_ahead(machine: Machine, most: int) -> range:
    """When the machine will want samples (bench time, ns) as long as nothing happens: at most so
    many, before the end of a timed step; none where its next sample may be a special one."""
    step, tally = machine.step, machine.tally
    if step is None or tally is None or machine.state not in (*DRIVING, State.RESTING):
        return range(0)
    every_ns, first_ns = step.sampling.every_ns, machine.due_ns
    gone_ns = first_ns - tally.began_ns
    is_begun = gone_ns >= step.sampling.edge_ns and tally.current_a == tally.current_a
    is_whole = first_ns % TIME_STEP_NS == every_ns % TIME_STEP_NS == gone_ns % every_ns == 0
    is_special = step.drive.follows_voltage or step.waits_for_person or tally.trend is not None
    if is_special or tally.agreeing or not (is_begun and is_whole):
        return range(0)
    end_ns = min(tally.began_ns + machine.timed_end_ns, first_ns + most * every_ns)
    return range(first_ns, end_ns, every_ns)


def over(machine: Machine, samples: Sequence[Sample]) -> Passed:
    """The machine after those of ``samples``, from the first on, that decide nothing: no stop is
    met, none asks for a faster look, and no current is down at its termination."""
    step, before = machine.step, machine.tally
    if step is None or before is None or not samples:
        return Passed(machine)
    columns = _columns(samples)
    totals = _totals(before, columns)
    decides = _decides(machine, before._replace(moved=Moved(*totals)), columns)
    estimates = _estimates(machine, samples)
    if estimates and step.drive.is_trimmed:
        anew = (_is_set_anew(machine, *one) for one in zip(estimates, samples, strict=True))
        decides |= np.fromiter(anew, np.bool_, len(samples))
    count = int(decides.argmax()) if decides.any() else len(samples)
    if not count:
        return Passed(machine)
    rows, volts = totals.T[:count].tolist(), columns.voltage_v[:count].tolist()
    tally = _account(machine, before, samples[:count])._replace(
        moved=Moved(*rows[-1]),
        low_v=min((before.low_v, *volts)),
        high_v=max((before.high_v, *volts)),
        highest_c=max((before.highest_c, *columns.surface_c[:count].tolist())),
    )
    due = due_ns(step.sampling, machine.timed_end_ns, tally.began_ns, tally.at_ns, fast=False)
    estimate = estimates[count - 1] if estimates else None
    after = machine._replace(
        estimate=estimate, tally=tally, due_ns=due, ended=(), pause=None, trip=None
    )
    mark = mark_of(after)
    place, set_a = mark[:_TOTALS], mark.set_a
    return Passed(after, [_new(StepMark, (*place, *row, set_a)) for row in rows])


def _estimates(machine: Machine, samples: Sequence[Sample]) -> list[CellEstimate]:
    """Of state of charge and temperature after each sample; none where no table is followed."""
    estimate, way = machine.estimate, machine.intent.drive.direction
    if estimate is None:
        return []
    estimates = accumulate(samples, lambda one, sample: one.after(sample, way), initial=estimate)
    return list(estimates)[1:]


def _is_set_anew(machine: Machine, estimate: CellEstimate, sample: Sample) -> bool:
    return wanted_a(machine.intent.drive, sample, estimate) != machine.set_a


def _columns(samples: Sequence[Sample]) -> Any:
    """A sample whose values are columns; those that are asked for are arrays."""
    columns: Any = list(zip(*samples, strict=True))
    for index in _ASKED:
        columns[index] = np.array(columns[index])
    return Sample._make(columns)


def _before(first: float, column: Any) -> NDArray[Any]:
    """The value before each one of a column."""
    return np.concatenate(([first], column[:-1]))


def _totals(before: Tally, columns: Any) -> NDArray[np.float64]:
    """Charge and energy in and out (Ah, Wh) after each sample: four rows. As ``moved_since``."""
    volts, amps, read_ns = columns.voltage_v, columns.current_a, columns.current_at_ns
    was_v, was_a = _before(before.voltage_v, volts), _before(before.current_a, amps)
    half_h = (read_ns - _before(before.current_at_ns, read_ns)) / NS_PER_2H
    charge_ah = (was_a + amps) * half_h
    energy_wh = (was_a * was_v + amps * volts) * half_h
    is_in = charge_ah >= 0.0
    moved = np.empty((len(before.moved), 1 + len(volts)))
    moved[:, 0] = before.moved
    moved[0, 1:], moved[1, 1:] = np.where(is_in, charge_ah, 0.0), np.where(is_in, 0.0, -charge_ah)
    moved[2, 1:], moved[3, 1:] = np.where(is_in, energy_wh, 0.0), np.where(is_in, 0.0, -energy_wh)
    return np.cumsum(moved, axis=1)[:, 1:]  # one after the other, as the tally adds them


def _decides(machine: Machine, tally: Tally, columns: Any) -> NDArray[np.bool_]:
    """At which samples ``advance`` may do more than count. With a current down at its termination
    it is how it came there that tells whether the step ends."""
    step, before = machine.step, machine.tally
    assert step is not None
    assert before is not None
    volts, amps = columns.voltage_v, columns.current_a
    decides: NDArray[np.bool_] = (
        np.abs(volts - _before(before.voltage_v, volts)) > step.sampling.on_voltage_v
    ) | (np.abs(amps - _before(before.current_a, amps)) > step.sampling.on_current_a)
    if machine.termination_a > 0.0:
        towards = amps if step.drive.direction is Direction.CHARGE else -amps
        decides |= towards <= machine.termination_a
    for stop in step.stops:
        decides |= is_met(stop, tally, columns)
    return decides


def _account(machine: Machine, before: Tally, samples: Sequence[Sample]) -> Tally:
    """The account after samples that decide nothing, but for what moved and for extremes."""
    step, last, armed = machine.step, samples[-1], before
    assert step is not None
    if machine.termination_a > 0.0:
        armed = armed._replace(vanished=False)  # no current is down there
        for sample in samples:
            if armed.held_voltage and armed.flowed:
                break
            ends_a, set_a = machine.termination_a, machine.set_a
            now = arming(armed, step.drive, machine.channels, ends_a, set_a, sample)
            if now != (armed.held_voltage, armed.flowed, armed.vanished):
                armed = armed._replace(held_voltage=now[0], flowed=now[1], vanished=now[2])
    return armed._replace(
        at_ns=last.at_ns,
        current_at_ns=last.current_at_ns,
        voltage_v=last.voltage_v,
        current_a=last.current_a,
    )

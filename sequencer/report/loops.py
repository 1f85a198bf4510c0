"""The loops of a run that end on what was measured: their passes and totals, from the journal.

Owns what the journal's lines *pass ended* mean for a reader. Knows no sample.
"""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from sequencer.machine.entries import PASS_ENDED
from sequencer.recording.run import RecordedRun
from sequencer.vocabulary.units import amp_hours, duration, percent, watt_hours

_SUMS = ("lasted_ns", "charge_in_ah", "charge_out_ah", "energy_in_wh", "energy_out_wh")
Moved = tuple[float, float, float, float, float]
"""How long it lasted (s); charge in and out (Ah); energy in and out (Wh)."""


class Pass(NamedTuple):
    """One pass: its number from 1, when it ended (s from the start), what it moved (None where an
    earlier run began it), its capacity (Ah) and that as a share of the first pass's, or None."""

    number: int
    ended_s: float
    moved: Moved | None
    capacity_ah: float | None
    retention: float | None


class LoopRun(NamedTuple):
    """One loop: the number of its first step, at most how many passes, those that ended, what they
    moved together, and what ended the loop (empty: its last pass, or the run)."""

    first_step: int
    at_most: int
    passes: tuple[Pass, ...]
    moved: Moved
    ended_by: str
    is_over: bool


def loops_of(run: RecordedRun) -> tuple[LoopRun, ...]:
    """Every loop of which a pass ended, in the order in which they began. Of two that begin with
    the same step the inner one is over before a pass of the outer one ends."""
    listed: dict[int, list[list[Mapping[str, Any]]]] = {}
    for one in run.all(PASS_ENDED):
        if isinstance(one.get("loop"), int) and isinstance(one.get("pass"), int):
            begun = listed.setdefault(one["loop"], [[]])
            if begun[0] and begun[0][-1].get("is_last") is True:
                begun.insert(0, [])
            begun[0].append(one)
    return tuple(
        _loop(first_step, told, run.start_ns)
        for first_step, begun in sorted(listed.items())
        for told in begun
    )


def _loop(first_step: int, told: Sequence[Mapping[str, Any]], start_ns: int) -> LoopRun:
    passes, before = [], None
    for one in told:
        sums = _sums(one)
        began = (0.0,) * len(_SUMS) if one["pass"] == 1 else before
        moved = None if began is None else tuple(a - b for a, b in zip(sums, began, strict=True))
        passes.append(_pass(one, moved, start_ns))
        before = sums
    last = told[-1]
    by = last.get("left_by")
    ended_by = str(by.get("words", "")) if isinstance(by, Mapping) else ""
    at_most = int(_number(last.get("times")) or 0)
    return LoopRun(
        first_step, at_most, tuple(passes), _sums(last), ended_by, last.get("is_last") is True
    )


def _pass(one: Mapping[str, Any], moved: Any, start_ns: int) -> Pass:
    ended_s = ((_number(one.get("at_ns")) or start_ns) - start_ns) / 1e9
    return Pass(
        one["pass"], ended_s, moved, _number(one.get("capacity_ah")), _number(one.get("retention"))
    )


def _sums(one: Mapping[str, Any]) -> Moved:
    lasted_ns, *moved = (_number(one.get(name)) or 0.0 for name in _SUMS)
    into_ah, out_ah, into_wh, out_wh = moved
    return lasted_ns / 1e9, into_ah, out_ah, into_wh, out_wh


def _number(value: Any) -> float | None:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if is_number else None


def sentence(loop: LoopRun) -> str:
    """What came of a loop: how many passes, how long, what was moved, why it ended."""
    lasted_s, into_ah, out_ah, into_wh, out_wh = loop.moved
    moved = [
        f"{amp_hours(ah)} and {watt_hours(wh)} {way}"
        for ah, wh, way in ((into_ah, into_wh, "put in"), (out_ah, out_wh, "taken out"))
        if ah > 0.0
    ]
    told = (
        f"Loop from step {loop.first_step}: {len(loop.passes)} of at most {loop.at_most} passes in "
        f"{duration(lasted_s)}"
    )
    told = ": ".join([told, ", ".join(moved)]) if moved else told
    measured = [one for one in loop.passes if one.retention is not None]
    if len(measured) > 1:
        last = measured[-1]
        told += f"; pass {last.number} gave {percent(last.retention or 0.0, 1)} of the first"
    if loop.ended_by:
        return f"{told}. It ended because {loop.ended_by}."
    return f"{told}. {'It ended with its last pass.' if loop.is_over else 'The run ended in it.'}"


def rows(loop: LoopRun) -> list[tuple[str, ...]]:
    """The passes as words for a table: pass, ended after, lasted, charge and energy out, capacity,
    share of the first."""
    return [
        (
            str(one.number),
            duration(one.ended_s),
            duration(one.moved[0]) if one.moved else "not known",
            amp_hours(one.moved[2]) if one.moved else "not known",
            watt_hours(one.moved[4]) if one.moved else "not known",
            amp_hours(one.capacity_ah) if one.capacity_ah is not None else "",
            percent(one.retention, 1) if one.retention is not None else "",
        )
        for one in loop.passes
    ]


def as_data(loop: LoopRun) -> dict[str, Any]:
    """The loop for machines: s, Ah, Wh, shares."""
    names = ("lasted_s", *_SUMS[1:])
    return {
        "first_step": loop.first_step,
        "at_most": loop.at_most,
        **dict(zip(names, loop.moved, strict=True)),
        "ended_by": loop.ended_by or None,
        "is_over": loop.is_over,
        "passes": [
            {
                "pass": one.number,
                "ended_s": one.ended_s,
                **dict(zip(names, one.moved or (None,) * len(names), strict=True)),
                "capacity_ah": one.capacity_ah,
                "retention": one.retention,
            }
            for one in loop.passes
        ],
    }

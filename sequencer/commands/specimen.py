"""``specimen``: one cell in hand, its drift on the shelf and its runs; no bench is needed."""

import argparse
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from math import isinf
from pathlib import Path
from typing import Any

from sequencer.analysis.shelf import UNKNOWN_K, ShelfDrift, drift, off_the_curve
from sequencer.assembly.shelf_curve import NamedCurve, shelf_curve
from sequencer.clocks import unix_ns
from sequencer.commands.answer import Answer, Say
from sequencer.documents.cell import CellDocument
from sequencer.documents.specimen import Reading, SpecimenDocument
from sequencer.report.numbers import show
from sequencer.run_documents.cross_document_rules import faults_of_specimen
from sequencer.screens.listing import run_line, runs
from sequencer.source.loading import Intake
from sequencer.vocabulary import units
from sequencer.vocabulary.verdict import Exit
from sequencer.watchdog import locks


def answer(given: argparse.Namespace, _say: Say) -> Answer:
    """What was read by hand, what its drift means, the runs of this specimen, what is due next."""
    specimen, cell = _documents(given.specimen, given.cell)
    own = _runs_of(specimen, given.runs)
    readings = _since(specimen.read_within, own)
    on = shelf_curve(cell, own, readings)
    found = drift(readings, on.curve) if on is not None else None
    lines = [
        f"{specimen.specimen}, {specimen.cell}",
        *_told_readings(specimen, readings),
        *_cautions(specimen, cell),
        *_told_drift(found, readings, on),
        *(run_line(one) for one in own),
    ]
    if not own:
        lines.append(f"no run of it in {given.runs}")
    data = {"specimen": specimen.specimen, "drift": _data(found, on), "runs": own}
    return Answer(Exit.DONE, lines, data)


def _documents(specimen: Path, cell: Path) -> tuple[SpecimenDocument, CellDocument]:
    intake = Intake()
    one, of = intake.load(specimen, SpecimenDocument), intake.load(cell, CellDocument)
    if one is not None and of is not None:
        intake.tell(*faults_of_specimen(one, of))
    intake.settle()
    assert one is not None
    assert of is not None
    return one.document, of.document


def _runs_of(specimen: SpecimenDocument, folder: Path) -> list[dict[str, Any]]:
    found = runs(folder, lambda place: locks.is_held(place / locks.LIVE))
    return [
        one
        for one in found
        if (one.get("specimen") or {}).get("specimen") == specimen.specimen
        and not one.get("rehearsal")
    ]


def _since(readings: Sequence[Reading], own: Sequence[dict[str, Any]]) -> list[Reading]:
    """Those after the last run before the last of them: a run moves charge."""
    last = max((one.on for one in readings), default="")
    days = [str(one.get("start"))[:10] for one in own]
    ran = max((day for day in days if day <= last), default="")
    return [one for one in readings if one.on > ran]


def _told_readings(specimen: SpecimenDocument, used: Sequence[Reading]) -> Iterator[str]:
    today = datetime.fromtimestamp(unix_ns() / 1e9, UTC).date()
    latest = today + timedelta(days=1)  # whoever reads may be in another zone of time
    for written, one in zip(specimen.readings, specimen.read_within, strict=True):
        at = "" if one.temperature is None else f" at {units.degrees(one.temperature)}"
        left = "" if one in used else " (before a run that moved charge: not compared)"
        volts = f"{one.voltage:.4f} V within {units.millivolts(one.within)}"
        volts += "" if written.within else " (one digit)"
        yield f"{one.on}: {volts}{at}, {one.by}{left}"
        if one.on > latest.isoformat():
            yield f"  that day is still to come, by this computer's clock ({today}): is it right?"
    if len({one.by for one in used}) > 1:
        yield "  read with more than one meter: what they differ by looks like a drift"
    if len(used) > 1 and None in (used[0].temperature, used[-1].temperature):
        yield (f"  a temperature is not stated: up to {UNKNOWN_K:g} K between the two is supposed")


def _cautions(specimen: SpecimenDocument, cell: CellDocument) -> Iterator[str]:
    """Of the last reading: how the cell is now."""
    for one in specimen.readings[-1:]:
        limits, side, volts = cell.absolute, "", 0.0
        if one.voltage < limits.cut_off_voltage:
            side, volts = "below", limits.cut_off_voltage
        elif one.voltage > limits.charge_voltage:
            side, volts = "above", limits.charge_voltage
        if side:
            yield (
                f"CAUTION: {units.volts(one.voltage)} on {one.on} is {side} the absolute limit of"
                f" {units.volts(volts)}: do not charge it, and do not put it into use. Is it"
                " swollen, leaking or warm: keep away from it"
            )


def _told_drift(
    found: ShelfDrift | None, readings: Sequence[Reading], on: NamedCurve | None
) -> Iterator[str]:
    if on is None:
        yield (
            "what a drift means is not known: the cell document has no 'open-circuit' curve, and no"
            " run of this cell measured one (a full charge, then a discharge to the cut-off at"
            " 0.1 C or less)"
        )
    elif off := off_the_curve(readings, on.curve):
        low, high = (units.volts(on.curve.volts[end]) for end in (0, -1))
        one, side = off
        yield (
            f"cannot tell: {units.volts(one.voltage)} is {side} {on.words}, which goes from {low}"
            f" to {high}"
        )
    elif found is None:
        first = "a first reading" if not readings else "another reading, on another day"
        yield f"due next: {first}, with nothing joined to the cell; write it under 'readings'"
    else:
        yield from _told_change(found, readings, on)


def _told_change(found: ShelfDrift, readings: Sequence[Reading], on: NamedCurve) -> Iterator[str]:
    if found.is_seen:
        charge, half_ah = found.charge_ah
        current, half_a = found.current_a
        yield (
            f"{_lost(found, on)}, {show(1e3 * charge, 1e3 * half_ah, 'mAh')},"
            f" {show(1e6 * current, 1e6 * half_a, 'uA')} on average, by {on.words}"
        )
        again = date.fromisoformat(readings[-1].on) + timedelta(days=found.days)
        yield f"due next: a reading on {again} or later, when as much again would be lost"
    elif found.is_gained:
        yield (
            f"cannot tell: {_volts(found)}: no cell gains charge on the shelf. It had not come to"
            " rest at the first reading, was charged since, or meter or temperature differ; begin"
            " again with a new first reading"
        )
    elif isinf(found.wait_days):
        yield (
            f"cannot tell: {_volts(found)}, where the curve is too flat to read a charge from it;"
            " on a steeper part of it this would be told"
        )
    else:
        later = f"return in {found.wait_days:.0f} days"
        yield f"cannot tell yet: {_lost(found, on)}, by {on.words}; {later}"


def _lost(found: ShelfDrift, on: NamedCurve) -> str:
    of = "measured" if on.run else "rated"
    share = show(100.0 * found.share, 100.0 * found.share_half, "%")
    return f"{_volts(found)}: {share} of the {of} capacity"


def _volts(found: ShelfDrift) -> str:
    way = "lower" if found.lost_v >= 0.0 else "higher"
    moved = show(1e3 * abs(found.lost_v), 1e3 * found.lost_half_v, "mV")
    return f"{moved} {way} in {found.days} d"


def _data(found: ShelfDrift | None, on: NamedCurve | None) -> dict[str, Any] | None:
    if found is None or on is None:
        return None
    charge, current = found.charge_ah, found.current_a
    return {
        "days": found.days,
        "lost_v": found.lost_v,
        "lost_half_v": found.lost_half_v,
        "share": found.share,
        "share_half": _finite(found.share_half),
        "charge_ah": charge[0],
        "charge_half_ah": _finite(charge[1]),
        "current_a": current[0],
        "current_half_a": _finite(current[1]),
        "capacity_ah": found.ah,
        "measured_in": on.run or None,
        "is_seen": found.is_seen,
        "wait_days": _finite(found.wait_days),
    }


def _finite(value: float) -> float | None:
    return None if isinf(value) else value

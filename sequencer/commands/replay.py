"""``replay``: a recorded run decided again from its folder; a difference is shown and a failure."""

import argparse
import json
from collections.abc import Mapping
from typing import Any

from sequencer.commands.answer import Answer, Say
from sequencer.replaying.decisions import Difference
from sequencer.replaying.recorded_run import Retold, replay_run
from sequencer.vocabulary.intent import FINAL, State
from sequencer.vocabulary.units import counted
from sequencer.vocabulary.verdict import Exit


def answer(given: argparse.Namespace, _say: Say) -> Answer:
    """Replay and tell. A difference exits 6: the record, or what decides on this computer, is not
    what it was; whether it is a bug of ours cannot be told from a folder that may have changed.
    So does a record of which nothing could be compared: it proves nothing."""
    told = replay_run(given.run)
    is_same = told.replayed.lines and not told.replayed.differences
    exit_code = Exit.DONE if is_same else Exit.FAULTED
    return Answer(exit_code, [*_lines(told)], {**_data(told), "folder": str(given.run)})


def _lines(told: Retold) -> list[str]:
    replayed, title = told.replayed, told.recorded.manifest.get("title", "")
    lines = [
        (
            f"Replay of {title}: {counted(replayed.rows, 'sample')} judged again, "
            f"{counted(replayed.lines, 'decision')} compared; it {_reached(replayed.state)}"
        )
    ]
    if told.made_by != told.version:
        lines.append(f"recorded by nightbench {told.made_by}, replayed by {told.version}")
    if replayed.differences:
        lines += _different(told, replayed.differences[0])
    elif replayed.lines:
        lines.append("the same decisions, line for line")
    else:
        lines.append("NOTHING COMPARED: no decision could be made again")
    return lines + [f"missing: {one}" for one in told.missing]


def _reached(state: State) -> str:
    return f"ended {state.value}" if state in FINAL else f"stops while {state.value}"


def _different(told: Retold, first: Difference) -> list[str]:
    start_ns = told.recorded.manifest.get("start_bench_ns", 0)
    keys = sorted(_changed(first))
    lines = [
        f"DIFFERENT: {counted(len(told.replayed.differences), 'line')}; the first:",
        f"  {first.kind}, {_place(first, start_ns)}",
        f"  recorded: {_entry(first.recorded)}",
        f"  replayed: {_entry(first.replayed)}",
        *([f"  they differ in: {', '.join(keys)}"] if keys else []),
    ]
    further = len(told.replayed.differences) - 1
    return [*lines, f"  {counted(further, 'further difference')}"] if further else lines


def _place(one: Difference, start_ns: int) -> str:
    if not one.row:
        return "before the first row"
    seconds = (one.at_ns - start_ns) / 1e9
    hours, minutes = int(seconds // 3600), int(seconds // 60 % 60)
    return f"row {one.row}, {hours}:{minutes:02d}:{seconds % 60:06.3f} after the start"


def _entry(entry: Mapping[str, Any] | None) -> str:
    return "no such line" if entry is None else json.dumps(entry, ensure_ascii=False)


def _changed(one: Difference) -> list[str]:
    there, here = one.recorded, one.replayed
    if there is None or here is None:
        return []
    return [key for key in {*there, *here} if there.get(key) != here.get(key)]


def _data(told: Retold) -> dict[str, Any]:
    replayed = told.replayed
    return {
        "title": told.recorded.manifest.get("title", ""),
        "rows": replayed.rows,
        "lines": replayed.lines,
        "state": replayed.state.value,
        "differences": [one._asdict() for one in replayed.differences],
        "missing": list(told.missing),
        "recorded_by": told.made_by,
        "replayed_by": told.version,
    }

"""A device's trace: its CSV text read, and the step of a profile that runs it written out.

Owns the form of such a text. Whatever reads a profile afterwards finds a repeat of discharges and
rests; the text itself stands in the document, so that a record needs no file.
"""

import csv
import json
from collections.abc import Callable, Iterator
from math import isnan
from pathlib import Path
from typing import Any

from sequencer.documents.draw_trace import DrawPoint, DrawTrace
from sequencer.documents.pulses import SHORTEST_LEVEL_S
from sequencer.source.fault_messages import subject
from sequencer.source.nodes import Loc, Node, Tree, shown
from sequencer.vocabulary.faults import DocumentError, DocumentFault
from sequencer.vocabulary.quantities import QuantityError, parse_number

POWER, CURRENT = "power / W", "current / A"
TIME = "time / s"
KEPT = "traces"
"""The key of a profile under which the text of each file stands, line by line."""


def put_traces(tree: Tree, read: Callable[[str], str]) -> str:
    """Put the steps of each trace beneath the step that runs it. What ``read`` gives of a file is
    put into the tree, and handed back as a last line of the document."""
    found = dict[str, list[str]]()
    for key in ("parts", "steps"):
        for loc, step in _running(tree.root.get(key), (key,)):
            _put(tree, loc, step, lambda name: _text(tree, name, read, found))
    if not found:
        return ""
    tree.root[KEPT] = found
    return f"{KEPT}: {json.dumps(found, ensure_ascii=False)}\n"


def _running(node: Node, loc: Loc) -> Iterator[tuple[Loc, dict[str, Any]]]:
    """Every step beneath a node that runs a trace."""
    if isinstance(node, dict) and node.get("step") == "trace":
        yield loc, node
    elif isinstance(node, (dict, list)):
        for part, one in node.items() if isinstance(node, dict) else enumerate(node):
            yield from _running(one, (*loc, part))


def _text(
    tree: Tree, name: str, read: Callable[[str], str], found: dict[str, list[str]]
) -> list[str]:
    given = tree.root.get(KEPT)
    if given is None:
        if name not in found:
            found[name] = read(name).splitlines()
        return found[name]
    lines = given.get(name) if isinstance(given, dict) else None
    if not isinstance(lines, list):
        rule = f"does not stand in the '{KEPT}' of this document"
        raise DocumentError([DocumentFault("", 0, 0, rule)])
    return [one for one in lines if isinstance(one, str)]


def _put(tree: Tree, loc: Loc, step: dict[str, Any], text: Callable[[str], list[str]]) -> None:
    inner, name = (*loc, "steps"), step.get("file")
    is_given = "steps" in step
    if is_given:
        tree.tell(tree.place(inner), "steps: a trace has its steps from its file")
    tree.tainted.add(inner)
    step["steps"] = ""
    if is_given or not isinstance(name, str) or not name:
        return
    at = (*loc, "file")
    try:
        lines = text(name)
    except DocumentError as error:
        message = f"{subject(tree, at)}: {error.faults[0].message}"
        tree.tell(tree.place(at), message, at)
        return
    file = str(Path(tree.file).parent / name)
    try:
        trace = read_trace("\n".join(lines), file)
        _judge(trace, file)
    except DocumentError as error:
        tree.faults += error.faults
        return
    tree.tainted.remove(inner)
    label = {"label": step["label"]} if isinstance(step.get("label"), str) else {}
    step["steps"] = [_step(point, seconds) | label for point, seconds in _timed(trace)]


def _timed(trace: DrawTrace) -> Iterator[tuple[DrawPoint, float]]:
    """Each point with how long it holds (s)."""
    ends = [*(point.from_s for point in trace.points[1:]), trace.period_s]
    for point, end_s in zip(trace.points, ends, strict=True):
        yield point, end_s - point.from_s


def _judge(trace: DrawTrace, file: str) -> None:
    """What a bench cannot follow, though a calculation can."""
    least = f"{SHORTEST_LEVEL_S * 1000:g} ms"
    faults = [
        DocumentFault(file, line, 1, f"holds for less than {least}, the shortest that can be timed")
        for line, (_, seconds) in enumerate(_timed(trace), 2)
        if seconds < SHORTEST_LEVEL_S - 1e-9
    ]
    if not any(_drawn(point) for point in trace.points):
        faults.append(DocumentFault(file, 1, 1, "draws nothing: it would never end"))
    if faults:
        raise DocumentError(faults)


def _drawn(point: DrawPoint) -> float:
    return point.current_a if isnan(point.power_w) else point.power_w


def _step(point: DrawPoint, seconds: float) -> dict[str, str]:
    """A step as a person would write it."""
    timed = {"for": f"{_plain(seconds)} s"}
    if not _drawn(point):
        return {"step": "rest", **timed}
    held = (
        {"current": f"{_plain(point.current_a)} A"}
        if isnan(point.power_w)
        else {"power": f"{_plain(point.power_w)} W"}
    )
    return {"step": "discharge", **held, **timed}


def _plain(value: float) -> str:
    return f"{value:.9f}".rstrip("0").rstrip(".")


def read_trace(text: str, file: str) -> DrawTrace:
    """A trace from CSV text: its heading names time / s and power / W or current / A. Each value
    holds until the next line's time; the last line only says when it begins again.

    Raises:
        DocumentError: with every line at fault.
    """
    lines = list(csv.reader(text.splitlines()))
    head = [one.strip() for one in lines[0]] if lines else []
    if head not in ([TIME, POWER], [TIME, CURRENT]):
        found = f"is {shown(','.join(lines[0]))}" if lines else "is missing"
        rule = f"the first line {found}: it must be '{TIME},{POWER}' or '{TIME},{CURRENT}'"
        if any(";" in one for one in head):
            rule += ", with a comma between the two and a point as decimal sign"
        raise DocumentError([DocumentFault(file, 1, 1, rule)])
    faults, points = list[DocumentFault](), list[DrawPoint]()
    for number, line in enumerate(lines[1:], 2):
        try:
            points.append(_point(line, head[1], points, is_first=number == 2))
        except QuantityError as error:
            faults.append(DocumentFault(file, number, 1, str(error)))
    if not faults and len(points) < 2:
        faults.append(DocumentFault(file, 1, 1, "a trace needs at least two lines of values"))
    if faults:
        raise DocumentError(faults)
    return DrawTrace(tuple(points[:-1]), points[-1].from_s)


def _number(text: str) -> float:
    try:
        return parse_number(text.strip())
    except QuantityError as error:
        raise QuantityError(f"{shown(text.strip())}: {error}") from error


def _point(line: list[str], what: str, before: list[DrawPoint], *, is_first: bool) -> DrawPoint:
    if len(line) != 2:
        raise QuantityError(
            f"has {len(line)} values, and two are wanted: a time and a value, such as 60,1.2"
            " (the decimal sign is a point; the last line too has both)"
        )
    at_s, value = map(_number, line)
    if is_first and at_s != 0.0:
        raise QuantityError("the first time must be 0")
    if before and not at_s > before[-1].from_s:
        raise QuantityError(f"time {at_s:g} s is not after the line before it")
    if value < 0.0:
        raise QuantityError(f"{what.partition(' ')[0]} {value:g} is negative")
    return DrawPoint(at_s, value) if what == POWER else DrawPoint(at_s, current_a=value)

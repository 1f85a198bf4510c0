"""The screen of one run, drawn from a picture; nothing is read here and nothing is decided."""

from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import Console, Group, RenderableType
from rich.segment import Segment, SegmentLines
from rich.table import Table
from rich.text import Text

from sequencer.screens import telling
from sequencer.screens.picture import Picture
from sequencer.screens.plot import plot
from sequencer.vocabulary.units import counted, duration

HEAD, QUIET, LOUD, ALARM = "bold", "dim", "bold reverse", "bold reverse red"
"""Weight says what matters; colour only repeats the alarm, which is also said in capitals."""
_HIGHEST_PLOT = 10
_TABLE_WIDTH = 120
_LEAST_SPAN_V = 0.05
"""At rest a cell moves by millivolts: a plot that spans no more would show noise as a change."""
NEEDED, LAST = 0, 4
"""How soon a line may be left out in a small window: never, and first (the highest rank goes)."""
Ranked = tuple[int, RenderableType]
Lines = tuple[int, list[list[Segment]]]
"""One of them with its rank, as it is and rendered."""


def board(picture: Picture, console: Console, news: str = "", folder: str = "") -> RenderableType:
    """The live screen: what runs, what stops it, what is read, how much room is left.

    Where the window is too small for all of it, what matters least is left out.
    """
    if not picture.manifest:
        return Text(news or "waiting for a run")
    room = console.height - 1
    below = _rendered(_below(picture, news, folder), console)
    above, fitting = _fitted(_rendered(_above(picture, console), console), below, console, room)
    if console.is_terminal and _height(above, fitting) > room:
        bare = _rendered(_above(picture, console, with_room=False), console)
        above, fitting = _fitted(bare, below, console, room)
    below = fitting
    drawn = _plot(picture, console, room - 2 - _height(above, below))
    return Group(*map(_drawn, above), *drawn, *map(_drawn, below))


def _drawn(one: Lines) -> RenderableType:
    return SegmentLines(one[1], new_lines=True)


def _rendered(told: list[Ranked], console: Console) -> list[Lines]:
    """Each as its lines: their number decides what fits, and they are drawn as they are."""
    return [(rank, console.render_lines(one, pad=False)) for rank, one in told]


def _fitted(
    above: list[Lines], below: list[Lines], console: Console, room: int
) -> tuple[list[Lines], list[Lines]]:
    """Both without what matters least, as far as the window is too small for all of it."""
    for rank in sorted({rank for rank, _ in (*above, *below)}, reverse=True):
        taken = _height(above, below)
        if taken <= room or rank == NEEDED or not console.is_terminal:
            break
        above, below = ([one for one in part if one[0] != rank] for part in (above, below))
    return above, below


def _height(*parts: Sequence[Lines]) -> int:
    return sum(len(lines) for part in parts for _, lines in part)


def _above(picture: Picture, console: Console, *, with_room: bool = True) -> list[Ranked]:
    title, origin, rule = _heading(picture, console)
    told: list[Ranked] = [(LAST, title), (LAST + 1, origin), (LAST + 2, rule)]
    told += [(NEEDED, one) for one in _low(picture)]
    told += [(NEEDED, _state(picture))]
    told += [(rank, one) for rank, one in zip((2, 1, 3), _step(picture), strict=False)]
    told += [(NEEDED, one) for one in _safety(picture)]
    told += [(LAST + 3, Text()), (NEEDED, _readings(picture, with_room=with_room))]
    told += [(NEEDED, Text(words, style=LOUD)) for words in telling.fault_words(picture)]
    if picture.watchdog.get("state"):
        told.append((NEEDED, Text(telling.watchdog_words(picture.watchdog), style=ALARM)))
    if picture.refused:
        told.append((NEEDED, Text(f"it stays paused: {picture.refused}", style=LOUD)))
    return told


def _below(picture: Picture, news: str, folder: str) -> list[Ranked]:
    told: list[Ranked] = [(LAST + 3, Text()), (1, Text(telling.time_words(picture)))]
    told += [(NEEDED, Text(news, style=LOUD))] if news else []
    if folder and telling.is_paused(picture):
        told.append((NEEDED, Text(f"to let it go on: nightbench continue {folder}", style=QUIET)))
    if folder and not picture.is_over:
        told.append((NEEDED, Text(f"to end it safely: nightbench abort {folder}", style=QUIET)))
    return told


def _heading(picture: Picture, console: Console) -> list[RenderableType]:
    title = Text(picture.title, style=HEAD)
    if picture.is_simulated:
        title.append("  (simulated: no real cell)", style="not bold")
    rule = Text(("─" if _is_fine(console) else "-") * console.width, style=QUIET)
    return [title, Text(", ".join(picture.origin), style=QUIET), rule]


def _is_fine(console: Console) -> bool:
    """Whether the terminal has more than ASCII to draw with."""
    return console.encoding.lower().startswith("utf")


def _low(picture: Picture) -> list[RenderableType]:
    return [Text(words, style=ALARM) for words in telling.low_words(picture)]


def _state(picture: Picture) -> Text:
    words = telling.state_words(picture)
    loud = picture.trip is not None or picture.is_dead or telling.needs_help(picture)
    line = Text(f" {words} " if loud else words, style=LOUD if loud else HEAD)
    if not picture.is_over and picture.trip is None:
        line.append(f"   {telling.step_words(picture)}", style="not bold")
    return line


def _step(picture: Picture) -> list[RenderableType]:
    if picture.trip is not None or picture.is_over:
        left = telling.left_words(picture)
        return [Text(left)] if left else []
    lines = [str(picture.step.get("sentence", "")), telling.stop_words(picture)]
    lines += [telling.moved_words(picture), telling.pass_words(picture)]
    return [Text(line) for line in lines if line]


def _safety(picture: Picture) -> list[RenderableType]:
    parts: list[RenderableType] = [
        Text(words, style=HEAD) for words in telling.cause_words(picture)
    ]
    if picture.trip is not None or picture.is_over:
        parts += [Text(words) for words in telling.off_words(picture)]
    if telling.needs_help(picture):
        parts += [Text(words, style=ALARM) for words in telling.WHAT_TO_DO]
    return parts


def _readings(picture: Picture, *, with_room: bool) -> RenderableType:
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column(no_wrap=True)
    table.add_column(justify="right", no_wrap=True)
    table.add_column(justify="right", no_wrap=True)
    table.add_column()
    for reading in telling.readings(picture):
        age = f"OLD: {reading.age}" if reading.is_old else reading.age
        table.add_row(
            Text(reading.name),
            Text(reading.value, style=HEAD),
            Text(age, style=LOUD if reading.is_old else QUIET),
            Text(reading.room if with_room else ""),
        )
    outputs = telling.output_words(picture)
    return Group(table, Text(f"outputs  {outputs}")) if outputs else table


def _plot(picture: Picture, console: Console, height: int) -> list[RenderableType]:
    lines = plot(
        picture.voltage,
        min(console.width, 100),
        min(height, _HIGHEST_PLOT),
        lambda value: f"{value:.2f} V",
        fine=_is_fine(console),
        least=_LEAST_SPAN_V,
    )
    if not lines:
        return []
    length = duration(max(1, int(picture.voltage.length_s)))
    return [Text(), *(Text(line) for line in lines), Text(f"voltage, all {length}", style=QUIET)]


def ending(picture: Picture, console: Console, troubles: Sequence[str] = ()) -> RenderableType:
    """What stays on the terminal when the run is over: every step, and last how it ended and off.

    The last lines are what a person sees of a long list. ``troubles`` are what could not be read
    of the record, in words.
    """
    parts = [*_heading(picture, console)]
    parts += [_table(picture) if console.width >= _TABLE_WIDTH else _blocks(picture)]
    parts += [Text(), Text(_totals(picture))]
    parts += [Text(f"not sound in the record: {words}", style=HEAD) for words in troubles]
    parts += [Text(), *_low(picture), _state(picture), *_step(picture), *_safety(picture)]
    return Group(*parts)


def _table(picture: Picture) -> RenderableType:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style=HEAD)
    table.add_column("step")
    for title in ("lasted", "V from", "V to", "A at end", "Ah", "Wh", "highest degC"):
        table.add_column(title, justify="right", no_wrap=True)
    table.add_column("stopped by")
    for entry in picture.ended:
        table.add_row(*(Text(cell) for cell in step_cells(entry)))
    return table


def _blocks(picture: Picture) -> RenderableType:
    """Two lines a step, for narrow terminals."""
    if not picture.ended:
        return Text("no step was finished")
    lines: list[Text] = []
    for entry in picture.ended:
        name, *numbers, why = step_cells(entry)
        lines.append(Text(f"{name}; ", style=HEAD).append(_ended_by(entry, why), style="not bold"))
        lines.append(Text(f"    {_sentence(numbers)}"))
    return Group(*lines)


def _sentence(numbers: list[str]) -> str:
    lasted, start_v, end_v, end_a, charge, energy, heat = numbers
    told = [lasted]
    told += [f"{start_v} to {end_v} V"] if start_v and end_v else []
    told += [f"{end_a} A"] if end_a else []
    told += [f"{charge} Ah"] if charge else []
    told += [f"{energy} Wh"] if energy else []
    told += [f"max {heat} degC"] if heat else []
    return ", ".join(told)


def step_line(entry: Mapping[str, Any]) -> str:
    """One finished step in one line."""
    name, *numbers, why = step_cells(entry)
    return f"{name}; {_ended_by(entry, why)}; {_sentence(numbers)}"


def _ended_by(entry: Mapping[str, Any], why: str) -> str:
    return why if entry.get("skipped") else f"ended by {why}"


def step_cells(entry: Mapping[str, Any]) -> list[str]:
    """One finished step: name, length, V, V, last A, Ah, Wh, degC, what stopped it; + is put in."""
    label = f" ({entry['label']})" if entry.get("label") else ""
    lasted_s = ((entry.get("ended_ns") or 0) - (entry.get("began_ns") or 0)) / 1e9
    charge = (entry.get("charge_in_ah") or 0.0) - (entry.get("charge_out_ah") or 0.0)
    energy = (entry.get("energy_in_wh") or 0.0) - (entry.get("energy_out_wh") or 0.0)
    is_rest = entry.get("words") == "rest"
    return [
        f"{entry.get('step', '')} {entry.get('words', '')}{label}",
        duration(round(lasted_s)),
        _fixed(entry.get("start_v"), 3),
        _fixed(entry.get("end_v"), 3),
        "" if is_rest else _fixed(entry.get("end_a"), 3),
        _signed(charge, 0.0 if not is_rest else 1e-3),
        _signed(energy, 0.0 if not is_rest else 1e-3),
        _fixed(entry.get("highest_c"), 1),
        str(entry.get("reason", "")),
    ]


def _signed(value: float, least: float) -> str:
    """Four figures or so; nothing where nothing is meant."""
    if abs(value) < max(least, 5e-5):
        return ""
    return f"{value:+.3f}" if abs(value) >= 0.1 else f"{value:+.4f}"


def _fixed(value: Any, digits: int) -> str:
    return f"{value:.{digits}f}" if isinstance(value, int | float) else ""


def _totals(picture: Picture) -> str:
    return f"{telling.time_words(picture)}; {counted(picture.row_count, 'sample')} recorded"

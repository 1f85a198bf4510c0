"""Figures put into tables: by subject, cut-offs side by side, budgets line by line.

Owns which table a key belongs to. A key that this version does not know is shown under "Other".
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final, NamedTuple

from sequencer.analysis.results import Figure, Judged, VerdictPart
from sequencer.report.headlines import Headline
from sequencer.report.numbers import COVERAGE, conditions_text, scaled_unit, show, shown

SUBJECTS: Final[tuple[tuple[str, tuple[str, ...]], ...]] = (
    ("Capacity", ("capacity", "both-cut-offs.capacity", "charge-moved", "residual.capacity")),
    (
        "Energy",
        ("energy.", "both-cut-offs.energy", "energy-moved", "residual.energy", "mean-voltage"),
    ),
    ("By mass and volume", ("mass", "specific-energy", "energy-density")),
    ("Charging", ("cc-charge", "cv-charge", "cv-share", "not-put-in", "charge-time")),
    ("Efficiency", ("efficiency",)),
    ("Resistance", ("resistance",)),
    ("Power and current", ("power", "highest-current", "peukert")),
    ("At rest", ("open-circuit", "relaxed", "relaxation", "self-discharge")),
    ("Over cycles", ("fade", "cycles")),
    ("Temperature", ("temperature", "wait")),
)
NOTES: Final[Mapping[str, str]] = {
    "Resistance": (
        "Change of voltage by change of current, between the last readings before the command and"
        " those so many seconds after it. The time counts from the command: instruments take some"
        " ten milliseconds to follow it, so that at 0.1 s the current has flowed for a little less."
        " “When the … ended” is read after the current went off and holds the cell’s relaxation"
        " too; no claim is judged by it."
    ),
    "Charging": (
        "What was not put in is continued from the end of the taper by two models; their difference"
        " is the least that this is uncertain by."
    ),
    "By mass and volume": (
        "A balance is taken to be right within what its weighing says, or else to one digit of the"
        " last place that was noted."
    ),
}
_APART: Final = "residual."
"""How the keys of figures begin that are no part of a capacity."""
_SMALL: Final = 0.025
"""Lines of a budget below this part of the variance are one line; JSON keeps them all."""
_PULSES: Final = ("resistance.pulse.", "power.")
_ONE_CHARGE: Final = 0.015
"""Pulses this near in state of charge stand in one row."""
_WAYS: Final = {"discharge": "out", "charge": "in"}
_CUT_OFF: Final = ("capacity.cut-off.", "energy.cut-off.")


class FigureRow(NamedTuple):
    """One figure as a table shows it."""

    key: str
    label: str
    value: str
    unit: str
    interval: str
    conditions: str
    flags: str


class Subject(NamedTuple):
    """One table of figures; ``note`` says what is measured from what, where that is no matter of
    course."""

    title: str
    rows: Sequence[FigureRow]
    note: str = ""


class YieldTable(NamedTuple):
    """What each cut-off yields: a row a voltage, a column a step; or what pulses tell at each state
    of charge."""

    columns: Sequence[str]
    rows: Sequence[tuple[str, Sequence[str]]]


class Share(NamedTuple):
    """One line of a budget: its source, its standard uncertainty, and its part of the variance."""

    source: str
    standard: str
    percent: str
    bar: float


class Budget(NamedTuple):
    """One headline number's uncertainty, line by line."""

    label: str
    conditions: str
    value: str
    standard: str
    shares: Sequence[Share]


def subjects(figures: Sequence[Figure]) -> list[Subject]:
    """Every figure but the cut-offs' in its table, in the order of the analysis."""
    found: dict[str, list[FigureRow]] = {title: [] for title in (*dict(SUBJECTS), "Other")}
    for one in figures:
        if not one.key.startswith(_CUT_OFF):
            found[_subject(one.key)].append(_row(one))
    return [Subject(title, rows, NOTES.get(title, "")) for title, rows in found.items() if rows]


def apart(figures: Iterable[Figure]) -> list[str]:
    """What a cell gave beyond a cut-off, which is no part of a capacity; one sentence an entry."""
    found = [one for one in figures if one.key.startswith(_APART)]
    return [f"{one.label} (step {one.step}): {shown(one)}" for one in found]


def _subject(key: str) -> str:
    for title, starts in SUBJECTS:
        if key.startswith(starts):
            return title
    return "Other"


def _row(one: Figure) -> FigureRow:
    told = shown(one)
    value = told.value if not told.plus_minus else f"{told.value} ± {told.plus_minus}"
    return FigureRow(
        one.key,
        one.label,
        value,
        told.unit,
        _interval(one),
        conditions_text(one.conditions, one.label),
        "; ".join(one.flags),
    )


def _interval(one: Figure) -> str:
    """``2.994 to 3.030``, in the unit of the value."""
    low, high = one.low, one.high
    if not (math.isfinite(low) and math.isfinite(high) and math.isfinite(one.value)):
        return ""
    scale, _ = scaled_unit(one.value, one.unit, one.key)
    places = _places_of(shown(one).plus_minus)
    return f"{low * scale:.{places}f} to {high * scale:.{places}f}".replace("-", "\u2212")


def _places_of(text: str) -> int:
    return len(text.partition(".")[2])


def cut_offs(figures: Sequence[Figure]) -> YieldTable | None:
    """The yield of every cut-off, capacity and energy of each step side by side; None: no such
    figure. Without ±: they share the uncertainty of their step's figure."""
    found = [one for one in figures if one.key.startswith(_CUT_OFF) and _is_plain(one.key)]
    if not found:
        return None
    columns = list(dict.fromkeys((one.step, one.unit) for one in found))
    columns.sort(key=lambda one: (one[1] != "Ah", one[0] or 0))
    cells = {(_millivolts(one.key), one.step, one.unit): one for one in found}
    levels = sorted({_millivolts(one.key) for one in found}, reverse=True)
    rates = {one.step: _rate(one) for one in found}
    return YieldTable(
        [f"{unit}{rates[step]}" for step, unit in columns],
        [
            (f"{level / 1000:.2f} V", [_cell(cells.get((level, *column))) for column in columns])
            for level in levels
        ],
    )


def over_charge(figures: Sequence[Figure]) -> YieldTable | None:
    """Resistance and pulse power at each state of charge, both ways, for the longest time that the
    pulses tell; None: fewer than two states of charge."""
    pulses = [one for one in figures if one.key.startswith(_PULSES) and _is_from_rest(one)]
    longest = max((_seconds(one) for one in pulses), default=0.0)
    told = sorted((one for one in pulses if _seconds(one) == longest), key=_charge, reverse=True)
    rows: list[tuple[float, dict[str, str]]] = []
    for one in told:
        if not rows or rows[-1][0] - _charge(one) > _ONE_CHARGE:
            rows.append((_charge(one), {}))
        said, way = shown(one), str(one.conditions.get("direction"))
        column = f"{one.key.partition('.')[0]} {_WAYS.get(way, way)} / {said.unit}"
        rows[-1][1].setdefault(column, f"{said.value} ± {said.plus_minus}")
    if len(rows) < 2:
        return None
    columns = list(dict.fromkeys(name for _, row in rows for name in row))
    columns.sort(key=lambda one: (not one.startswith("resistance"), " in" in one))
    return YieldTable(
        [f"after {longest:g} s", *columns],
        [
            (f"{charge:.0%}".replace("%", " %"), [row.get(name, "") for name in columns])
            for charge, row in rows
        ],
    )


def _charge(one: Figure) -> float:
    return float(one.conditions["state_of_charge"])


def _is_from_rest(one: Figure) -> bool:
    at = one.conditions
    is_told = isinstance(at.get("state_of_charge"), float) and math.isfinite(one.value)
    return is_told and at.get("method") == "pulse" and not one.key.endswith("compensated")


def _seconds(one: Figure) -> float:
    return float(one.conditions.get("pulse_s", 0.0))


def _is_plain(key: str) -> bool:
    return len(key.split(".")) == 4


def _millivolts(key: str) -> int:
    return int(key.split(".")[3])


def _rate(one: Figure) -> str:
    for held, unit in (("power_w", "W"), ("resistance_ohm", "Ohm")):
        if held in one.conditions:
            return f" at {one.conditions[held]:.3g} {unit}"
    rate = one.conditions.get("rate_c")
    return f" at {rate:.2g} C" if isinstance(rate, float | int) else f", step {one.step}"


def _cell(one: Figure | None) -> str:
    return "" if one is None or not math.isfinite(one.value) else f"{one.value:.3f}"


def headline_values(chosen: Iterable[Headline]) -> Iterator[Mapping[str, Any]]:
    """The headline numbers as the page shows them."""
    for label, one in chosen:
        yield {
            "key": one.key,
            "label": label,
            "shown": shown(one),
            "conditions": conditions_text(one.conditions, label),
        }


def budgets(chosen: Iterable[Headline]) -> list[Budget]:
    """The budget of every headline number that has one."""
    return [_budget(label, one) for label, one in chosen if one.contributions]


def _budget(label: str, one: Figure) -> Budget:
    variance = sum(part.standard**2 for part in one.contributions if math.isfinite(part.standard))
    scale, unit = scaled_unit(one.value, one.unit, one.key)
    shares = [
        Share(
            source,
            f"{standard * scale:.2g} {unit}".rstrip(),
            _percent(standard**2 / variance if variance else 0.0),
            round(100 * standard**2 / variance, 1) if variance else 0.0,
        )
        for source, standard in _lines(one, variance)
    ]
    standard = f"{one.standard_uncertainty * scale:.2g} {unit}".rstrip()
    return Budget(label, conditions_text(one.conditions, label), str(shown(one)), standard, shares)


def _lines(one: Figure, variance: float) -> list[tuple[str, float]]:
    """Sources and standard uncertainties, the largest first; several small ones as one line."""
    ordered = sorted(one.contributions, key=lambda part: -part.standard)
    small = [part for part in ordered[1:] if part.standard**2 < _SMALL * variance]
    if len(small) < 2:
        return [(part.source, part.standard) for part in ordered]
    together = math.sqrt(sum(part.standard**2 for part in small))
    told = [(part.source, part.standard) for part in ordered if part not in small]
    return [*told, (f"{len(small)} smaller ones together", together)]


def _percent(share: float) -> str:
    if 0.0 < share < 0.005:
        return "below 0.5 %"
    return f"{share * 100:.0f} %"


class ShortfallRow(NamedTuple):
    """One part of a shortfall."""

    name: str
    value: str
    words: str


class Split(NamedTuple):
    """Where a shortfall, what was claimed but not measured, comes from; ``none`` names what has no
    part in it."""

    parts: Sequence[ShortfallRow]
    whole: str
    unit: str
    none: str = ""


def split(judged: Judged) -> Split | None:
    """The parts of a shortfall and their sum; None when it was not split."""
    if not judged.parts:
        return None
    scale, unit = scaled_unit(judged.claimed, judged.unit)
    parts = [
        ShortfallRow(
            one.name, _signed(one.value * scale, one.standard_uncertainty * scale), one.words
        )
        for one in judged.parts
        if not _is_nothing(one)
    ]
    whole = sum(one.value for one in judged.parts)
    none = "; ".join(f"{one.name}: {one.words}" for one in judged.parts if _is_nothing(one))
    return Split(parts, _signed(whole * scale, math.nan), unit, none)


def _is_nothing(part: VerdictPart) -> bool:
    return part.value == 0.0 and not part.standard_uncertainty > 0.0


def _signed(value: float, standard: float) -> str:
    told = show(value, COVERAGE * standard, "")
    sign = "" if value < 0.0 else "+"
    if not told.plus_minus or told.plus_minus == "0":
        return f"{value:+.3f}".replace("-", "\u2212")
    return f"{sign}{told.value} ± {told.plus_minus}"

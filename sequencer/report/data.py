"""Everything that was found as plain data: for JSON, and as one table for CSV.

Owns their layout. Units and digits are the analysis's own; what is not known is null or empty.
"""

import csv
import io
import math
from collections.abc import Iterator, Mapping
from typing import Any

from sequencer.analysis.results import Analysis, Figure, Judged, RunEvent
from sequencer.documents.claim import Conditions
from sequencer.recording.below_recommended import EARLIER, KEY
from sequencer.report import loops
from sequencer.report.sheet import RunSheet
from sequencer.report.wording import quantity_of
from sequencer.vocabulary.quantities import Dimension, Quantity

_UNITS = {
    "rate": "C",
    "current": "A",
    "cut_off": "V",
    "charge_voltage": "V",
    "temperature": "degC",
    "after": "s",
    "state_of_charge": "1",
    "burst": "s",
    "remaining": "1",
}
COLUMNS = (
    "kind",
    "key",
    "label",
    "value",
    "unit",
    "standard_uncertainty",
    "low_95",
    "high_95",
    "degrees_of_freedom",
    "headline",
    "step",
    "conditions",
    "flags",
    "claimed",
    "word",
    "probability",
    "why",
)


def as_data(sheet: RunSheet, analysis: Analysis, version: str) -> dict[str, Any]:
    """The whole report but its pictures."""
    return {
        "analysed_by": version,
        "run": sheet.run,
        "title": sheet.title,
        "purpose": sheet.purpose,
        "cell": sheet.cell,
        "specimen": sheet.specimen.get("specimen", ""),
        "bench": sheet.bench,
        "simulated": sheet.is_simulated,
        "rehearsal": sheet.is_rehearsal,
        "duration_s": sheet.duration_s,
        "ending": sheet.ending,
        "first_cause": sheet.first_cause,
        "off": sheet.off,
        KEY: sheet.low,
        EARLIER: list(sheet.earlier),
        "verdicts": [_verdict(one) for one in analysis.verdicts],
        "decision_rule": analysis.decision_rule,
        "figures": [_figure(one) for one in analysis.figures],
        "excluded": list(analysis.excluded),
        "warnings": list(analysis.warnings),
        "missing": list(sheet.missing),
        "events": [_event(one) for one in analysis.events],
        "loops": [loops.as_data(one) for one in sheet.loops],
        "samples_sha256": sheet.samples_sha256,
    }


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _figure(one: Figure) -> dict[str, Any]:
    return {
        "key": one.key,
        "label": one.label,
        "value": _number(one.value),
        "unit": one.unit,
        "standard_uncertainty": _number(one.standard_uncertainty),
        "low_95": _number(one.low),
        "high_95": _number(one.high),
        "degrees_of_freedom": _number(one.degrees_of_freedom),
        "headline": one.headline,
        "step": one.step,
        "conditions": _conditions(one.conditions),
        "condition_standards": _conditions(one.condition_standards),
        "flags": list(one.flags),
        "budget": [
            {
                "source": part.source,
                "standard": _number(part.standard),
                "degrees_of_freedom": _number(part.degrees_of_freedom),
            }
            for part in one.contributions
        ],
    }


def _conditions(conditions: Mapping[str, float | str]) -> dict[str, float | str | None]:
    """The unit is in the name. Nine digits: 0.7 stays 0.7 after arithmetic, and nothing is lost."""
    return {k: v if isinstance(v, str) else _rounded(v) for k, v in conditions.items()}


def _rounded(value: float) -> float | None:
    return float(f"{value:.9g}") if math.isfinite(value) else None


def _claim(one: Judged) -> dict[str, Any]:
    """The claim as it was made: where, what, which value, under which conditions; with units."""
    given = one.claim.conditions
    stated = dict(given) if isinstance(given, Conditions) else {}
    return {
        "said_on": one.claim.said_on,
        "quantity": quantity_of(one.claim),
        "value": _rounded(one.claimed),
        "unit": one.unit,
        "conditions": {
            name: _stated(name, value) for name, value in stated.items() if value is not None
        },
    }


def _stated(name: str, value: Any) -> dict[str, Any]:
    """A condition with its unit; a termination current is one or a rate, as it was stated."""
    if isinstance(value, str):
        return {"value": value}
    if isinstance(value, Quantity):
        unit = "C" if value.dimension is Dimension.RATE else "A"
        return {"value": _rounded(value.value), "unit": unit}
    return {"value": _rounded(value), "unit": _UNITS[name]}


def _verdict(one: Judged) -> dict[str, Any]:
    return {
        "number": one.number,
        "claim": _claim(one),
        "claimed": _number(one.claimed),
        "promised": _number(one.promised),
        "unit": one.unit,
        "word": one.word.value,
        "impossible": one.is_impossible,
        "why": one.why,
        "under": one.under,
        "figure": one.figure,
        "measured": _number(one.measured),
        "standard_uncertainty": _number(one.standard_uncertainty),
        "probability": _number(one.probability),
        "extrapolated": _extrapolated(one),
        "parts": [
            {
                "name": part.name,
                "value": _number(part.value),
                "standard_uncertainty": _number(part.standard_uncertainty),
                "words": part.words,
            }
            for part in one.parts
        ],
    }


def _extrapolated(one: Judged) -> dict[str, Any] | None:
    """The least and the most where nothing was measured, in the claim's unit; no verdict."""
    found = one.extrapolated
    if found is None:
        return None
    low, high = _number(found.low), _number(found.high)
    return {"at_least": low, "at_most": high, "figure": found.figure}


def _event(one: RunEvent) -> dict[str, Any]:
    return {"time_s": _number(one.time_s), "kind": one.kind, "words": one.words}


def as_csv(sheet: RunSheet, analysis: Analysis, version: str) -> list[str]:
    """One line a figure and a verdict, a header first; RFC 4180 quoting, no line ends."""
    data = as_data(sheet, analysis, version)
    rows = [*map(_figure_row, data["figures"]), *map(_verdict_row, data["verdicts"])]
    return [_line(COLUMNS), *(_line(row.get(name) for name in COLUMNS) for row in rows)]


def _figure_row(one: Mapping[str, Any]) -> dict[str, Any]:
    pairs = "; ".join(f"{name}={value}" for name, value in one["conditions"].items())
    return {
        **one,
        "kind": "figure",
        "headline": int(one["headline"]),
        "conditions": pairs,
        "flags": "; ".join(one["flags"]),
    }


def _verdict_row(one: Mapping[str, Any]) -> dict[str, Any]:
    return {
        **one,
        "kind": "verdict",
        "key": f"claim.{one['number']}",
        "label": one["claim"].get("said_on", ""),
        "value": one["measured"],
        "conditions": one["under"],
    }


def _line(values: Any) -> str:
    made = io.StringIO()
    csv.writer(made, lineterminator="").writerow(_cells(values))
    # One row stays one line, also where somebody wrote a line end into a label.
    return made.getvalue().replace("\r", " ").replace("\n", " ")


def _cells(values: Any) -> Iterator[Any]:
    return ("" if value is None else value for value in values)

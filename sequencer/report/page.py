"""The page: everything that was found as one HTML file that needs nothing else.

Owns what is put on it and in which order; the words are in ``wording``, the look in ``page.css``.
Same run, same bytes: nothing here knows the time, the place or chance.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from sequencer.analysis.results import Analysis, Figure, Judged, VerdictWord
from sequencer.recording.below_recommended import what_to_do
from sequencer.report import loops, night, pictures, tables, wording
from sequencer.report.files import shipped
from sequencer.report.grouping import grouped
from sequencer.report.headlines import flagged, headlines, too_wide
from sequencer.report.numbers import half_width, signed, unbroken
from sequencer.report.sheet import RunSheet
from sequencer.vocabulary.table import Floats, Table
from sequencer.vocabulary.units import duration


def render(
    sheet: RunSheet, table: Table, analysis: Analysis, version: str, product: Sequence[str] = ()
) -> str:
    """The whole page as text. ``version`` names the program that analysed the run; ``product`` is
    what it says of a product, line by line."""
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["svg"] = Markup
    environment.filters["duration"] = duration
    environment.filters["signs"] = unbroken
    environment.filters["moved"] = signed
    template = environment.from_string(shipped("page.html.j2"))
    context = {**_context(sheet, table, analysis, version), "product": product}
    return template.render(context) + "\n"


def pictures_of(sheet: RunSheet, table: Table, analysis: Analysis) -> list[pictures.DrawnFigure]:
    """The pictures of a run, in the order of the page."""
    drawn = pictures.figures(analysis.curves, _halves(analysis))
    whole = night.night_figure(table, analysis.curves, sheet, analysis.events)
    return [*drawn[:1], *([whole] if whole else []), *drawn[1:]]


def _context(sheet: RunSheet, table: Table, analysis: Analysis, version: str) -> dict[str, Any]:
    events, chosen = analysis.events, headlines(analysis.figures)
    found = tables.subjects(analysis.figures)
    return {
        "style": Markup(shipped("picture.css") + shipped("page.css")),
        "sheet": sheet,
        "version": version,
        "first": what_to_do(sheet.low),
        "apart": tables.apart(analysis.figures),
        "loud": wording.loud(sheet),
        "opening": wording.opening(sheet),
        "tally": wording.tally(analysis.verdicts),
        "verdicts": [_verdict(one, analysis.figure(one.figure)) for one in analysis.verdicts],
        "meanings": [
            (wording.SIGNS[w], w.value, wording.MEANINGS[w], _class(w)) for w in VerdictWord
        ],
        "decision_rule": analysis.decision_rule,
        "totals": wording.totals(sheet),
        "loops": [(loops.sentence(one), loops.rows(one)) for one in sheet.loops],
        "headlines": [*tables.headline_values(chosen)],
        "flags": flagged(chosen),
        "too_wide": too_wide(analysis.figures),
        "trip": night.last_minute(table, sheet, events),
        "near": sheet.near,
        "pictures": pictures_of(sheet, table, analysis),
        "subjects": found,
        "numbers": sum(len(one.rows) for one in found),
        "cut_offs": tables.cut_offs(analysis.figures),
        "over_charge": tables.over_charge(analysis.figures),
        "budgets": tables.budgets(chosen),
        "wrong": wording.went_wrong(sheet, analysis),
        "excluded": grouped(analysis.excluded),
        "events": events,
        "sheet_rows": sheet_rows(sheet),
        "wording": wording,
        "troubles": table.troubles,
    }


def _class(word: VerdictWord) -> str:
    return word.name.lower().replace("_", "-")


def _verdict(one: Judged, figure: Figure | None) -> Mapping[str, Any]:
    return {
        "claim": wording.claim_text(one),
        "said": wording.said_text(one.claim),
        "said_on": one.claim.said_on,
        "word": one.word.value,
        "sign": wording.SIGNS[one.word],
        "class": _class(one.word),
        "why": one.why,
        "impossible": one.is_impossible,
        "under": one.under,
        "measured": wording.measured(one, figure),
        "after": wording.read_after(figure),
        "of": figure.label if figure is not None else "",
        "probability": "" if _tells_probability(one) else wording.probability(one),
        "split": tables.split(one),
    }


def _tells_probability(one: Judged) -> bool:
    """Whether the sentence has it already, or says that there is none."""
    return "probability" in one.why or "cannot be told" in one.why


def _halves(analysis: Analysis) -> dict[str, Floats]:
    """Half intervals for the points of a curve, where each point is one of the figures."""
    found = {}
    for curve in analysis.curves:
        if len(curve.x) > 100:
            continue
        halves = [_half_at(analysis.figures, y, curve.y_unit) for y in curve.y]
        if np.isfinite(halves).any():
            found[curve.key] = np.asarray(halves, float)
    return found


def _half_at(figures: Sequence[Figure], value: float, unit: str) -> float:
    """The half interval of the figure that has exactly this value; NaN when there is none."""
    scale, wanted = (1000.0, "Ohm") if unit == "mOhm" else (1.0, unit)
    same = (one for one in figures if one.unit == wanted and one.value * scale == value)
    return next((half_width(one) * scale for one in same), float("nan"))


def sheet_rows(sheet: RunSheet) -> list[tuple[str, str]]:
    """The run sheet's plain part: what, and what stands there; what is unknown says so."""
    specimen, limits = sheet.specimen, sheet.limits
    return [
        ("Run", sheet.run or "unknown"),
        ("Profile", sheet.title),
        ("Purpose", sheet.purpose or "not stated"),
        ("Begun", wording.started(sheet) or "made-up time of a rehearsal, or unknown"),
        ("Lasted", duration(sheet.duration_s)),
        ("Ended", wording.ending(sheet)),
        ("By whom", sheet.who or "not stated"),
        ("On which computer", sheet.host or "not stated"),
        ("Cell type", sheet.cell or "unknown"),
        ("Specimen", str(specimen.get("specimen") or "none named")),
        ("Batch", str(specimen.get("batch") or "not stated")),
        ("Arrived", _arrival(specimen)),
        ("Weighed", _weighings(specimen)),
        ("Clamping", _clamping(specimen)),
        ("Note on the specimen", str(specimen.get("note") or "none")),
        ("Number of specimens", "1"),
        ("Bench", sheet.bench or "unknown"),
        ("Limits", limit_words(limits) or "unknown"),
        ("Cautions acknowledged", sheet.acknowledged or _no_cautions(sheet)),
        ("Attended", _attended(sheet)),
        ("Proof of off", _proof(sheet)),
        ("Resumes", str(sheet.resumes.get("folder", "")) or "no earlier run"),
        ("Samples", f"{sheet.rows:,} rows, of which checkpoints vouch for {sheet.verified_rows:,}"),
        ("SHA-256 of the samples", sheet.samples_sha256 or "no samples"),
        (
            "Recorded by",
            ", ".join(f"{k} {v}" for k, v in sorted(sheet.versions.items())) or "unknown",
        ),
    ]


def _no_cautions(sheet: RunSheet) -> str:
    return "a rehearsal energises nothing" if sheet.is_rehearsal else "not recorded"


def _arrival(specimen: Mapping[str, Any]) -> str:
    arrival = specimen.get("arrival") or {}
    if not arrival:
        return "not stated"
    return f"{arrival.get('on', '')} at {arrival.get('voltage', '')} V"


def _weighings(specimen: Mapping[str, Any]) -> str:
    told = [_weighing(one) for one in specimen.get("weighings") or ()]
    return ", ".join(told) or "not stated"


def _weighing(one: Mapping[str, Any]) -> str:
    """``46.9 g with leads less wires 3.1 g``."""
    off = one.get("less")
    less = [f"{name} {mass} g" for name, mass in off.items()] if isinstance(off, Mapping) else []
    shown = f"{one.get('mass')} g {one.get('of')}"
    return f"{shown} less {' and '.join(less)}" if less else shown


def _clamping(specimen: Mapping[str, Any]) -> str:
    clamping = specimen.get("clamping") or {}
    if not clamping:
        return "not stated"
    ohm = clamping.get("resistance")
    contact = f", {ohm * 1e3:g} mΩ" if isinstance(ohm, int | float) else ""
    return f"{clamping.get('adapter')}, clamping {clamping.get('clamping')}{contact}"


def limit_words(limits: Mapping[str, Any]) -> str:
    """The limits at which the run would have been ended."""
    told = []
    for form, names in (
        ("{0:g} to {1:g} V", ("floor_v", "ceiling_v")),
        ("at most {0:g} A charging", ("charge_current_a",)),
        ("{0:g} A discharging", ("discharge_current_a",)),
        ("charging at {0:g} to {1:g} °C", ("charge_low_c", "charge_high_c")),
        ("discharging at {0:g} to {1:g} °C", ("discharge_low_c", "discharge_high_c")),
        ("at most {0:.3g} Ah put in", ("charge_in_ah",)),
        ("{0:.3g} Ah taken out", ("charge_out_ah",)),
    ):
        values = [limits.get(name) for name in names]
        if all(isinstance(value, int | float) for value in values):
            told.append(form.format(*values))
    return ", ".join(told)


def _attended(sheet: RunSheet) -> str:
    if not sheet.attended:
        return "not recorded" if not sheet.is_rehearsal else "a rehearsal needs nobody"
    if sheet.attended.get("accepted"):
        because = "; ".join(str(one) for one in sheet.attended.get("because") or ())
        return "a person stayed" + (f", because: {because}" if because else "")
    return "left alone; bench and plan allowed it"


def _proof(sheet: RunSheet) -> str:
    evidence = "; ".join(str(one) for one in sheet.off.get("evidence") or ())
    return f"level {sheet.off.get('level', 'none')}" + (f": {evidence}" if evidence else "")

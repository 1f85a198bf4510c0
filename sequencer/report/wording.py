"""The plain sentences of a report: what was tested, on what, how it ended, what a verdict means.

Owns the words for people. Refuses to compute: every number in them is given.
"""

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from sequencer.analysis.claims.wording import amount
from sequencer.analysis.results import Analysis, Figure, Judged, VerdictWord
from sequencer.documents.claim import VALUES, Claim, Conditions
from sequencer.recording.below_recommended import mark_words
from sequencer.report.grouping import grouped
from sequencer.report.numbers import COVERAGE, PrintedNumber, show, shown
from sequencer.report.sheet import RunSheet
from sequencer.vocabulary.quantities import Dimension
from sequencer.vocabulary.units import counted, duration

SIGNS: Final[Mapping[VerdictWord, str]] = {
    VerdictWord.SUPPORTED: "✓",
    VerdictWord.NOT_SUPPORTED: "✗",
    VerdictWord.CANNOT_TELL: "?",
    VerdictWord.NOT_COMPARABLE: "≠",
}
MEANINGS: Final[Mapping[VerdictWord, str]] = {
    VerdictWord.SUPPORTED: (
        "measured under the conditions named; the doubt left is too small to matter"
    ),
    VerdictWord.NOT_SUPPORTED: "measured under the conditions named; the claim does not hold",
    VerdictWord.CANNOT_TELL: "what was measured on this bench leaves the claim open",
    VerdictWord.NOT_COMPARABLE: "nothing was measured under conditions like those of the claim",
}
_ENDINGS: Final = {
    "done": "ended as planned",
    "aborted": "was ended early by a person",
    "tripped": "was ended early by an interlock: a limit was met",
    "faulted": "was ended early by a fault of an instrument or of the computer",
    "fault": "was ended early by a fault of an instrument or of the computer",
    "not proven off": "ended WITHOUT PROOF that the outputs were off",
    "refused": "was refused before anything was switched on",
    "interrupted": "broke off: its record has no end",
}
ONE_CELL: Final = (
    "One specimen was tested. What is found holds for this one cell as it was that night; it proves"
    " nothing about other cells of the type, the batch or the seller."
)
NO_CERTIFICATE: Final = (
    "This is a measurement on one bench, not a certificate and not a safety test. Nightbench is"
    " certified for nothing and certifies nothing."
)
CAUTIONS: Final = (
    (
        "A lithium cell that is charged or used wrongly can burn, and its smoke is poisonous. A"
        " good verdict in this report does not make a cell safe."
    ),
    (
        "Stay inside the cell maker's own limits; use a protection that works without any computer;"
        " charge in a fire-resistant place, and never a swollen, leaking, hot or dented cell."
    ),
    (
        "Local codes, your insurer and the licensed electrician, engineer or fire authority"
        " where you are come before anything written here."
    ),
)


def loud(sheet: RunSheet) -> tuple[str, str] | None:
    """The heading and the sentence that must not be missed when no real cell was there, or when
    nobody can tell. A file of samples alone never said that it came from a run of ours."""
    if sheet.is_rehearsal:
        return (
            "Simulated: a rehearsal",
            (
                "No real cell and no real instrument took part. Every number below comes from a"
                " simulation and says nothing about a cell that can be bought."
            ),
        )
    if sheet.is_simulated:
        return (
            "Simulated: no real bench",
            (
                "The instruments and the cell were simulated. Every number below comes from a"
                " simulation and says nothing about a cell that can be bought."
            ),
        )
    if sheet.is_simulated is None and sheet.ending:
        return (
            "Real or simulated: not known",
            (
                "The manifest, which says whether a real cell and real instruments took part, is"
                " missing or damaged. Take no number below for a real cell's unless you know it to"
                " be."
            ),
        )
    return None


def opening(sheet: RunSheet) -> list[str]:
    """What was tested, on what, and how it ended; one sentence an entry."""
    name = str(sheet.specimen.get("specimen", ""))
    what = f"specimen {name} of the type {sheet.cell}" if name else f"a specimen of {sheet.cell}"
    tested = f"One cell, {what if sheet.cell else 'of a type that is not recorded'}"
    if not sheet.ending:
        told = f"by the manifest of “{sheet.title}”" if sheet.run else f"by {sheet.title} alone"
        return [f"{tested}, as told {told}.", _course(sheet), ""]
    bench = f" on the bench “{sheet.bench}”" if sheet.bench else ""
    return [
        f"{tested}, went through the profile “{sheet.title}”{bench}.",
        _course(sheet),
        off_words(sheet) if sheet.ending else "",
    ]


def _course(sheet: RunSheet) -> str:
    if not sheet.ending:
        return f"The samples span {duration(sheet.duration_s)}; no journal tells how the run ended."
    if sheet.ending == "refused":
        return f"The run {ending(sheet)}: {sheet.reason or 'the record does not say why'}."
    return f"The run took {duration(sheet.duration_s)} and {ending(sheet)}."


def totals(sheet: RunSheet) -> str:
    """``In 25 finished steps 5.98 Ah and 23.7 Wh put in, ...``; empty without a finished step."""
    done = [one for one in sheet.steps if one.charge_ah is not None]
    if not done:
        return ""
    moved = [
        f"{_sum(one.charge_ah for one in done if one.kind == kind)} Ah and "
        f"{_sum(one.energy_wh for one in done if one.kind == kind)} Wh {verb}"
        for kind, verb in (("charge", "put in"), ("discharge", "taken out"))
    ]
    return f"In {counted(len(done), 'finished step')} {', '.join(moved)}."


def _sum(values: Iterable[float | None]) -> str:
    """``18.0``, ``0.35``, ``1234``: three digits, or all before the point."""
    whole = abs(sum(one or 0.0 for one in values))
    return f"{whole:.0f}" if whole >= 99.95 else f"{whole:#.3g}"


def started(sheet: RunSheet) -> str:
    """``2026-11-25 18:00 UTC``; empty for a rehearsal, whose time is made up, and if unknown."""
    if sheet.is_rehearsal or len(sheet.start) < 16:
        return ""
    return f"{sheet.start[:10]} {sheet.start[11:16]} UTC"


def ending(sheet: RunSheet) -> str:
    """How it ended, as the end of a sentence."""
    return _ENDINGS.get(sheet.ending, sheet.ending)


def off_words(sheet: RunSheet) -> str:
    """How well *off* is known at the end; a person's word beside it, as that."""
    by_hand = sheet.off.get("by_hand")
    if not by_hand:
        return _off_seen(sheet)
    return f"{_off_seen(sheet)} Later a person closed the run by their word: “{by_hand['words']}”."


def _off_seen(sheet: RunSheet) -> str:
    level = sheet.off.get("level", "none")
    if sheet.off.get("contradicted"):
        return "Evidence at the end CONTRADICTS that the outputs were off."
    if sheet.off.get("proven"):
        return f"Afterwards the outputs were proven off by measurement (level {level})."
    if level == "C":
        return "Afterwards the outputs were off by the instruments' own word alone (level C)."
    return "The record holds NO PROOF that the outputs were off at the end."


def tally(verdicts: Sequence[Judged]) -> str:
    """``Of 8 claims: 2 supported, 3 not supported, …``."""
    if not verdicts:
        return "No claim of a seller was given, so none was judged."
    words_of = Counter(one.word for one in verdicts)
    words = [f"{words_of[word]} {word.value}" for word in VerdictWord if words_of[word]]
    claims = len({one.number for one in verdicts})
    judged = f" ({len(verdicts)} judgements)" if claims != len(verdicts) else ""
    return f"Of {claims} claim{'s' if claims != 1 else ''}{judged}: {', '.join(words)}."


def claim_text(judged: Judged) -> str:
    """``Capacity 3 Ah``: the claim as it was made."""
    name = judged.what or quantity_of(judged.claim).replace("_", " ") or "claim"
    name = name[0].upper() + name[1:]
    value = amount(judged.claimed, judged.unit).replace("mOhm", "mΩ").replace("degC", "°C")
    return f"{name} {value}"


def quantity_of(claim: Claim) -> str:
    """What is claimed, by its name in the cell document."""
    return next((name for name in VALUES if getattr(claim, name) is not None), "")


def said_text(claim: Claim) -> str:
    """Where it was said and under which conditions."""
    given = claim.conditions
    words = "no conditions given" if not isinstance(given, Conditions) else _conditions(given)
    return f"{claim.said_on}; {words}"


def _conditions(given: Conditions) -> str:
    told = [
        f"{given.rate:g} C" if given.rate is not None else "",
        f"{given.current:g} A" if given.current is not None else "",
        f"to {given.cut_off:.2f} V" if given.cut_off is not None else "",
        f"charged to {given.charge_voltage:.2f} V" if given.charge_voltage is not None else "",
        f"charged until {_current(given)}" if given.termination_current is not None else "",
        f"at {given.temperature:g} °C" if given.temperature is not None else "",
        f"after {given.after:g} s" if given.after is not None else "",
        f"at {given.state_of_charge * 100:g} % charge" if given.state_of_charge is not None else "",
        f"mass {given.mass}" if given.mass is not None else "",
        f"for {given.burst:g} s" if given.burst is not None else "",
        f"{given.remaining * 100:g} % remaining" if given.remaining is not None else "",
    ]
    return ", ".join(one for one in told if one) or "no conditions given"


def _current(given: Conditions) -> str:
    end = given.termination_current
    return "" if end is None else f"{end.value:g} {'C' if end.dimension is Dimension.RATE else 'A'}"


def measured(judged: Judged, figure: Figure | None = None) -> PrintedNumber | None:
    """What was measured for it, or None; as its figure shows it, where it is that figure."""
    if not math.isfinite(judged.measured):
        return None
    if figure is not None and (figure.value, figure.unit) == (judged.measured, judged.unit):
        return shown(figure)
    return show(judged.measured, COVERAGE * judged.standard_uncertainty, judged.unit)


def read_after(figure: Figure | None) -> str:
    """`` after 1 s``: a resistance says nothing without its time; empty for anything else."""
    after_s = figure.conditions.get("pulse_s") if figure is not None else None
    is_ohms = figure is not None and figure.unit == "Ohm"
    return f" after {after_s:g} s" if is_ohms and isinstance(after_s, int | float) else ""


def probability(judged: Judged) -> str:
    """``97 %``, ``more than 99.9 %``; empty where nothing could be compared."""
    share = judged.probability
    if not math.isfinite(share):
        return ""
    if share > 0.999:
        return "more than 99.9 %"
    if share < 0.001:
        return "less than 0.1 %"
    return f"{share * 100:.{1 if share > 0.99 or share < 0.01 else 0}f} %"


_ENDED_BY = {
    "aborted": "The run was ended by a person",
    "faulted": "The run was ended by a fault",
}


def _earlier(one: Mapping[str, Any]) -> str:
    began = str(one.get("start", ""))[:10]
    return (
        f"This specimen went below its recommended cut-off before this run: {mark_words(one)}, in"
        f" the run {one.get('folder', '')} of {began}. What is found here is of a cell that this"
        " may have changed."
    )


def went_wrong(sheet: RunSheet, analysis: Analysis) -> list[str]:
    """Everything that was not as it should be, the gravest first."""
    told = []
    if sheet.first_cause:
        how = _ENDED_BY.get(str(sheet.first_cause.get("ending", "")), "The run tripped")
        told.append(f"{how}: {sheet.first_cause.get('reason', '')}.")
    elif sheet.reason and sheet.ending != "refused":
        told.append(f"The run ended early: {sheet.reason}.")
    told += [_earlier(one) for one in sheet.earlier]
    if sheet.rescue:
        told.append(f"The bench was made safe from outside the run: {sheet.rescue}.")
    told += [f"The record is not whole: {one}." for one in sheet.missing]
    return [*told, *grouped(analysis.warnings)]

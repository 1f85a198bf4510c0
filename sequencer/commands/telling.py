"""Words and data that several commands share: times of day, what the bench can and cannot do."""

from typing import Any

from sequencer.assembly.benches import make_outfit
from sequencer.assembly.hosting import RUNS, network_cautions
from sequencer.assembly.leaving import proof_line, reasons_to_stay
from sequencer.assembly.papers import Papers, appraise_papers, remarks_on
from sequencer.feasibility.appraisal import lines, particulars, verdict, warnings
from sequencer.feasibility.proof import ProofReach


def clock_time_after(seconds: float) -> str:
    """The local time that many seconds from now."""
    from datetime import datetime, timedelta

    from sequencer.clocks import unix_ns

    now = datetime.fromtimestamp(unix_ns() / 1e9).astimezone()
    return f"{now + timedelta(seconds=seconds):%A %H:%M}"


def warmth_is_seen(papers: Papers) -> bool:
    """Whether a sensor sits on the cell; so it is taken where no bench is named."""
    outfit = make_outfit(papers) if papers.bench else None
    return outfit is None or outfit.surface.present or outfit.tab.present


def finding_lines(papers: Papers) -> list[str]:
    """What this bench can, can barely and cannot do of the plan; how off is proven; what becomes of
    the cell if the computer dies; whether a person must stay."""
    appraisal = appraise_papers(papers)
    if appraisal is None:
        return []
    return [*lines(appraisal), proof_line(papers)]


def warning_lines(papers: Papers) -> list[str]:
    """What the author should know of the plan; what this bench cannot do, what barely, and every
    reason why a person must stay; and that the record would lie on another computer."""
    noted = [f"note: {one}" for one in remarks_on(papers)]
    appraisal = appraise_papers(papers)
    if appraisal is None:
        return noted
    stays = (f"for attended use: {one}" for one in reasons_to_stay(papers))
    return [*noted, *warnings(appraisal), *stays, *network_cautions(RUNS)]


def particular_lines(papers: Papers) -> list[str]:
    """The rest of ``finding_lines``."""
    appraisal = appraise_papers(papers)
    return [] if appraisal is None else [*particulars(appraisal), proof_line(papers)]


def verdict_words(papers: Papers) -> str:
    """What this bench makes of the plan, in one line."""
    appraisal = appraise_papers(papers)
    if appraisal is None:
        return "no bench named (--bench): whether a bench can do this is not checked"
    stays = "a person must stay" if reasons_to_stay(papers) else "may be left alone"
    return f"{verdict(appraisal)}; {stays}"


def finding_data(papers: Papers) -> dict[str, Any] | None:
    """The same as plain data."""
    appraisal = appraise_papers(papers)
    if appraisal is None:
        return None
    return {
        "findings": [{**one._asdict(), "ability": one.ability.value} for one in appraisal.findings],
        "proof": [_proof_data(one) for one in appraisal.proof],
        "if_the_computer_dies": [one._asdict() for one in appraisal.fates],
        "attended_because": list(appraisal.attended_because),
    }


def _proof_data(one: ProofReach) -> dict[str, Any]:
    bound_a = one.bound_a if one.bound_a < float("inf") else None
    return {"level": one.level.value, "words": one.words, "bound_a": bound_a}

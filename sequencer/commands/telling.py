"""Words and data that several commands share: times of day, what the bench can and cannot do."""

from typing import Any

from sequencer.assembly.attendance import proof_line, reasons_to_stay
from sequencer.assembly.host_checks import RUNS, network_cautions
from sequencer.feasibility.appraisal import lines, particulars, verdict, warnings
from sequencer.feasibility.proof import ProofReach
from sequencer.feasibility.wiring import bypassed, wiring_words
from sequencer.run_documents.channels import measuring_channels_of
from sequencer.run_documents.reading import (
    LIKELY,
    RunDocuments,
    appraise_run_documents,
    likely_end,
    remarks_on,
)
from sequencer.vocabulary import units


def clock_time_after(seconds: float) -> str:
    """The local time that many seconds from now."""
    from datetime import datetime, timedelta

    from sequencer.clocks import unix_ns

    now = datetime.fromtimestamp(unix_ns() / 1e9).astimezone()
    return f"{now + timedelta(seconds=seconds):%A %H:%M}"


def how_long(run_documents: RunDocuments) -> str:
    """How long the run will likely take, and when it trips at the latest; and what these are."""
    most_s = run_documents.plan.limits.total_time_s
    likely_s = likely_end(run_documents).get(LIKELY)
    given = run_documents.profile.document.limits.total_time is not None
    what = "the profile's 'total time'" if given else "the bounds of all steps together"
    most = f"at most {units.duration(most_s)} ({what}): past that it trips"
    if likely_s is None:
        return f"how long: {most}"
    some = f"some {units.duration(60.0 * round(likely_s / 60.0))} (an estimate)"
    late = ", which is likely before its end" if likely_s > most_s else ""
    return f"how long: {some}, {most}{late}"


def warmth_is_seen(run_documents: RunDocuments) -> bool:
    """Whether a sensor sits on the cell; so it is taken where no bench is named."""
    channels = measuring_channels_of(run_documents) if run_documents.bench else None
    return channels is None or channels.surface.present or channels.tab.present


def finding_lines(run_documents: RunDocuments) -> list[str]:
    """What this bench can, can barely and cannot do of the plan; how off is proven; what becomes of
    the cell if the computer dies; whether a person must stay."""
    appraisal = appraise_run_documents(run_documents)
    if appraisal is None:
        return []
    return [*lines(appraisal), proof_line(run_documents)]


def warning_lines(run_documents: RunDocuments) -> list[str]:
    """What the author should know of the plan; what this bench cannot do, what barely, and every
    reason why a person must stay; and that the record would lie on another computer."""
    noted = [f"note: {one}" for one in remarks_on(run_documents)]
    appraisal = appraise_run_documents(run_documents)
    if appraisal is None:
        return noted
    stays = (f"for attended use: {one}" for one in reasons_to_stay(run_documents))
    return [*noted, *warnings(appraisal), *stays, *network_cautions(RUNS)]


def particular_lines(run_documents: RunDocuments) -> list[str]:
    """The rest of ``finding_lines``."""
    appraisal = appraise_run_documents(run_documents)
    return [] if appraisal is None else [*particulars(appraisal), proof_line(run_documents)]


def wiring_lines(run_documents: RunDocuments) -> list[str]:
    """The bench's wiring, pole by pole."""
    bench = run_documents.bench
    if bench is None:
        return []
    told = (f"  {one}" for one in wiring_words(bench.bench.document))
    return ["wiring, as the bench document has it: compare it lead by lead", *told]


def verdict_words(run_documents: RunDocuments) -> str:
    """What this bench makes of the plan, in one line."""
    appraisal = appraise_run_documents(run_documents)
    if appraisal is None:
        return "no bench named (--bench): whether a bench can do this is not checked"
    stays = "a person must stay" if reasons_to_stay(run_documents) else "may be left alone"
    return f"{verdict(appraisal)}; {stays}"


def finding_data(run_documents: RunDocuments) -> dict[str, Any] | None:
    """The same as plain data."""
    appraisal = appraise_run_documents(run_documents)
    if appraisal is None:
        return None
    bench = run_documents.bench
    assert bench is not None
    return {
        "wiring": wiring_words(bench.bench.document),
        "bypassed": bypassed(bench.bench.document),
        "findings": [{**one._asdict(), "ability": one.ability.value} for one in appraisal.findings],
        "proof": [_proof_data(one) for one in appraisal.proof],
        "if_the_computer_dies": [one._asdict() for one in appraisal.losses_of_control],
        "attended_because": list(appraisal.attended_because),
    }


def _proof_data(one: ProofReach) -> dict[str, Any]:
    bound_a = one.bound_a if one.bound_a < float("inf") else None
    return {"level": one.level.value, "words": one.words, "bound_a": bound_a}

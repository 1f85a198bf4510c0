"""The runs in a folder, a line each: what, when, how long, how it ended, whether off is proven."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from sequencer.recording.below_recommended import KEY, mark_words
from sequencer.recording.folder import JOURNAL, MANIFEST
from sequencer.recording.run import NO_END, read_run
from sequencer.recording.summary import summarise
from sequencer.screens.telling import ENDINGS
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.units import duration


def runs(folder: Path, is_alive: Callable[[Path], bool] | None = None) -> list[dict[str, Any]]:
    """The summaries of the runs below ``folder``, by name, each with its ``folder`` and ``living``.

    ``is_alive`` says whether a process owns the run in a folder. What is no run is passed by; a
    damaged one is listed, with what is missing.
    """
    found = []
    for place in sorted(folder.iterdir()) if folder.is_dir() else ():
        if not (place / MANIFEST).exists() and not (place / JOURNAL).exists():
            continue
        try:
            summary = summarise(read_run(place))
        except (UsageError, OSError, ValueError, TypeError, KeyError, AttributeError) as error:
            # A folder that somebody changed hides none of the others.
            summary = {"title": "", "ending": "interrupted", "missing": [str(error)]}
        living = is_alive(place) if is_alive is not None else False
        found.append({**summary, "folder": str(place), "living": living})
    return found


def run_line(summary: Mapping[str, Any]) -> str:
    """One run in one line."""
    told = [str(summary.get("title") or "a run without a manifest")]
    if summary.get("rehearsal"):
        told.append("rehearsal")
    elif summary.get("start"):
        told.append(f"began {str(summary['start'])[:16].replace('T', ' ')} UTC")
    told.append(duration(round(summary.get("duration_s") or 0)))
    told.append(_ending(summary))
    resumes = summary.get("resumes")
    if isinstance(resumes, Mapping):
        told.append(f"resumes {resumes.get('folder', '')}")
    broken = summary.get("interrupted_step")
    if broken and not summary.get("living"):
        how = "broken off" if summary.get("ending") == "interrupted" else "ended"
        told.append(f"{how} in step {broken.get('step')} ({broken.get('words')})")
    low = summary.get(KEY)
    if low:
        told.append(mark_words(low))
    if not summary.get("living"):
        told += ["THE CELL WAS NOT RECHARGED"] if low and not low["is_recharged"] else []
        told += [str(summary["reason"])] if summary.get("reason") else []
        told.append(_off(summary.get("off") or {}))
        damage = [words for words in summary.get("missing", ()) if words != NO_END]
        told += [f"record not whole: {'; '.join(damage)}"] if damage else []
    return f"{Path(str(summary.get('folder', ''))).name}: {', '.join(told)}"


def _ending(summary: Mapping[str, Any]) -> str:
    ending = str(summary.get("ending", ""))
    if summary.get("living") and ending in ("", "interrupted"):
        return goes_on(summary)
    return "INTERRUPTED" if ending == "interrupted" else ENDINGS.get(ending, ending)


def goes_on(summary: Mapping[str, Any]) -> str:
    """What a living run is at: after a trip nothing counts but whether off is proven."""
    if summary.get("first_cause"):
        return f"MAKING SAFE, {_off(summary.get('off') or {})}"
    return "PAUSED" if summary.get("state") == "paused" else "RUNNING"


def _off(off: Mapping[str, Any]) -> str:
    by_hand = off.get("by_hand")
    return _seen(off) + (f', closed by a person\'s word: "{by_hand["words"]}"' if by_hand else "")


def _seen(off: Mapping[str, Any]) -> str:
    if off.get("contradicted"):
        return "off CONTRADICTED"
    if off.get("proven"):
        return f"off proven (level {off.get('level')})"
    if off.get("level") == "C":
        return "off by the instruments' own word alone (level C)"
    return "off NOT proven"

"""Whether a run took its cell below every recommended cut-off, how far, and whether it came back.

Owns what the journal says of a residual discharge, and the words for a person where the run stopped
before the cell was recharged.
"""

import json
from collections.abc import Mapping, Sequence
from math import isnan
from pathlib import Path
from typing import Any, Final

from sequencer.recording.folder import SUMMARY
from sequencer.recording.sleeping import asleep_ns
from sequencer.vocabulary.intent import RECHARGE_LATEST_S, RESIDUAL, State

KEY: Final = "residual_discharge"
"""Of what is known of it, in summaries and reports; None where there was none."""
EARLIER: Final = "earlier_residual_discharges"
"""In a manifest: those of the same specimen in runs before, the mark that it carries."""


class BelowRecommended:
    """Learns from one journal entry after the other."""

    def __init__(self) -> None:
        self.step = 0
        self._is_recharging = self._is_back = self._is_late = False
        self._ended: Mapping[str, Any] = {}
        self._low_ns: int | None = None
        self._last_ns, self._was_s = 0, 0.0

    def goes_on(self, manifest: Mapping[str, Any]) -> None:
        """From how the run before left the cell, where this one resumes it."""
        before = (manifest.get("resumes") or {}).get(KEY)
        if isinstance(before, Mapping) and not before.get("is_recharged"):
            self.step = int(before.get("step") or 0)
            self._ended = {"start_v": before.get("began_v"), "low_v": before.get("lowest_v")}
            gap_s = manifest["resumes"].get("gap_s", -1.0)  # below zero: the clock went back
            was_s = before.get("low_s") or 0.0
            if not before.get("is_recharging"):
                self._was_s = RECHARGE_LATEST_S if gap_s < 0.0 else was_s + gap_s
            self._is_late = bool(before.get("is_late"))

    def take(self, kind: str, entry: Mapping[str, Any]) -> None:
        """Kinds that say nothing about it are passed by."""
        at_ns = entry.get("at_ns")
        if isinstance(at_ns, int):
            self._last_ns = at_ns
            if self._was_s and self._low_ns is None:
                self._low_ns = at_ns - round(self._was_s * 1e9)
        if self._low_ns is not None:
            self._low_ns -= asleep_ns(kind, entry)
        low_ns = self._low_ns
        if low_ns is not None and isinstance(at_ns, int) and not self._is_recharging:
            self._is_late = self._is_late or at_ns - low_ns > RECHARGE_LATEST_S * 1e9
        if kind == "state" and entry.get("words") == RESIDUAL and _is(entry, State.DISCHARGING):
            self.step, self._ended = int(entry.get("step") or 0), {}
            self._is_recharging = self._is_back = False
            self._low_ns, self._was_s = None, 0.0
        elif self.step and low_ns is None and not self._is_recharging and _is_left(kind, entry):
            self._low_ns = at_ns
        elif kind == "state" and self.step and _is(entry, State.CHARGING):
            self._is_recharging = True
        elif kind == "step ended" and self.step and entry.get("step") == self.step:
            self._ended = entry
            self._low_ns = at_ns
        elif kind == "step ended" and self._is_recharging:
            self._is_back = True

    def told(self, last_v: float | None) -> dict[str, Any] | None:
        """Its step, the voltage (V) at its beginning, the lowest known of it, the last one of the
        run, whether that was up again where it had begun, and whether the recharge had not begun
        half an hour after its end, or what it was left by; ``low_s`` since then, the computer's
        sleep with it."""
        if not self.step:
            return None
        last_v = None if last_v is None or isnan(last_v) else last_v
        began_v, lowest_v = self._ended.get("start_v"), self._ended.get("low_v")
        is_up = last_v is not None and began_v is not None and last_v >= began_v
        return {
            "step": self.step,
            "began_v": began_v,
            "lowest_v": last_v if lowest_v is None else lowest_v,
            "last_v": last_v,
            "is_recharging": self._is_recharging,
            "is_recharged": self._is_back or (self._is_recharging and is_up),
            "is_late": self._is_late,
            "low_s": None if self._low_ns is None else (self._last_ns - self._low_ns) / 1e9,
        }


def _is_left(kind: str, entry: Mapping[str, Any]) -> bool:
    """Whether a pause or a trip leaves it before its end."""
    return kind == "trip" or (kind == "state" and _is(entry, State.PAUSED))


def _is(entry: Mapping[str, Any], state: State) -> bool:
    return entry.get("state") == state.value


def what_to_do(told: Mapping[str, Any] | None) -> Sequence[str]:
    """For a person, first of all: empty where the cell was not left low, nor for too long."""
    if told is None or (told["is_recharged"] and not told.get("is_late")):
        return ()
    if told["is_recharged"]:
        late = f"LATE: the recharge after the residual discharge of step {told['step']}"
        return (f"{late} did not begin within 30 min. Look at the cell before it is used again.",)
    last_v = told["last_v"]
    reads = "" if last_v is None else f" (it last read {last_v:.3f} V)"
    begun = "its recharge was broken off" if told["is_recharging"] else "it was not recharged"
    late = "; its recharge did not begin within 30 min, as it must" if told.get("is_late") else ""
    return (
        (
            f"DO FIRST: the cell lies below its recommended voltage{reads}: {begun} after the"
            f" residual discharge of step {told['step']}{late}"
        ),
        "Do not leave it. Is it swollen, leaking or warm: do not charge it, keep away from it.",
        "Else recharge it within 30 min, at no more than 0.1 C, to its storage voltage.",
    )


def what_summary_asks(folder: Path | None) -> Sequence[str]:
    """The same of a run that has its summary; empty where there is none."""
    if folder is None:
        return ()
    try:
        summary = json.loads((folder / SUMMARY).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return ()
    return what_to_do(summary.get(KEY))


def mark_words(told: Mapping[str, Any]) -> str:
    """How low it was, for a list."""
    low_v = told.get("lowest_v")
    late = ", recharged too late or not at all" if told.get("is_late") else ""
    return RESIDUAL + late if low_v is None else f"{RESIDUAL} down to {low_v:.3f} V{late}"

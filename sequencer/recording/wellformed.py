"""What a journal or a manifest says, without what is of the wrong sort to be anything we wrote.

Owns which sort of value belongs to a name. A value of another sort is left out, as if it had not
been told, and said in words: whoever tells of a run can trust what is there.
"""

import math
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final

from sequencer.recording.folder import JOURNAL, MANIFEST
from sequencer.recording.journal import JournalEntry

_ODD: Final = "is not what it should be, and is passed over"
_Test = Callable[[Any], bool]


def is_whole(value: Any) -> bool:
    """A count or a time in whole nanoseconds."""
    return isinstance(value, int) and not isinstance(value, bool)


def is_number(value: Any) -> bool:
    """A number that can be told."""
    return is_whole(value) or (isinstance(value, float) and math.isfinite(value))


def _is_text(value: Any) -> bool:
    return isinstance(value, str)


def _is_list(value: Any) -> bool:
    return isinstance(value, list)


def _is_mapping(value: Any) -> bool:
    return isinstance(value, Mapping)


def _is_list_of_mappings(value: Any) -> bool:
    return isinstance(value, list) and all(map(_is_mapping, value))


_ENTRY: Final[Mapping[_Test, tuple[str, ...]]] = {
    is_whole: ("at_ns", "began_ns", "ended_ns", "crossed_ns", "step", "rows", "bytes", "exit"),
    is_number: (
        *("charge_in_ah", "charge_out_ah", "energy_in_wh", "energy_out_wh"),
        *("crossed_ah", "crossed_wh"),
        *("end_v", "highest_c", "current_a", "voltage_v", "honest_a", "lying_a"),
    ),
    _is_text: (
        *("reason", "interlock", "ending", "words", "asked", "why", "sentence", "label"),
        *("direction", "state", "level", "instrument", "sha256"),
    ),
    _is_list: ("faults", "evidence"),
    _is_mapping: ("limits", "proof"),
}
_MANIFEST: Final[Mapping[_Test, tuple[str, ...]]] = {
    _is_mapping: ("specimen", "versions", "resumes", "attended", "bundle"),
    _is_list: ("documents",),
    _is_list_of_mappings: ("earlier_residual_discharges",),
}
_SPECIMEN: Final[Mapping[_Test, tuple[str, ...]]] = {
    _is_mapping: ("arrival", "clamping"),
    _is_list_of_mappings: ("weighings",),
}


def sound_entries(entries: Iterable[JournalEntry]) -> tuple[list[JournalEntry], list[str]]:
    """The entries without values of the wrong sort, and in words which those were."""
    kept: list[JournalEntry] = []
    lost: list[str] = []
    for one in entries:
        entry, names = _sound(one.entry, _ENTRY)
        proof, more = _sound(entry.get("proof") or {}, _ENTRY)
        entry = {**entry, "proof": proof} if "proof" in entry else entry
        kept.append(one._replace(entry=entry))
        lost += [f"{JOURNAL}: {name!r} of a {one.kind!r} {_ODD}" for name in (*names, *more)]
    return kept, lost


def sound_manifest(manifest: Mapping[str, Any]) -> tuple[Mapping[str, Any], list[str]]:
    """The manifest without values of the wrong sort, and in words which those were."""
    kept, names = _sound(manifest, _MANIFEST)
    specimen, more = _sound(kept.get("specimen") or {}, _SPECIMEN)
    kept = {**kept, "specimen": specimen} if "specimen" in kept else kept
    return kept, [f"{MANIFEST}: {name!r} {_ODD}" for name in (*names, *more)]


def _sound(
    told: Mapping[str, Any], sorts: Mapping[_Test, tuple[str, ...]]
) -> tuple[Mapping[str, Any], list[str]]:
    """None, in words of ours, is what was not known: it is left out and no more said of it."""
    odd = [
        name
        for test, names in sorts.items()
        for name in names
        if name in told and not test(told[name])
    ]
    lost = [name for name in odd if told[name] is not None]
    return ({k: v for k, v in told.items() if k not in odd} if odd else told), lost

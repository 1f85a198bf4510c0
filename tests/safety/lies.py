"""Which instrument a fault happens to, and which answers what is not so by it: by its document."""

from sequencer.documents.faults import FaultDocument

_MEASURED_BY = {
    "cell voltage": "voltage",
    "current": "current",
    "supply voltage": "charge",
    "supply current": "charge",
    "load voltage": "discharge",
    "load current": "discharge",
}
"""The role of the instrument that takes an electrical reading."""
_THERMAL = frozenset({"surface", "tab", "room"})
_LYING = frozenset(
    {"stuck reading", "drift", "reversed sign", "meter lead off", "stale", "output denied"}
)
_LYING_WHEN_DENIED = frozenset({"ignored off", "contactor welded", "contactor open"})
_LYING_WITH_A_VALUE = frozenset({"dead reading", "garbage"})


def concerned(fault: FaultDocument) -> str:
    """Name or role of the instrument that it happens to; empty where it is a lead, or the cell."""
    if fault.kind == "meter lead off":
        return "voltage"
    if fault.kind in ("contactor welded", "contactor open"):
        return "contactor"
    return fault.instrument or _MEASURED_BY.get(fault.reading or "", fault.reading or "")


def liar(fault: FaultDocument) -> str:
    """Name or role of the instrument that answers what is not so about a current, a voltage, an
    output or a contact; empty where none does: silence, no value and disobedience that is admitted
    are no lies."""
    return concerned(fault) if _is_lie(fault) and fault.reading not in _THERMAL else ""


def _is_lie(fault: FaultDocument) -> bool:
    says_otherwise = fault.value is not None or fault.text is not None
    return (
        fault.kind in _LYING
        or (fault.kind in _LYING_WHEN_DENIED and fault.admits is False)
        or (fault.kind in _LYING_WITH_A_VALUE and says_otherwise)
    )

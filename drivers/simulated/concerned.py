"""Which instrument of a bench a fault is about, by its name or its role there."""

from sequencer.documents.bench import BenchDocument


class NoPlaceError(ValueError):
    """The bench has nothing that the fault could happen to."""


def instrument_named(document: BenchDocument, name: str) -> str:
    """The instrument of that name, or of that role, on the bench.

    Raises:
        NoPlaceError: neither a name nor a role that is filled.
    """
    wiring = document.wiring
    roles = {
        "charge": wiring.charge,
        "discharge": wiring.discharge,
        "voltage": wiring.voltage.by,
        "current": wiring.current.by if wiring.current is not None else None,
        "contactor": wiring.contactor,
    }
    roles |= {sensor.place: sensor.by for sensor in wiring.sensors}
    found = name if name in document.instruments else roles.get(name)
    if found is None:
        raise NoPlaceError(f"this bench has no instrument {name}")
    return found

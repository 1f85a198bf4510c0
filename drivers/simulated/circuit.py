"""What an instrument of a simulated bench may ask of the circuit it stands in."""

from typing import Protocol

from sequencer.documents.capability import Capability


class Circuit(Protocol):
    """What an instrument may ask of the bench it stands on (V, A, degC)."""

    def changed(self) -> None:
        """A setting, an output or a contact changed: work the currents out again."""
        ...

    def supply_volts(self) -> float:
        """At the supply's sense terminals."""
        ...

    def supply_amps(self) -> float:
        """Out of the supply."""
        ...

    def load_volts(self) -> float:
        """At the load's sense terminals."""
        ...

    def load_amps(self) -> float:
        """Into the load."""
        ...

    def meter_volts(self) -> float:
        """Where the meter's leads end."""
        ...

    def ammeter_amps(self) -> float:
        """Through an ammeter in series with the cell, into the cell."""
        ...

    @property
    def at_ns(self) -> int:
        """Bench time that has been reached."""
        ...

    def sensor_c(self, name: str, channel: int | None) -> float:
        """Of the sensor on that channel of that instrument, lag included."""
        ...

    def sensed(self, name: str, channel: int | None) -> Capability | None:
        """How well that sensor tells a temperature; None where none is there."""
        ...

    def is_in_degrees(self, name: str, channel: int | None) -> bool:
        """Whether a sensor is there that is read in degrees."""
        ...

    @property
    def room_c(self) -> float:
        """How warm the room is."""
        ...

    def signal(self, name: str, channel: int | None, celsius: float) -> float:
        """What the instrument reads of that sensor (degC, Ohm or V) where it shows so much."""
        ...

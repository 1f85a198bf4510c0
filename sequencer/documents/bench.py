"""The bench document: which instruments stand on the bench and how they are wired."""

import re
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from sequencer.documents.fields import Count, Document, OhmsFromZero, RuleError, Seconds
from sequencer.documents.simulation import Simulation

SERVED = "served"
"""The address of an instrument that the simulated bench serves; filled in when it is started."""


_ADDRESS = re.compile(
    r"served|serial:/\S+|tcp:\S+:[0-9]{1,5}|[A-Za-z][\w-]*::\S+|[A-Za-z][\w-]*/\S+::\S+"
)


def _checked_address(text: str) -> str:
    if _ADDRESS.fullmatch(text) is None:
        raise ValueError(
            "is no instrument address: write TCPIP0::host::port::SOCKET or another VISA name, "
            "serial:/dev/... or tcp:host:port"
        )
    return text


class Instrument(Document):
    """One instrument: what it is, where it answers, and which one it must be.

    ``definition`` is the name of a shipped definition or a path to one. ``address`` is a VISA
    resource name (``TCPIP0::192.0.2.7::5025::SOCKET``), ``serial:/dev/...``, ``tcp:host:port`` or
    ``served``.
    """

    definition: str = Field(min_length=1)
    address: Annotated[str, AfterValidator(_checked_address)]
    serial_number: str | None = None


class VoltageChannel(Document):
    """Who measures the cell voltage, and whether its own pair of wires reaches the cell."""

    by: str
    sense: Literal["two-wire", "four-wire"] = "four-wire"


class CurrentChannel(Document):
    """An ammeter of its own in series with the cell; without it supply and load report current."""

    by: str


class Sensor(Document):
    """One temperature sensor: where it sits, who reads it, on which channel."""

    place: Literal["surface", "tab", "room"]
    by: str
    channel: Count = 1


class Wiring(Document):
    """How the instruments reach the cell. Lead resistance is the loop, both leads together."""

    charge: str | None = None
    discharge: str | None = None
    voltage: VoltageChannel
    current: CurrentChannel | None = None
    contactor: str | None = None
    lead_resistance: OhmsFromZero = 0.0
    supply_sense: Literal["two-wire", "four-wire"] = "two-wire"
    load_sense: Literal["two-wire", "four-wire"] = "two-wire"
    sensors: tuple[Sensor, ...] = ()

    def names(self) -> dict[str, str]:
        """Role (as written in the document) to instrument name, for the roles that are filled."""
        roles = {"charge": self.charge, "discharge": self.discharge, "contactor": self.contactor}
        roles["voltage"] = self.voltage.by
        if self.current is not None:
            roles["current"] = self.current.by
        for number, sensor in enumerate(self.sensors):
            roles[f"sensors[{number}]"] = sensor.by
        return {role: name for role, name in roles.items() if name is not None}


def path_of_role(role: str) -> tuple[str | int, ...]:
    """Where in the document a role's instrument is named (see ``Wiring.names``)."""
    if role.startswith("sensors["):
        return ("wiring", "sensors", int(role[8:-1]), "by")
    return ("wiring", role, "by") if role in ("voltage", "current") else ("wiring", role)


class BenchDocument(Document):
    """A bench. With ``simulation`` its ``served`` instruments are simulated ones. ``proof test``:
    how old the last proof test may be (s) for a run that is left alone."""

    bench: str = Field(min_length=1)
    instruments: dict[str, Instrument] = Field(min_length=1)
    wiring: Wiring
    proof_test: Seconds = 90 * 86_400.0
    simulation: Simulation | None = None

    @model_validator(mode="after")
    def _wired_to_what_stands_there(self) -> Self:
        broken = [
            *self._not_there(),
            *self._places_taken(),
            *self._served_by_nobody(),
            *self._shared(),
        ]
        if broken:
            raise RuleError(*broken)
        return self

    def _not_there(self) -> list[tuple[str, tuple[str | int, ...]]]:
        known = ", ".join(self.instruments)
        return [
            (f"is not among the instruments, which are {known}", path_of_role(role))
            for role, name in self.wiring.names().items()
            if name not in self.instruments
        ]

    def _places_taken(self) -> list[tuple[str, tuple[str | int, ...]]]:
        places = [sensor.place for sensor in self.wiring.sensors]
        return [
            (
                "is a sensor's place already: one place has one sensor",
                ("wiring", "sensors", i, "place"),
            )
            for i, place in enumerate(places)
            if place in places[:i]
        ]

    def _shared(self) -> list[tuple[str, tuple[str | int, ...]]]:
        """Two owners of one wire would read each other's replies."""
        names = list(self.instruments)
        addresses = [self.instruments[name].address for name in names]
        return [
            (
                f"is the address of {names[addresses.index(address)]} too",
                ("instruments", names[number], "address"),
            )
            for number, address in enumerate(addresses)
            if address != SERVED and address in addresses[:number]
        ]

    def _served_by_nobody(self) -> list[tuple[str, tuple[str | int, ...]]]:
        if self.simulation is not None:
            return []
        return [
            (
                "only a simulated bench serves: write an address, or add 'simulation'",
                ("instruments", name, "address"),
            )
            for name, one in self.instruments.items()
            if one.address == SERVED
        ]

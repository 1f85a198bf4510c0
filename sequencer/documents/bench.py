"""The bench document: which instruments stand on the bench and how they are wired."""

from collections.abc import Iterable, Iterator
from typing import Annotated, Literal

from pydantic import Field

from sequencer.documents.element import Element
from sequencer.documents.fields import (
    Count,
    Day,
    Document,
    Ohms,
    OhmsFromZero,
    Seconds,
    YesNo,
    matching,
)
from sequencer.documents.rules import Broken, each, gathered
from sequencer.documents.simulation import Simulation
from sequencer.vocabulary.near import did_you_mean

SERVED = "served"
"""The address of an instrument that the simulated bench serves; filled in when it is started."""

CHANNEL_MARK = "#"
"""Stands between an address and a channel of it, where both together name what is owned."""
MOST_CHANNEL = 255
"""The highest channel: whoever wants a whole address asks for the owner of each."""

_Address = Annotated[
    str,
    matching(
        r"served|serial:(?:/\S+|(?i:COM)[0-9]{1,3})|tcp:\S+:[0-9]{1,5}|[A-Za-z][\w-]*::\S+|[A-Za-z][\w-]*/\S+::\S+",
        "is no instrument address: write TCPIP0::host::port::SOCKET or another VISA name, "
        "serial:/dev/..., serial:COM3 or tcp:host:port",
    ),
]
_Control = Annotated[
    str,
    matching(r"(?a)tcp:[^\s:]+:[0-9]{1,5}", "is no control connection: write tcp:host:port"),
]

Negative = Literal["isolated", "earth", "joined by link"]
"""What an instrument's negative terminal is joined to inside it: nothing, protective earth, or the
computer's ground by its link (USB, the ground of a serial port)."""
Lead = Literal["positive", "negative", "both"]
"""The lead in which something sits; a contactor of two poles sits in both."""


class BenchInstrument(Document):
    """One instrument: what it is, where it answers, and which one it must be.

    ``definition`` is the name of a shipped definition or a path to one. ``address`` is a VISA
    resource name (``TCPIP0::192.0.2.7::5025::SOCKET``), ``serial:/dev/...``, ``serial:COM3``,
    ``tcp:host:port`` or ``served``. ``channel``: which channel of a box, or which device on a bus
    (of one that speaks Modbus, its unit): others, also of another run, may stand at the same
    address. ``negative``: None where nobody has said.
    """

    definition: str = Field(min_length=1)
    address: _Address
    serial_number: str | None = None
    negative: Negative | None = None
    channel: Annotated[Count, Field(le=MOST_CHANNEL)] | None = None

    def placed(self) -> tuple[str, int | None]:
        """Address and channel."""
        return str(self.address), self.channel and int(self.channel)

    def owned(self, address: str = "") -> str:
        """What one owner has: the address, or one channel of it (``address#channel``)."""
        whole = address or self.address
        return whole if self.channel is None else f"{whole}{CHANNEL_MARK}{self.channel}"


class VoltageChannel(Document):
    """Who measures the cell voltage, and whether its own pair of wires reaches the cell."""

    by: str
    sense: Literal["two-wire", "four-wire"] = "four-wire"


class CurrentChannel(Document):
    """An ammeter of its own in series with the cell; without it supply and load report current."""

    by: str
    lead: Literal["positive", "negative"] | None = None


class Isolation(Document):
    """A measurement by hand, with everything on and linked and no cell: the least resistance of any
    negative to earth and to every other one."""

    resistance: Ohms
    on: Day
    by: str = Field(min_length=1)


class Sensor(Document):
    """One temperature sensor: where it sits, who reads it, and on which channel, where its
    definition asks by channel. ``element``: what it is, where it is read in ohms or volts."""

    place: Literal["surface", "tab", "room"]
    by: str
    channel: Count | None = None
    element: Element | None = None

    def read(self) -> tuple[str, int | None]:
        """Which reading it is: of whom, on which channel."""
        return str(self.by), self.channel and int(self.channel)


class Wiring(Document):
    """How the instruments reach the cell. Lead resistance is the loop, both leads together.

    ``shared leads``: supply and load are joined at their terminals and reach the cell by one pair
    of leads; the one that is idle then sees what the other's current drops there.
    """

    charge: str | None = None
    discharge: str | None = None
    voltage: VoltageChannel
    current: CurrentChannel | None = None
    contactor: str | None = None
    contactor_lead: Lead | None = None
    isolation: Isolation | None = None
    lead_resistance: OhmsFromZero = 0.0
    shared_leads: YesNo | None = None
    supply_sense: Literal["two-wire", "four-wire"] = "two-wire"
    load_sense: Literal["two-wire", "four-wire"] = "two-wire"
    sensors: tuple[Sensor, ...] = ()

    def names(self) -> dict[str, str]:
        """Role (as written in the document) to instrument name, for the roles that are filled."""
        wires = {"charge": self.charge, "discharge": self.discharge, "contactor": self.contactor}
        roles = dict(gathered(lambda name: name, wires))
        roles |= gathered(lambda one: one.by, {"voltage": self.voltage})
        if self.current is not None:
            roles |= gathered(lambda one: one.by, {"current": self.current})
        for number, name in gathered(lambda one: one.by, self.sensors):
            roles[f"sensors[{number}]"] = name
        return {role: name for role, name in roles.items() if name is not None}


def path_of_role(role: str) -> tuple[str | int, ...]:
    """Where in the document a role's instrument is named (see ``Wiring.names``)."""
    if role.startswith("sensors["):
        return ("wiring", "sensors", int(role[8:-1]), "by")
    return ("wiring", role, "by") if role in ("voltage", "current") else ("wiring", role)


class BenchDocument(Document):
    """A bench. With ``simulation`` its ``served`` instruments are simulated ones. ``simulated``:
    those at real addresses are too, served by another process; ``control``: where that process
    lets its time be led (``tcp:host:port``). ``proof test``: how old the last proof test may be (s)
    for a run that is left alone."""

    bench: str = Field(min_length=1)
    instruments: dict[str, BenchInstrument] = Field(min_length=1)
    wiring: Wiring
    proof_test: Seconds = 90 * 86_400.0
    simulation: Simulation | None = None
    simulated: YesNo = False
    control: _Control | None = None

    @property
    def control_at(self) -> tuple[str, int] | None:
        """Host and port of ``control``."""
        if self.control is None:
            return None
        _, host, port = self.control.split(":")
        return host, int(port)

    @property
    def is_simulated(self) -> bool:
        """Whether a run on this bench is no run on a real one. It makes nothing easier: what a
        real bench must prove, one that is served by another process must too."""
        return self.simulated or any(one.address == SERVED for one in self.instruments.values())

    def rules(self) -> Iterable[Iterator[Broken]]:
        """Wired to what stands there, one sensor a place and a channel, one owner a wire, served by
        somebody."""
        return (
            self._not_there(),
            self._places_taken(),
            self._lead_of_nothing(),
            self._channels_taken(),
            self._shared(),
            each(self._served_by_nobody, self.instruments),
            self._led(),
        )

    def _not_there(self) -> Iterator[Broken]:
        known_names = list(self.instruments)
        for role, name in self.wiring.names().items():
            if name not in known_names:
                rule = f"is not among the instruments, which are {', '.join(known_names)}"
                yield rule + did_you_mean(name, known_names), path_of_role(role)

    def _lead_of_nothing(self) -> Iterator[Broken]:
        if self.wiring.contactor_lead is not None and self.wiring.contactor is None:
            yield "no contactor sits in it: its wiring names none", ("wiring", "contactor lead")

    def _places_taken(self) -> Iterator[Broken]:
        taken: list[str] = []
        for number, place in gathered(lambda one: one.place, self.wiring.sensors):
            if place in taken:
                rule = "is a sensor's place already: one place has one sensor"
                yield rule, ("wiring", "sensors", number, "place")
            taken.append(place)

    def _channels_taken(self) -> Iterator[Broken]:
        """Two sensors of one channel would be one reading, told twice."""
        taken: list[tuple[str, int | None]] = []
        for number, read in gathered(Sensor.read, self.wiring.sensors):
            if read in taken:
                rule = "is another sensor's reading already: one reading has one sensor"
                yield rule, ("wiring", "sensors", number, "by" if read[1] is None else "channel")
            taken.append(read)

    def _shared(self) -> Iterator[Broken]:
        """Two owners of one wire would read each other's replies, unless each has its channel."""
        owners: dict[str, dict[int | None, str]] = {}
        for name, (address, channel) in gathered(BenchInstrument.placed, self.instruments):
            there = owners.setdefault(address, {}) if address != SERVED else {}
            other = there.get(None) or there.get(channel)
            if channel is None:
                other = next(iter(there.values()), None)
            if other is not None:
                what = "address" if None in (channel, *there) else "address and the channel"
                yield f"is the {what} of {other} too", ("instruments", name, "address")
            there.setdefault(channel, name)

    def _led(self) -> Iterator[Broken]:
        if self.control is None:
            return
        if not self.simulated:
            yield "needs 'simulated: yes': nobody leads the time of a real bench", ("control",)
        if any(one.address == SERVED for one in self.instruments.values()):
            yield "is not for instruments that are served: these bring their own", ("control",)

    def _served_by_nobody(self, name: str, one: BenchInstrument) -> Iterator[Broken]:
        if one.address == SERVED and self.simulation is None:
            rule = "only a simulated bench serves: write an address, or add 'simulation'"
            yield rule, ("instruments", name, "address")

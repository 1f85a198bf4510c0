"""From an address to its transport; imports only what that address needs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.transports.address import Address, check_link, parse_address, wires
from drivers.transports.base import PortTransport, Transport
from drivers.transports.stream import StreamTransport
from sequencer.documents.link import Link

if TYPE_CHECKING:
    from drivers.transports.shared import SharedPort


def transport_for(
    address: str,
    link: Link,
    culprit: str = "instrument",
    visa_backend: str = "@py",
    ports: dict[str, SharedPort] | None = None,
) -> Transport:
    """The wire to an instrument, not yet open. ``culprit`` names the instrument in errors.
    ``ports``: others may speak on this port; those of this process share one session of it.

    Raises:
        UsageError: the address is none, or the definition does not foresee it.
    """
    parsed = parse_address(address)
    check_link(parsed, link)
    if ports is None:
        return _wire(parsed, link, culprit, visa_backend)
    from drivers.transports.shared import SharedPort, SharedTransport

    name = wires(address)[0]
    if name not in ports:
        wire = _wire(parsed, link, culprit, visa_backend, is_shared=True)
        ports[name] = SharedPort(name, wire, is_kept=parsed.wire == "serial")
    ports[name].turns.gap_s = max(ports[name].turns.gap_s, link.gap)
    return SharedTransport(ports[name], link, culprit)


def _wire(
    parsed: Address, link: Link, culprit: str, visa_backend: str, *, is_shared: bool = False
) -> PortTransport:
    if parsed.wire == "tcp":
        from drivers.transports.raw_socket import SocketTransport

        return _framing(SocketTransport(parsed, culprit, link), parsed, link)
    if parsed.wire == "serial":
        from drivers.transports.serial_port import SerialTransport

        serial = SerialTransport(parsed, culprit, link, is_shared=is_shared)
        return _framing(serial, parsed, link)
    from drivers.transports.visa import VisaTransport

    return VisaTransport(parsed, culprit, link, visa_backend)


def _framing(wire: StreamTransport, address: Address, link: Link) -> StreamTransport:
    """The same wire; its lines go in Modbus frames where the instrument is a unit."""
    if link.unit is not None:
        from drivers.transports.modbus import ModbusFrames

        is_tcp = address.wire == "tcp" and link.frames != "RTU"
        wire.frames = ModbusFrames(link.unit, is_tcp=is_tcp, baud=link.baud_rate)
    return wire

"""From an address to its transport; imports only what that address needs."""

from drivers.transports.address import Address, check_link, parse_address
from drivers.transports.base import Transport
from drivers.transports.stream import StreamTransport
from sequencer.documents.link import Link


def transport_for(
    address: str, link: Link, culprit: str = "instrument", visa_backend: str = "@py"
) -> Transport:
    """The wire to an instrument, not yet open. ``culprit`` names the instrument in errors.

    Raises:
        UsageError: the address is none, or the definition does not foresee it.
    """
    parsed = parse_address(address)
    check_link(parsed, link)
    if parsed.wire == "tcp":
        from drivers.transports.raw_socket import SocketTransport

        return _framing(SocketTransport(parsed, culprit, link), parsed, link)
    if parsed.wire == "serial":
        from drivers.transports.serial_port import SerialTransport

        return _framing(SerialTransport(parsed, culprit, link), parsed, link)
    from drivers.transports.visa import VisaTransport

    return VisaTransport(parsed, culprit, link, visa_backend)


def _framing(wire: StreamTransport, address: Address, link: Link) -> StreamTransport:
    """The same wire; its lines go in Modbus frames where the instrument is a unit."""
    if link.unit is not None:
        from drivers.transports.modbus import ModbusFrames

        is_tcp = address.wire == "tcp" and link.frames != "RTU"
        wire.frames = ModbusFrames(link.unit, is_tcp=is_tcp, baud=link.baud_rate)
    return wire

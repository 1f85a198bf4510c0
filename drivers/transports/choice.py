"""From an address to its transport; imports only what that address needs."""

from drivers.transports.address import check_link, parse_address
from drivers.transports.base import Transport
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

        return SocketTransport(parsed, culprit, link)
    if parsed.wire == "serial":
        from drivers.transports.serial_port import SerialTransport

        return SerialTransport(parsed, culprit, link)
    from drivers.transports.visa import VisaTransport

    return VisaTransport(parsed, culprit, link, visa_backend)

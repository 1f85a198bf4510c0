"""Addresses of instruments: what is written in a bench document, and which wire it means.

``TCPIP0::host::port::SOCKET`` and other VISA names · ``serial:/dev/...`` · ``tcp:host:port``.
"""

import re
from typing import NamedTuple

from sequencer.documents.definition import Link, LinkKind
from sequencer.vocabulary.faults import UsageError

_VISA_SOCKET = re.compile(r"TCPIP[0-9]*::([^:\s]+(?::[^:\s]+)*)::([0-9]{1,5})::SOCKET", re.I | re.A)
_VISA_OTHER = re.compile(r"(?:TCPIP|USB|GPIB|VXI|PXI|ASRL|PRLGX-)[^\s]*", re.I | re.ASCII)
_TCP = re.compile(r"tcp:([^\s]+):([0-9]{1,5})", re.ASCII)
_SERIAL = re.compile(r"serial:(/\S+)", re.ASCII)


class Address(NamedTuple):
    """``wire`` is the transport: ``visa``, ``tcp`` or ``serial``. ``host`` and ``port`` are given
    for everything that a raw socket can reach, ``device`` for serial ports."""

    text: str
    wire: str
    kind: LinkKind
    host: str = ""
    port: int = 0
    device: str = ""


def parse_address(text: str) -> Address:
    """Read an address.

    Raises:
        UsageError: it is none of the forms above.
    """
    if match := _VISA_SOCKET.fullmatch(text):
        return Address(text, "visa", "socket", match[1], _port(match[2], text))
    if match := _TCP.fullmatch(text):
        return Address(text, "tcp", "socket", match[1].strip("[]"), _port(match[2], text))
    if match := _SERIAL.fullmatch(text):
        return Address(text, "serial", "serial", device=match[1])
    is_socket = text.upper().endswith("::SOCKET")  # one without a port in numbers is none
    if _VISA_OTHER.fullmatch(text) and "::" in text and not is_socket:
        kind: LinkKind = "serial" if text.upper().startswith("ASRL") else "visa"
        return Address(text, "visa", kind, device=_visa_device(text))
    raise UsageError(
        f"{text!r} is no instrument address: write TCPIP0::host::port::SOCKET or another VISA name,"
        " serial:/dev/... or tcp:host:port"
    )


def socket_address(text: str) -> tuple[str, int] | None:
    """Host and port where a plain TCP socket reaches the instrument, else None."""
    address = parse_address(text)
    return (address.host, address.port) if address.port else None


def check_link(address: Address, link: Link) -> None:
    """Refuse an address that the definition does not foresee.

    Raises:
        UsageError: the link's kinds leave it out.
    """
    if address.kind not in link.kinds:
        raise UsageError(
            f"{address.text} is a {address.kind} link; the definition knows"
            f" {' and '.join(link.kinds)}"
        )


def _port(digits: str, text: str) -> int:
    port = int(digits)
    if not 1 <= port <= 65535:
        raise UsageError(f"{text!r}: a port lies between 1 and 65535")
    return port


def _visa_device(text: str) -> str:
    name = text.split("::")[0][4:]
    return name if name.startswith("/") else ""

"""Addresses of instruments: what is written in a bench document, and which wire it means.

``TCPIP0::host::port::SOCKET`` and other VISA names · ``serial:/dev/...`` · ``serial:COM3`` ·
``tcp:host:port``.
"""

import ipaddress
import os
import re
import socket
from typing import NamedTuple

from sequencer.documents.link import Link, LinkKind
from sequencer.vocabulary.faults import UsageError

_VISA_SOCKET = re.compile(r"TCPIP[0-9]*::([^:\s]+(?::[^:\s]+)*)::([0-9]{1,5})::SOCKET", re.I | re.A)
_VISA_OTHER = re.compile(r"(?:TCPIP|USB|GPIB|VXI|PXI|ASRL|PRLGX-)[^\s]*", re.I | re.ASCII)
_TCP = re.compile(r"tcp:([^\s]+):([0-9]{1,5})", re.ASCII)
_CLASSES = ("instr", "socket", "raw", "backplane", "intfc", "memacc", "servant")
_ENUMERATED = re.compile(r"(?:/dev/tty[A-Za-z]*|/dev/pts/|COM|ASRL)[0-9]+", re.I | re.ASCII)
_HERE = "127.0.0.1"
_SERIAL = re.compile(r"serial:(/\S+|(?i:COM)[1-9][0-9]{0,2})", re.ASCII)


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
        " serial:/dev/..., serial:COM3 or tcp:host:port"
    )


def enumerated_port(text: str) -> str:
    """The name of a port that its computer gives by counting, or an empty text: another
    instrument may answer at ``/dev/ttyUSB0``, ``COM3`` or ``ASRL3::INSTR`` tomorrow. A link that
    udev makes (``/dev/serial/by-id/...``) is none.

    Raises:
        UsageError: it is no address.
    """
    address = parse_address(text)
    name = address.device or (text.split("::")[0] if address.kind == "serial" else "")
    return name if _ENUMERATED.fullmatch(name) else ""


def wires(text: str) -> tuple[str, ...]:
    """Names of the wire that an address means, the same for every spelling of it, in a fixed order.

    A host is what it resolves to (several names where it has several addresses; as written where it
    is not known; one name for this computer, by whichever of its addresses), a device where its
    links lead, and a VISA name has its defaults filled in. Two addresses that share a name are one
    wire. A channel of an instrument has no wire of its own.

    Raises:
        UsageError: it is no address.
    """
    address = parse_address(text)
    if address.port:
        return tuple(f"tcp:{one}:{address.port}" for one in _hosts(address.host))
    if address.device:
        is_path = address.device.startswith("/")
        return (
            f"serial:{os.path.realpath(address.device) if is_path else address.device.upper()}",
        )
    return _visa_wires(text.lower().split("::"))


def _visa_wires(parts: list[str]) -> tuple[str, ...]:
    """Interface, board and the rest, with the defaults of VISA's grammar (VPP-4.3, from memory:
    board 0, LAN device ``inst0``, ``ASRL3`` is ``COM3``); the number of a USB
    interface is no other instrument."""
    kind = parts[0].rstrip("0123456789")
    board = parts[0][len(kind) :] or "0"
    rest = parts[1:-1] if parts[-1] in _CLASSES else parts[1:]
    if kind == "tcpip":
        device = rest[1] if len(rest) > 1 else "inst0"
        return tuple(f"tcpip:{one}:{device}" for one in _hosts(rest[0]))
    if kind in ("asrl", "asrlcom"):
        return (f"serial:COM{board}",)
    if kind == "usb":
        return (":".join(["usb", *map(_number, rest[:2]), *rest[2:3]]),)
    return (":".join([f"{kind}{board}", *rest]),)


def _number(text: str) -> str:
    try:
        return str(int(text, 0))
    except ValueError:
        return text


def _hosts(host: str) -> list[str]:
    try:
        found = {one[4][0] for one in socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)}
    except (OSError, UnicodeError):
        return [host.lower()]
    return sorted({_plain_ip(str(one)) for one in found})


def _plain_ip(text: str) -> str:
    """An address as it is usually written; every one of this computer's own is the same."""
    ip = ipaddress.ip_address(text.partition("%")[0])
    plain = getattr(ip, "ipv4_mapped", None) or ip
    return _HERE if _is_here(plain) else str(plain)


def _is_here(ip: ipaddress.IPv4Address | ipaddress.IPv6Address) -> bool:
    """Whether this computer answers there: its own addresses alone can be bound to (ip(7))."""
    if ip.is_loopback or ip.is_unspecified:
        return True
    if ip.is_multicast or str(ip) == "255.255.255.255":
        return False
    family = socket.AF_INET if ip.version == 4 else socket.AF_INET6
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as asking:
            asking.bind((str(ip), 0))
    except OSError:
        return False
    return True


def frame_of(address: Address, link: Link) -> tuple[int, str, int]:
    """Data bits, parity and stop bits of a serial address. A pseudo-terminal has eight and no
    parity: its kernel keeps no other, and refuses to set one again."""
    if os.path.realpath(address.device).startswith("/dev/pts/"):
        return 8, "none", 1
    return int(link.data_bits), link.parity, int(link.stop_bits)


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
    if address.wire == "visa" and not (link.is_plain and link.unit is None):
        raise UsageError(
            f"{address.text} goes through VISA, which knows no Modbus, echo, prompt, welcome or"
            " silence as an end: write tcp:host:port or serial:/dev/..."
        )


def _port(digits: str, text: str) -> int:
    port = int(digits)
    if not 1 <= port <= 65535:
        raise UsageError(f"{text!r}: a port lies between 1 and 65535")
    return port


def _visa_device(text: str) -> str:
    name = text.split("::")[0][4:]
    return name if name.startswith("/") else ""

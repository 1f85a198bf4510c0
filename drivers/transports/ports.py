"""What is plugged into this computer: serial ports and USB instruments, listed and never opened.

Nothing is sent and nothing is asked over a network: a broadcast, or a byte on a port of somebody
else's instrument, may change what that does.
"""

import os
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from serial.tools import list_ports

_BY_ID = Path("/dev/serial/by-id")
_USB_INSTRUMENTS = Path("/sys/class/usbmisc")


class Port(NamedTuple):
    """One place where an instrument may answer. ``address`` is what a bench document takes;
    ``is_stable``: the same device has the same address tomorrow. ``words``: what it calls itself
    (of the adapter, for a serial port)."""

    address: str
    device: str
    is_stable: bool
    words: str


def ports(by_id: Path = _BY_ID, usb: Path = _USB_INSTRUMENTS) -> list[Port]:
    """Every one, serial ports first, each under its stable address where it has one."""
    links = dict(_links(by_id))
    return [*_serial(links), *_usb(usb)]


def _links(by_id: Path) -> Iterator[tuple[str, str]]:
    if by_id.is_dir():
        for link in sorted(by_id.iterdir()):
            yield os.path.realpath(link), str(link)


def _serial(links: dict[str, str]) -> Iterator[Port]:
    for one in sorted(list_ports.comports(), key=lambda found: found.device):
        link = links.get(os.path.realpath(one.device))
        said = [one.manufacturer, one.product, one.serial_number and f"serial {one.serial_number}"]
        words = ", ".join(str(part) for part in said if part) or str(one.description or "")
        address = f"serial:{link or one.device}"
        yield Port(address, one.device, link is not None, "" if words == "n/a" else words)


def _usb(usb: Path) -> Iterator[Port]:
    """By the attributes that the kernel has read; the VISA name has the serial number, so that it
    is the instrument's own (VPP-4.3, from memory)."""
    for entry in sorted(usb.glob("usbtmc*")) if usb.is_dir() else ():
        device = entry.resolve() / "device" / ".."
        found = {name: _read(device / name) for name in ("idVendor", "idProduct", "serial")}
        told = ", ".join(filter(None, (_read(device / "manufacturer"), _read(device / "product"))))
        maker, kind, serial = found["idVendor"], found["idProduct"], found["serial"]
        address = f"USB0::0x{maker}::0x{kind}::{serial}::INSTR"
        yield Port(address, f"/dev/{entry.name}", bool(serial), told)


def _read(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError):
        return ""

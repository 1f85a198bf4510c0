"""What is at the instruments' end of one wire: one instrument, channels of a box, units on a line.

Owns whom a request is for; what it means is the instrument's, and how requests come out of bytes is
the framing's. Knows no socket and no time.
"""

from collections.abc import Iterable, Sequence
from typing import Protocol

from drivers.mirrored import Framing, MirroredInstrument
from sequencer.documents.link import Link


class FarEnd(Protocol):
    """Requests out of bytes, and everything that one brings back."""

    devices: tuple[MirroredInstrument, ...]
    welcome: bytes

    def split(self, data: bytes) -> tuple[list[bytes], bytes]:
        """Whole requests, and what waits for its end."""
        ...

    def device_for(self, request: bytes) -> MirroredInstrument | None:
        """Who it is for; None where nobody is meant."""
        ...

    def answered(self, request: bytes) -> bytes:
        """Carry it out; all that it brings back."""
        ...

    def said(self, text: str) -> bytes:
        """A line that nobody asked for, as it goes out."""
        ...


class Box:
    """Instruments that hear the same words, such as the channels of a box: what is said is for the
    one that knows it; where several do, for the one that was meant before."""

    def __init__(self, devices: Iterable[MirroredInstrument]) -> None:
        self.devices = tuple(devices)
        self.texts = tuple(dict.fromkeys(text for one in self.devices for text in one.texts))
        self._chosen = self.devices[0]
        for device in self.devices:
            device.companions = [one for one in self.devices if one is not device]

    def device_for(self, text: str) -> MirroredInstrument:
        """Who is meant."""
        if len(self.devices) > 1:
            knowing = [one for one in self.devices if one.knows(text)]
            if knowing and self._chosen not in knowing:
                self._chosen = knowing[0]
        return self._chosen

    def respond(self, line: str) -> str | None:
        """Carry one line out; the reply, or None."""
        return self.device_for(line).respond(line)


class LinesEnd:
    """Lines of text."""

    def __init__(self, link: Link, devices: Iterable[MirroredInstrument]) -> None:
        self._box = Box(devices)
        self._framing = Framing(link, self._box.texts)
        self.devices = self._box.devices
        self.split, self.said = self._framing.split, self._framing.said
        self.welcome = self._framing.welcome

    def device_for(self, request: bytes) -> MirroredInstrument | None:
        """Nobody is meant by a bare line end."""
        text = self._framing.text_of(request)
        return self._box.device_for(text.strip()) if text else None

    def answered(self, request: bytes) -> bytes:
        """What a line brings back."""
        text = self._framing.text_of(request)
        reply = self._box.respond(text.strip()) if text else None
        return self._framing.around(request, reply)


class FramesEnd:
    """Modbus frames, for units by their number."""

    def __init__(self, devices: Iterable[MirroredInstrument], *, is_tcp: bool) -> None:
        from drivers.mirrored_registers import FramedRequests, RegisterUnit

        self.devices, self.welcome = tuple(devices), b""
        numbers = {one: one.definition.link.unit or 0 for one in self.devices}
        self._boxes = {
            number: Box(one for one in self.devices if numbers[one] == number)
            for number in numbers.values()
        }
        units = {number: RegisterUnit(box) for number, box in self._boxes.items()}
        self._framing = FramedRequests(units, is_tcp=is_tcp)
        self.split, self.said = self._framing.split, self._framing.said

    def device_for(self, request: bytes) -> MirroredInstrument | None:
        """Whoever has the unit's number."""
        frame = self._framing.frame_of(request)
        box = None if frame is None else self._boxes.get(frame.unit)
        return None if box is None else box.device_for(self._framing.text_of(request))

    def answered(self, request: bytes) -> bytes:
        """The frame that answers."""
        return self._framing.answered(request)


def end_of(link: Link, devices: Sequence[MirroredInstrument], *, is_serial: bool) -> FarEnd:
    """What stands at the far end of a wire of that link."""
    if link.unit is None:
        return LinesEnd(link, devices)
    return FramesEnd(devices, is_tcp=not is_serial and link.frames != "RTU")

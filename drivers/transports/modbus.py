"""Modbus frames: a line of text to a frame for RTU or TCP, and the frame that answers to a line.

The frames are pymodbus's; what is no whole and exact answer to the request that is out is refused
here. Reads and writes nothing: sessions and raw links move the bytes. Imported only where an
instrument speaks Modbus: the library takes some 0.07 s to load.
"""

from copy import copy
from typing import Final, Self

from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.logging import Log
from pymodbus.pdu import DecodePDU, ModbusPDU

from drivers.transports.base import ExceptionAnswerError
from sequencer.vocabulary.registers import Request, request_of

TAKEN: Final = b"taken"
"""The line that stands for the answer to a write."""
_SILENCE: Final = 3.5
_CHARACTER_BITS: Final = 11
_SHORTEST_SILENCE_S: Final = 0.00175
"""Between two RTU frames, in characters; and at high rates (serial line guide V1.02; memory)."""
_EXCEPTIONS: Final = {
    1: "no such function",
    2: "no such address",
    3: "no such value",
    4: "it failed, or not now",
    5: "accepted, and not done yet",
    6: "busy",
    8: "its memory is damaged",
    10: "no way from the gateway",
    11: "nobody answers the gateway",
}
"""The exceptions of the application protocol V1.1b3, chapter 7 (memory)."""
Log.setLevel("CRITICAL")  # type: ignore[no-untyped-call]  # what the library finds wrong is told by us, once, where it belongs


class ModbusFrames:
    """Frames to and from one unit (another one as soon as ``unit`` is set); one request is out at a
    time. ``pause_s``: what must pass from the end of an answer to the next frame."""

    def __init__(self, unit: int, *, is_tcp: bool, baud: int) -> None:
        self.unit, self._asked, self._is_tcp = unit, unit, is_tcp
        self._decoder = DecodePDU(is_server=False)
        self._framer = (FramerSocket if is_tcp else FramerRTU)(self._decoder)
        silence_s = max(_SHORTEST_SILENCE_S, _SILENCE * _CHARACTER_BITS / baud)
        self.pause_s = 0.0 if is_tcp else silence_s
        self._number = 0
        self._due: tuple[Request, str] | None = None

    @property
    def is_due(self) -> bool:
        """Whether an answer is still to come."""
        return self._due is not None

    def forget(self) -> None:
        """Whatever was asked is answered no more."""
        self._due = None

    def apart(self, unit: int | None) -> Self:
        """The same for one frame to that unit, sent into an exchange that goes on as it was."""
        other = copy(self)
        other.unit = unit or self.unit
        return other

    def frame(self, line: bytes) -> bytes:
        """The frame for a line with or without its end; empty for an empty one.

        Raises:
            ValueError: the line stands for no request.
        """
        text = line.decode("latin-1").strip()
        if not text:
            return b""
        request = request_of(text)
        self._number = self._number % 0xFFFF + 1
        self._due, self._asked = (request, text), self.unit
        asks, _ = DecodePDU.pdu_table[request.function]
        held = {"count": request.span} if not request.values else _held(request)
        pdu = asks(dev_id=self._asked, transaction_id=self._number, address=request.address, **held)
        return self._framer.buildFrame(pdu)

    def answer(self, received: bytes) -> bytes | None:
        """The line that the bytes say, once the answer is whole; None while it is not.

        Raises:
            ExceptionAnswerError: the instrument refuses.
            ValueError: bytes that are not, and will not become, the answer to the request.
        """
        if self._due is None:
            raise ValueError(f"{_hex(received)} came, and nothing was asked")
        request, text = self._due
        self._check_head(request, received)
        used, _, _, body = self._framer.decode(received)
        if not used:
            return None
        self._due = None
        pdu = self._decoder.decode(body) if body else None
        if pdu is None or not self._is_whole(pdu, received):
            raise ValueError(f"{_hex(received)} is no whole frame in answer to '{text}'")
        if pdu.isError():
            words = _EXCEPTIONS.get(pdu.exception_code, "no known exception")
            raise ExceptionAnswerError(f"exception {pdu.exception_code} to '{text}': {words}")
        return _line(request, pdu, text)

    def _check_head(self, request: Request, received: bytes) -> None:
        """What comes before the data: whether it can be the answer at all."""
        if self._is_tcp:
            wanted = self._number.to_bytes(2, "big") + b"\0\0"
            if not wanted.startswith(received[:4]):
                raise ValueError(f"{_hex(received)} answers another request, or is no Modbus TCP")
            received = received[6:]
        if received[:1] not in (b"", self._asked.to_bytes(1, "big")):
            raise ValueError(f"unit {received[0]} answers, {self._asked} was asked")
        if received[1:2] and received[1] & 0x7F != request.function:
            raise ValueError(f"function {received[1]} answers, {request.function} was asked")
        is_read = request.fields and not request.values and received[1:2] < b"\x80"
        if is_read and received[2:3] not in (b"", request.size.to_bytes(1, "big")):
            raise ValueError(f"{received[2]} bytes of data come, {request.size} were asked")

    def _is_whole(self, pdu: ModbusPDU, received: bytes) -> bool:
        """Whether the frame of these contents is what came, byte for byte."""
        pdu.dev_id, pdu.transaction_id = self._asked, self._number
        return self._framer.buildFrame(pdu) == received


def _held(request: Request) -> dict[str, list[int]] | dict[str, list[bool]]:
    if request.is_of_bits:
        return {"bits": [bool(one) for one in request.values]}
    return {"registers": list(request.values)}


def _line(request: Request, pdu: ModbusPDU, text: str) -> bytes:
    """What the answer says, held against the request."""
    held = tuple(int(one) for one in (pdu.bits if request.is_of_bits else pdu.registers))
    if not request.values:
        return request.said(held).encode("ascii")
    is_echo = held == request.values if request.is_single else pdu.count == request.span
    if pdu.address != request.address or not is_echo:
        raise ValueError(f"the answer to '{text}' confirms another setting")
    return TAKEN


def _hex(data: bytes) -> str:
    return data[:40].hex(" ").upper()

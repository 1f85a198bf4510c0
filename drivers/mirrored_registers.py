"""An instrument of registers made of its definition, and the frames that ask it.

Owns which registers and coils a definition knows and what stands in them; what its texts mean is
``drivers.mirrored``'s, the frames are pymodbus's. Imported only where an instrument speaks Modbus.
"""

from collections.abc import Iterable, Mapping
from contextlib import suppress
from functools import lru_cache
from itertools import chain
from typing import Final, NamedTuple, Protocol

from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU

from drivers.mirrored import NotDoneError
from drivers.transports.modbus import TAKEN
from sequencer.documents.channels import PLACE
from sequencer.vocabulary.registers import READS, Request, request_of

_VALUE: Final = "{value}"
_TABLES: Final = {number: table for table, number in READS.items()}
_WRITES: Final = (5, 6, 15, 16)
_MOST_CHANNEL: Final = 255
_KEPT: Final = 1000
_REFUSED: Final = {-113: 2, -221: 4, -222: 3}
"""The exception of the application protocol V1.1b3, chapter 7 (memory), by what is refused."""
_NO_FUNCTION: Final = 1
_FAILED: Final = 4
_EXCEPTION: Final = "exception "
_HEADER: Final = 6


class Mirror(Protocol):
    """What is behind the registers, by the texts of its definition."""

    @property
    def texts(self) -> tuple[str, ...]:
        """All that it understands, placeholders and all."""
        ...

    def respond(self, line: str) -> str | None:
        """Carry one line out; the reply, or None."""
        ...


class Frame(NamedTuple):
    """One request as it came: whose unit it names, its number, and what it says (None: nothing that
    is known)."""

    unit: int
    number: int
    function: int
    pdu: ModbusPDU | None


class RegisterUnit:
    """The registers and coils of one unit."""

    def __init__(self, mirror: Mirror) -> None:
        self._mirror = mirror
        plain = [text for text in mirror.texts if _VALUE not in text]
        self._fixed = {text: request_of(text) for text in plain if PLACE not in text}
        self._by_channel = [text for text in plain if PLACE in text]
        templates = (text for text in mirror.texts if _VALUE in text)
        self._set = {text: request_of(text.replace(_VALUE, "0")) for text in templates}
        self._covering = lru_cache(maxsize=_KEPT)(self._found_covering)

    def spelled(self, function: int, first: int, held: tuple[int, ...], span: int) -> str | None:
        """The text of the definition for a request, or a plain one; None where there is none."""
        if function in _TABLES:
            asked = self._covering(function, first, span)
            same = [text for text, one in asked.items() if (one.address, one.span) == (first, span)]
            places = ", ".join(str(first + at) for at in range(span))
            return same[0] if len(same) == 1 else f"{_TABLES[function]} {places}"
        for text, one in self._fixed.items():
            if (one.function, one.address, one.values) == (function, first, held):
                return text
        for text, one in self._set.items():
            if (one.function, one.address, one.span) == (function, first, span):
                return text.replace(_VALUE, one.said(held))
        return None

    def respond(self, text: str) -> str:
        """Carry one request out: what the registers say, ``taken``, or ``exception`` and its
        number."""
        try:
            request = self._request(text)
            if not request.values:
                return request.said(self._held(text, request))
            self._mirror.respond(text)
        except NotDoneError as error:
            return f"{_EXCEPTION}{_REFUSED[error.code]}"
        except ValueError:
            return f"{_EXCEPTION}{_FAILED}"
        return TAKEN.decode("ascii")

    def _request(self, text: str) -> Request:
        try:
            return request_of(text)
        except ValueError as error:
            raise NotDoneError(-113) from error  # it reaches beyond the last address

    def _held(self, text: str, request: Request) -> tuple[int, ...]:
        """What stands there; what lies between two values that are known is 0.

        Raises:
            NotDoneError: there is no such register.
            ValueError: something has no value that registers could hold.
        """
        if text in self._fixed:
            asked: Mapping[str, Request] = {text: request}
        else:
            asked = self._covering(request.function, request.address, request.span)
        wanted = range(request.address, request.address + request.span)
        held: dict[int, int] = {}
        for known, one in asked.items():
            said = self._mirror.respond(known)
            if said is None:
                raise ValueError(f"{known} is not answered")
            held |= dict.fromkeys(set(range(one.address, one.address + one.span)) - set(held), 0)
            held |= one.held(said, held, clips=True)
        if not held.keys() >= set(wanted):
            raise NotDoneError(-113)
        return tuple(held[at] for at in wanted)

    def _found_covering(self, function: int, first: int, span: int) -> dict[str, Request]:
        """The questions of the definition that reach there; those by channel, where no other."""
        fixed = _reaching(self._fixed, function, first, span)
        if fixed:
            return fixed
        channels = {*range(_MOST_CHANNEL + 1), *range(first, first + span)}
        return _reaching(_at_channels(self._by_channel, channels), function, first, span)


def _at_channels(texts: Iterable[str], channels: Iterable[int]) -> dict[str, Request]:
    found: dict[str, Request] = {}
    for text in (one.replace(PLACE, str(at)) for one in texts for at in sorted(channels)):
        with suppress(ValueError):
            found[text] = request_of(text)
    return found


def _reaching(
    asked: Mapping[str, Request], function: int, first: int, span: int
) -> dict[str, Request]:
    return {
        text: one
        for text, one in asked.items()
        if one.function == function
        and one.address < first + span
        and first < one.address + one.span
        and not one.values
    }


class FramedRequests:
    """Requests out of the bytes of a link, as the texts of a unit's definition, and their answers.
    Several units on one pair of wires, or behind one gateway, hear all of them."""

    welcome = prompt = b""

    def __init__(self, units: Mapping[int, RegisterUnit], *, is_tcp: bool) -> None:
        self.units, self._is_tcp = units, is_tcp
        self._decoder, self._answers = DecodePDU(is_server=True), DecodePDU(is_server=False)
        self._framer = (FramerSocket if is_tcp else FramerRTU)(self._decoder)

    def split(self, data: bytes) -> tuple[list[bytes], bytes]:
        """Whole requests, and what waits for its end."""
        found: list[bytes] = []
        while (size := self._size(data)) and len(data) >= size:
            found.append(data[:size])
            data = data[size:]
        return found, data

    def _size(self, data: bytes) -> int:
        """How long the frame is that begins there; 0 while that is not told. In RTU, what begins
        with no known function has no known end: it is all that came."""
        if self._is_tcp:
            return _HEADER + int.from_bytes(data[4:6], "big") if len(data) >= _HEADER else 0
        if len(data) < FramerRTU.MIN_SIZE:
            return 0
        kind = self._decoder.lookupPduClass(data) if data[1] in (*_TABLES, *_WRITES) else None
        return len(data) if kind is None else kind.calculateRtuFrameSize(data)

    def frame_of(self, request: bytes) -> Frame | None:
        """What a request says; None for what is no frame."""
        used, unit, number, body = self._framer.decode(request)
        if not used or not body:
            return None
        is_known = body[0] in (*_TABLES, *_WRITES)
        return Frame(unit, number, body[0], self._decoder.decode(body) if is_known else None)

    def text_of(self, request: bytes) -> str:
        """The text that it stands for, of the unit that it names; empty for none."""
        frame = self.frame_of(request)
        unit = None if frame is None else self.units.get(frame.unit)
        if frame is None or frame.pdu is None or unit is None:
            return ""
        held = tuple(map(int, chain(frame.pdu.bits[: frame.pdu.count or 1], frame.pdu.registers)))
        span = len(held) or frame.pdu.count
        return unit.spelled(frame.function, frame.pdu.address, held, span) or ""

    def around(self, request: bytes, reply: str | None) -> bytes:
        """The frame that answers a request, given the reply to its text: nothing to another unit's,
        or without a reply; an exception where it has no text."""
        frame = self.frame_of(request)
        if frame is None or frame.unit not in self.units or reply is None:
            return b""
        pdu = self._answer(frame, self.text_of(request), reply)
        pdu.dev_id, pdu.transaction_id = frame.unit, frame.number
        return self._framer.buildFrame(pdu)

    def answered(self, request: bytes) -> bytes:
        """Carry it out; the frame that answers."""
        frame, text = self.frame_of(request), self.text_of(request)
        unit = None if frame is None else self.units.get(frame.unit)
        return b"" if unit is None else self.around(request, unit.respond(text) if text else "")

    def said(self, text: str) -> bytes:
        """Nothing comes by itself."""
        raise ValueError(f"{text}: registers say nothing by themselves")

    def _answer(self, frame: Frame, text: str, reply: str) -> ModbusPDU:
        if frame.pdu is None:
            return ExceptionResponse(frame.function, _NO_FUNCTION)
        if not text or reply.startswith(_EXCEPTION):
            code = reply.removeprefix(_EXCEPTION)
            return ExceptionResponse(frame.function, int(code) if text else _REFUSED[-113])
        answers = self._answers.pdu_table[frame.function][1]
        address, count = frame.pdu.address, frame.pdu.count
        if frame.function not in _TABLES:
            return answers(
                address=address,
                count=count,
                bits=list(frame.pdu.bits),
                registers=list(frame.pdu.registers),
            )
        held = request_of(text).held(reply)
        values = [held.get(address + at, 0) for at in range(count)]
        if frame.function in (1, 2):
            return answers(bits=[bool(one) for one in values])
        return answers(registers=values)

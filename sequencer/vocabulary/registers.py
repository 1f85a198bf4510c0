"""Reads and writes of Modbus registers and coils as lines of text, and what they hold. Pure.

``input 16 float32 CDAB, 21`` asks for two values at one instant; ``write holding 0 x0.001 = 4.2``
sets one. Addresses are those of the message, from 0 (never 4xxxx). Knows no frame and no wire.
Source: Modbus Application Protocol V1.1b3, functions and their limits (memory).
"""

import re
import struct
from decimal import Context, Decimal, Inexact, InvalidOperation
from typing import Final, NamedTuple

READS: Final = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
"""Function code by what is read."""
_WRITES: Final = {"coil": (5, 15), "holding": (6, 16)}
"""Function codes of one and of several."""
_BITS: Final = ("coil", "discrete")
_MOST_REGISTERS, _MOST_WRITTEN, _MOST_BITS = 125, 123, 2000
_KINDS: Final = {
    "uint16": "H", "int16": "h", "uint32": "I", "int32": "i", "float32": "f",
    "uint64": "Q", "int64": "q", "float64": "d",
}  # fmt: skip
_ORDERS: Final = ("ABCD", "CDAB", "BADC", "DCBA")
"""How the bytes of two registers stand on the line; no standard says. Of four registers alike: the
last first for ``CDAB`` and ``DCBA``, the two bytes of each changed for ``BADC`` and ``DCBA``."""
_FLAGS: Final = {"0": 0, "1": 1}
_NO_NUMBER: Final = {"nan": "9.91E37", "inf": "9.9E37", "-inf": "-9.9E37"}
"""As SCPI-1999 writes them, so that they are refused like those of any other instrument."""
_EXACT: Final = Context(prec=40, traps=[Inexact, InvalidOperation])
"""What is no whole number of counts is never rounded."""
_READ = re.compile(r"([a-z]+) (.+)", re.ASCII)
_WRITE = re.compile(r"write (several )?([a-z]+) ([^=]+) = ([-+.0-9eE]+)", re.ASCII)
_FIELD = re.compile(
    r"(?P<address>0x[0-9A-Fa-f]{1,4}|0|[1-9][0-9]{0,4})(?: (?!x)(?P<kind>[a-z]+[0-9]+))?"
    r"(?: (?P<order>[A-D]{4}))?(?: x(?P<scale>[0-9]*\.?[0-9]+))?",
    re.ASCII,
)
_EXAMPLES: Final = "'input 16 float32 CDAB, 21', 'coil 0', 'write holding 0 = 1'"


class Field(NamedTuple):
    """One value: where it begins, how it is kept, over how many registers (or as one coil), and
    how much one count is."""

    address: int
    kind: str
    order: str
    scale: Decimal
    size: int


class Request(NamedTuple):
    """One request: what is read, as ``fields`` within ``span`` from ``address`` on, or the
    ``values`` (registers, or 0 and 1 for coils) that are written there."""

    function: int
    address: int
    span: int
    fields: tuple[Field, ...]
    values: tuple[int, ...] = ()

    @property
    def is_of_bits(self) -> bool:
        """Whether it is about coils or discrete inputs."""
        return self.function in (1, 2, 5, 15)

    @property
    def is_single(self) -> bool:
        """Whether it writes one of them, by the function that is answered by the same again."""
        return self.function in (5, 6)

    @property
    def size(self) -> int:
        """Bytes of data in the answer to a read."""
        return -(-self.span // 8) if self.is_of_bits else 2 * self.span

    def said(self, held: tuple[int, ...]) -> str:
        """What registers or coils from ``address`` on say, joined by ``;``; a number is exact.

        Raises:
            ValueError: a text that is none.
        """
        at = self.address
        return ";".join(_said(one, held[one.address - at :][: one.size]) for one in self.fields)

    def held(
        self, said: str, over: dict[int, int] | None = None, *, clips: bool = False
    ) -> dict[int, int]:
        """The registers or coils, by address, that say this: the mirror of ``said``. A number is
        rounded to a count; what is beyond the registers is held as their end where it ``clips``.
        ``over``: what stood there before, for single bits.

        Raises:
            ValueError: they cannot say it.
        """
        found: dict[int, int] = {}
        before = over or {}
        try:
            for one, text in zip(self.fields, said.split(";"), strict=True):
                if one.kind.startswith("bit"):
                    bit = 1 << int(one.kind[3:])
                    rest = found.get(one.address, before.get(one.address, 0)) & ~bit
                    found[one.address] = rest | bit * _FLAGS[text]
                else:
                    found |= enumerate(_kept(one, text, clips=clips), one.address)
        except (KeyError, ArithmeticError, struct.error) as error:
            raise ValueError(f"{said!r} cannot stand in {self}") from error
        return found


def request_of(line: str) -> Request:
    """The request that a line stands for.

    Raises:
        ValueError: it stands for none; ``str`` says why.
    """
    if (wanted := _WRITE.fullmatch(line)) is not None:
        return _written(wanted[2], wanted[3], wanted[4], is_several=wanted[1] is not None)
    asked = _READ.fullmatch(line)
    if asked is None or asked[1] not in READS:
        raise ValueError(f"{line!r} is no request to registers, such as {_EXAMPLES}")
    fields = tuple(_field(one, asked[1]) for one in asked[2].split(", "))
    first = min(one.address for one in fields)
    span = max(one.address + one.size for one in fields) - first
    most = _MOST_BITS if asked[1] in _BITS else _MOST_REGISTERS
    if span > most:
        raise ValueError(f"one request reaches over at most {most}: ask for the rest in another")
    return Request(READS[asked[1]], first, span, fields)


def _written(table: str, text: str, value: str, *, is_several: bool) -> Request:
    if table not in _WRITES:
        raise ValueError(f"{table} is not written: only coil and holding are")
    field = _field(text, table)
    if field.kind.startswith(("bit", "text")):
        raise ValueError(f"{field.kind} is read, not written")
    values = _values(field, value)
    if len(values) > _MOST_WRITTEN:
        raise ValueError(f"one request writes at most {_MOST_WRITTEN} registers")
    function = _WRITES[table][is_several or len(values) > 1]
    return Request(function, field.address, len(values), (field,), values)


def _field(text: str, table: str) -> Field:
    found = _FIELD.fullmatch(text)
    if found is None:
        raise ValueError(f"{text!r} is no address with a kind, an order and a scale: {_EXAMPLES}")
    is_bit, kind = table in _BITS, found["kind"] or "uint16"
    if is_bit and text != found["address"]:
        raise ValueError(f"a {table} has no kind, order or scale: {text!r}")
    size, address = 1 if is_bit else _size(kind), int(found["address"], 0)
    if address + size > 0x10000:
        raise ValueError(f"nothing of that size begins at {address}: addresses end at 65535")
    scale, order = Decimal(found["scale"] or 1), found["order"]
    if not scale or (found["scale"] and kind not in _KINDS):
        raise ValueError(f"{text!r}: no scale, or no number that it is of")
    is_long = size > 1 and kind in _KINDS
    if is_long != (order is not None) or order not in (None, *_ORDERS):
        raise ValueError(f"{kind} {'needs' if is_long else 'has no'} order: one of {_ORDERS}")
    return Field(address, "coil" if is_bit else kind, order or "ABCD", scale, size)


def _size(kind: str) -> int:
    """Registers that a value takes."""
    name, number = re.fullmatch(r"([a-z]+)([0-9]+)", kind).groups()  # type: ignore[union-attr]
    if name == "text" and 1 <= int(number) <= _MOST_REGISTERS:
        return int(number)
    if name == "bit" and int(number) <= 15:
        return 1
    if kind not in _KINDS:
        raise ValueError(f"no kind {kind}: known are {', '.join(_KINDS)}, bit0 to bit15, text1 …")
    return int(number) // 16


def _values(field: Field, text: str) -> tuple[int, ...]:
    try:
        count = Decimal(text) / field.scale
        if field.kind == "coil":
            return {"0": (0,), "1": (1,)}[text]
        is_float = field.kind.startswith("float")
        number = float(count) if is_float else int(count.to_integral_exact(context=_EXACT))
        raw = struct.pack(f">{_KINDS[field.kind]}", number)
    except (KeyError, ArithmeticError, ValueError, struct.error) as error:
        counts = "" if field.scale == 1 else f" of {field.scale}"
        said = "0 or 1" if field.kind == "coil" else f"{field.kind}{counts}"
        raise ValueError(f"{text} cannot be written at {field.address} as {said}") from error
    return struct.unpack(f">{field.size}H", _ordered(raw, field.order))


def _kept(field: Field, text: str, *, clips: bool) -> tuple[int, ...]:
    """What one value is held as; 0 and 1 as they are for coils."""
    if field.kind == "coil":
        return (_FLAGS[text],)
    if field.kind.startswith("text"):
        raw = text.encode("ascii").ljust(2 * field.size, b"\0")
    else:
        raw = _ordered(_packed(field, text, clips=clips), field.order)
    return struct.unpack(f">{field.size}H", raw)


def _packed(field: Field, text: str, *, clips: bool) -> bytes:
    form = f">{_KINDS[field.kind]}"
    if field.kind.startswith("float"):
        spelt = {marker: float(name) for name, marker in _NO_NUMBER.items()}
        number = spelt[text] if text in spelt else float(Decimal(text) / field.scale)
        return struct.pack(form, number)
    count = int((Decimal(text) / field.scale).to_integral_value())
    bits = 16 * field.size
    low, high = (
        (0, 2**bits - 1)
        if field.kind.startswith("u")
        else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
    )
    return struct.pack(form, min(max(count, low), high) if clips else count)


def _said(field: Field, held: tuple[int, ...]) -> str:
    if field.kind == "coil":
        return str(held[0])
    if field.kind.startswith("bit"):
        return str(held[0] >> int(field.kind[3:]) & 1)
    raw = struct.pack(f">{field.size}H", *held)
    if field.kind.startswith("text"):
        return _text(raw)
    (value,) = struct.unpack(f">{_KINDS[field.kind]}", _ordered(raw, field.order))
    text = f"{value:.9g}" if field.kind == "float32" else str(value)
    return _NO_NUMBER.get(text) or _scaled(text, field.scale)


def _scaled(text: str, scale: Decimal) -> str:
    return text if scale == 1 else str(Decimal(text) * scale)


def _text(raw: bytes) -> str:
    text = raw.rstrip(b"\0 ").decode("latin-1")
    if not text.isascii() or not text.isprintable() or ";" in text:
        raise ValueError(f"{text!r} is no text that registers may hold")
    return text


def _ordered(raw: bytes, order: str) -> bytes:
    """There and back alike: changing the order twice changes nothing."""
    pairs = [raw[place : place + 2] for place in range(0, len(raw), 2)]
    if order in ("CDAB", "DCBA"):
        pairs.reverse()
    if order in ("BADC", "DCBA"):
        pairs = [pair[::-1] for pair in pairs]
    return b"".join(pairs)

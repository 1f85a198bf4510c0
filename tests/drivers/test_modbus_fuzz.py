"""Damaged Modbus answers by the thousand, each made from a known value: that value, or a refusal.

2,000 here; ``NIGHTBENCH_FUZZ_RUNS=100000`` runs the full campaign. Same seed, same answers. Frames
and values are made here, apart from the product. Two things no frame can show, and they are left
out: data changed within a frame of Modbus TCP, which has no checksum and trusts TCP's; and in RTU,
which numbers nothing, a late answer of the same function and length (its session is closed).
"""

import os
import random
import struct
from decimal import Decimal

import pytest

from drivers.transports.modbus import ModbusFrames
from tests.instruments.simulators.zumbrel_m10 import checksum

CAMPAIGN = int(os.environ.get("NIGHTBENCH_FUZZ_RUNS", "2000"))
KINDS = {"uint16": "H", "int16": "h", "uint32": "I", "int32": "i", "float32": "f", "float64": "d"}
ORDERS = {
    "ABCD": lambda pairs: pairs,
    "CDAB": lambda pairs: pairs[::-1],
    "BADC": lambda pairs: [one[::-1] for one in pairs],
    "DCBA": lambda pairs: [one[::-1] for one in pairs[::-1]],
}


def known(rng):
    """A request for one to three values side by side, the data of its answer, and the values."""
    table, at = rng.choice(["holding", "input"]), rng.randrange(60000)
    texts, data, values = [], b"", []
    for _ in range(rng.randint(1, 3)):
        kind, scale = rng.choice(list(KINDS)), rng.choice(["", " x0.1", " x0.001", " x10"])
        size = struct.calcsize(KINDS[kind])
        order = rng.choice(list(ORDERS)) if size > 2 else "ABCD"
        raw = (
            rng.randbytes(size)
            if "int" in kind
            else struct.pack(f">{KINDS[kind]}", rng.gauss(0, 5))
        )
        (value,) = struct.unpack(f">{KINDS[kind]}", raw)
        pairs = [raw[place : place + 2] for place in range(0, size, 2)]
        texts.append(f"{at} {kind}{f' {order}' if size > 2 else ''}{scale}")
        data, at = data + b"".join(ORDERS[order](pairs)), at + size // 2
        values.append(Decimal(value) * Decimal(scale.removeprefix(" x") or 1))
    return (
        f"{table} {', '.join(texts)}",
        bytes([3 if table == "holding" else 4, len(data)]) + data,
        values,
    )


def frame(frames, request, body):
    """The answer with this body, to the request that went out."""
    sent = request[:4] + struct.pack(">H", len(body) + 1) if frames.pause_s == 0.0 else b""
    message = bytes([7]) + body
    return sent + message if sent else message + checksum(message)


def damaged(good, other, rng, *, has_checksum):
    """Cut, doubled, lengthened, another's answer before it or in its place; bits and bytes
    changed where a checksum shows that."""
    ways = [
        lambda: good[: rng.randrange(len(good))],
        lambda: good + good,
        lambda: good + rng.randbytes(rng.randint(1, 5)),
        lambda: rng.randbytes(rng.randint(1, 3)) + good,
        lambda: other,
        lambda: bytes([good[0] ^ rng.randrange(1, 256)]) + good[1:],
    ]
    if has_checksum:
        ways += [lambda: changed(good, rng), lambda: swapped(good, rng)] * 3
        ways.append(lambda: good[: rng.randrange(1, len(good))] + other)
    return rng.choice(ways)()


def changed(good, rng):
    """One to three bits, or up to two neighbouring bytes."""
    reply = bytearray(good)
    if rng.random() < 0.5:
        for bit in rng.sample(range(8 * len(good)), rng.randint(1, 3)):
            reply[bit // 8] ^= 1 << bit % 8
    else:
        at = rng.randrange(len(good) - 1)
        reply[at : at + 2] = rng.randbytes(2)
    return bytes(reply)


def swapped(good, rng):
    """A byte left out, or two neighbours in the wrong order."""
    at = rng.randrange(len(good) - 1)
    pair = b"" if rng.random() < 0.5 else good[at + 1 : at + 2]
    return good[:at] + pair + good[at : at + 1] * bool(pair) + good[at + 2 - (not pair) :]


def said(frames, received, rng):
    """The line that comes of these bytes, in any pieces; None for a refusal, or for silence."""
    at = 0
    while at < len(received):
        at = min(len(received), at + rng.randint(1, 12))
        try:
            line = frames.answer(received[:at])
        except ValueError:
            return None
        if line is not None:
            return line if at == len(received) else None
    return None


@pytest.mark.parametrize("is_tcp", [False, True])
def test_a_damaged_answer_is_its_own_value_or_refused(is_tcp):
    """And an undamaged one is always read: to the last digit that its kind can tell."""
    rng = random.Random(f"modbus {is_tcp}")
    frames = ModbusFrames(7, is_tcp=is_tcp, baud=9600)
    for _ in range(CAMPAIGN // 2):
        line, body, values = known(rng)
        _, others, _ = known(rng)
        good = frame(frames, frames.frame(line.encode()), body)
        read = said(frames, good, rng)
        assert read is not None, line
        assert is_of(read, values), (line, read, values)
        request = frames.frame(line.encode())
        stale = frame(frames, bytes([request[0] ^ 1]) + request[1:], others)
        good = frame(frames, request, body)
        reply = damaged(good, stale, rng, has_checksum=not is_tcp)
        if reply not in (good, b"") and (is_tcp or reply != stale or len(others) != len(body)):
            read = said(frames, reply, rng)
            assert read is None or is_of(read, values), (line, reply.hex(" "), read, values)


def is_of(line, values):
    """Whether the line says these values: nine digits of a float."""
    read = [Decimal(one) for one in line.decode().split(";")]
    return len(read) == len(values) and all(
        abs(one - value) <= abs(value) * Decimal("1e-8")
        for one, value in zip(read, values, strict=True)
    )

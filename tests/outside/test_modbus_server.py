"""pymodbus's own server and client, as a second implementation of both ends.

Ours reads and writes what its server holds; its client reads what our writes left there, and its
own conversion says how values lie in registers. The library's frames are also ours: what this
shows is the rest, functions, addresses from 0, word orders, units, exceptions.
"""

import asyncio
import threading
from contextlib import contextmanager
from typing import Any

import pytest
from pymodbus.client import ModbusTcpClient
from pymodbus.framer import FramerType
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from drivers.transports.choice import transport_for
from sequencer.documents.link import Link
from sequencer.vocabulary.faults import FaultKind, InstrumentError

KIND = ModbusTcpClient.DATATYPE
KINDS = {
    "uint16": KIND.UINT16, "int16": KIND.INT16, "uint32": KIND.UINT32, "int32": KIND.INT32,
    "float32": KIND.FLOAT32, "uint64": KIND.UINT64, "int64": KIND.INT64, "float64": KIND.FLOAT64,
}  # fmt: skip
HELD = [
    ("uint16", "", 65000), ("int16", "", -12345), ("uint32", "ABCD", 4_000_000_000),
    ("int32", "CDAB", -70_000), ("float32", "ABCD", 3.805), ("float32", "CDAB", -0.0125),
    ("uint64", "CDAB", 2**63 + 5), ("int64", "ABCD", -(2**40)), ("float64", "CDAB", 1.5e-7),
]  # fmt: skip
"""One value of each kind, one behind the other from input register 10 on."""


def laid(kind, order, value):
    """The registers, by the library's own conversion."""
    words = "little" if order == "CDAB" else "big"
    return ModbusTcpClient.convert_to_registers(value, KINDS[kind], word_order=words)


def device(unit):
    """Coils, discrete inputs, holding and input registers of a unit."""
    inputs = [register for one in HELD for register in laid(*one)]
    return SimDevice(
        unit,
        (
            [SimData(0, values=[True, False, True] + [False] * 13, datatype=DataType.BITS)],
            [SimData(0, values=[False, True] + [False] * 14, datatype=DataType.BITS)],
            [SimData(0, values=[unit] + [0] * 9, datatype=DataType.REGISTERS)],
            [SimData(10, values=inputs, datatype=DataType.REGISTERS)],
        ),
    )


@contextmanager
def served(framer):
    """The library's server with two units, and its port."""
    loop, ports, ready = asyncio.new_event_loop(), [], threading.Event()

    async def serve():
        units = [device(7), device(9)]
        server = ModbusTcpServer(units, framer=framer, address=("127.0.0.1", 0))
        await server.serve_forever(background=True)
        listening: Any = server.transport
        ports.append((server, listening.sockets[0].getsockname()[1]))
        ready.set()

    def run():
        asyncio.set_event_loop(loop)
        loop.run_until_complete(serve())
        loop.run_forever()
        loop.close()

    thread = threading.Thread(target=run)
    thread.start()
    assert ready.wait(10.0)
    server, port = ports[0]
    yield port
    asyncio.run_coroutine_threadsafe(server.shutdown(), loop).result(10.0)
    loop.call_soon_threadsafe(loop.stop)
    thread.join(10.0)


@pytest.fixture(params=[FramerType.SOCKET, FramerType.RTU])
def server(request):
    """Its port and the frames that it speaks."""
    with served(request.param) as port:
        yield port, request.param


@contextmanager
def ours(server, unit):
    """Our wire to that unit."""
    port, framer = server
    frames = "RTU" if framer is FramerType.RTU else "by link"
    wire = transport_for(f"tcp:127.0.0.1:{port}", Link(kinds=("socket",), unit=unit, frames=frames))
    wire.open()
    yield wire
    wire.close()


def asked(wire, line):
    """The values in answer to a line."""
    return wire.query(f"{line}\n".encode()).decode().split(";")


def test_every_kind_and_order_is_read_as_the_library_lays_it(server):
    """All in one grouped request, and each alone."""
    at, texts = 10, []
    for kind, order, value in HELD:
        texts.append(f"{at} {kind} {order}".rstrip())
        at += len(laid(kind, order, value))
    with ours(server, 7) as wire:
        together = asked(wire, f"input {', '.join(texts)}")
        apart = [asked(wire, f"input {one}")[0] for one in texts]
        assert together == apart
    for text, (kind, _, value) in zip(together, HELD, strict=True):
        assert float(text) == pytest.approx(value, rel=1e-7 if kind == "float32" else 0.0)


def test_what_we_write_its_client_reads(server):
    """By functions 5, 6, 16 and 15; what it writes we read."""
    port, framer = server
    with ours(server, 9) as wire:
        for line in ("holding 1 x0.001 = 4.2", "holding 2 float32 CDAB = 1.5",
                     "holding 4 int32 ABCD = -7", "coil 1 = 1", "several coil 2 = 0",
                     "several holding 6 = 77"):  # fmt: skip
            assert wire.query(f"write {line}\n".encode()) == b"taken"
        client = ModbusTcpClient("127.0.0.1", port=port, framer=framer)
        assert client.connect()
        held = client.read_holding_registers(0, count=10, device_id=9).registers
        assert held[:2] == [9, 4200]
        assert client.convert_from_registers(held[2:4], KIND.FLOAT32, "little") == 1.5
        assert client.convert_from_registers(held[4:6], KIND.INT32) == -7
        assert held[6] == 77
        assert client.read_coils(0, count=3, device_id=9).bits[:3] == [True, True, False]
        client.write_register(8, 0xFFF6, device_id=9)
        client.write_coil(5, True, device_id=9)
        client.close()
        assert asked(wire, "holding 8 int16 x0.1") == ["-1.0"]
        assert asked(wire, "coil 0, 1, 2, 5") == ["1", "1", "0", "1"]
        assert asked(wire, "discrete 0, 1") == ["0", "1"]


def test_units_are_told_apart_and_exceptions_told(server):
    """Each unit answers for itself; where nothing is, it says that."""
    for unit in (7, 9):
        with ours(server, unit) as wire:
            assert asked(wire, "holding 0") == [str(unit)]
    with ours(server, 7) as wire:
        with pytest.raises(InstrumentError) as raised:
            asked(wire, "input 500")
        assert raised.value.kind is FaultKind.ERROR_QUEUE
        assert "exception 2 to 'input 500': no such address" in raised.value.detail

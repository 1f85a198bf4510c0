"""Shipped SCPI definitions against an SCPI server that is not ours: scpipy (its parser, its path
rule, its status registers and its error queue). Headers are those of SCPI-1999 volume 2 (memory).

What the server cannot do: an optional first node, so ``[SOURce]:VOLTage`` is there under both
names; an empty line is a syntax error to it, so the bare line end before *off* leaves -102.
"""

import asyncio
import contextlib
import socket
import threading
from collections.abc import AsyncIterator, Iterator
from typing import Any

import pytest
from scpipy.server import Context, Router, Server
from scpipy.shared.errors import DefaultScpiErrors, ScpiException

from drivers.dialects.answers import bounds_of
from drivers.instruments.instrument import Instrument
from drivers.instruments.noted_wire import Noting
from drivers.instruments.trial import Trial
from drivers.transports.choice import transport_for
from sequencer.documents.definition import InstrumentDefinition
from sequencer.watchdog.requests import wait_until
from tests.drivers.definitions import definition

OHM = 10.0
LEVEL = "[:LEVel][:IMMediate][:AMPLitude]"


class Box:
    """A supply, a load and a meter in one, on a resistor: settings by name, and an output. Ranges
    are those that the definition states."""

    def __init__(self, found: InstrumentDefinition) -> None:
        self.set: dict[str, float] = {}
        self.is_on, self.drives, self._found = False, found.kind == "supply", found
        self.router = Router()
        self._add_settings()
        for root in ("OUTPut[:STATe]", "INPut[:STATe]"):
            self._add(root + "?", lambda context: int(self.is_on))
            self._add(root + " <word>", self._switch)
        self._add("*IDN?", lambda context: "maker,model,123,1.0")
        self._add("MEASure[:SCALar]:VOLTage[:DC]?", self._volts)
        self._add("MEASure[:SCALar]:CURRent[:DC]?", lambda context: f"{self.amps:.4E}")
        self._add("READ?", lambda context: "+1.234000E-01")
        self._add("CONFigure:VOLTage[:DC] <most>", lambda context, most: None)
        self._add("INSTrument:NSELect <number>", lambda context, number: None)
        self._add("OUTPut:PROTection:CLEar", lambda context: None)

    @property
    def amps(self) -> float:
        """Through the resistor."""
        driven = min(self.set["set voltage"] / OHM, self.set["set current"])
        return driven if self.is_on and self.drives else 0.0

    def _volts(self, context: Context, expected: str = "") -> str:
        return f"{self.amps * OHM:.4E}"

    def _add_settings(self) -> None:
        for source in ("", "SOURce:"):
            self._setting(f"{source}VOLTage{LEVEL}", "set voltage")
            self._setting(f"{source}CURRent{LEVEL}", "set current")
            self._setting(f"{source}VOLTage:PROTection[:LEVel]", "set over-voltage")
            self._setting(f"{source}CURRent:PROTection[:LEVel]", "set over-current")
            self._setting(f"{source}VOLTage:PROTection:LOW[:LEVel]", "set under-voltage")
            self._add(f"{source}FUNCtion[:MODE]?", lambda context: "CURR")
            self._add(f"{source}FUNCtion[:MODE] <mode>", lambda context, mode: None)

    def _setting(self, header: str, name: str) -> None:
        low, most = bounds_of(self._found, name)
        self.set[name] = most if "over" in name else max(low, 0.0)

        def take(context: Context, value: str) -> None:
            if not low <= float(value) <= most:
                raise ScpiException(DefaultScpiErrors.DATA_OUT_OF_RANGE.value)
            self.set[name] = float(value)

        self._add(header + "?", lambda context: f"{self.set[name]:.3f}")
        self._add(header + " <value>", take)

    def _switch(self, context: Context, word: str) -> None:
        self.is_on = {"ON": True, "OFF": False}[word]

    def _add(self, header: str, act: Any) -> None:
        self.router.add_route(header, act)


@contextlib.contextmanager
def served(box: Box) -> Iterator[str]:
    """The address of a server of that box."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    loops: list[asyncio.AbstractEventLoop] = []

    @contextlib.asynccontextmanager
    async def alive(server: Server) -> AsyncIterator[None]:
        loops.append(asyncio.get_running_loop())
        yield

    server = Server("127.0.0.1", port, shared_context=True, lifespan=alive)
    server.include_router(box.router)
    thread = threading.Thread(target=server.run)
    thread.start()

    def answers() -> bool:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1.0):
            return True
        return False

    assert wait_until(answers, 10.0)
    try:
        yield f"TCPIP0::127.0.0.1::{port}::SOCKET"
    finally:
        loops[0].call_soon_threadsafe(server.stop)
        thread.join(10.0)


NAMES = [
    "generic-scpi-supply", "generic-scpi-supply-full", "generic-scpi-supply-selected",
    "generic-scpi-load", "generic-scpi-load-full",
    "generic-scpi-multimeter", "generic-scpi-multimeter-at-once",
]  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_a_definition_is_tried_against_a_server_that_is_not_ours(name):
    """Every exchange of ``bench try``, with the output on too, through PyVISA."""
    found = definition(name)
    box = Box(found)
    with served(box) as address:
        wire = Noting(transport_for(address, found.link, name))
        instrument = Instrument(name, found, wire)
        trial = Trial(instrument, wire, None)
        trial.with_output_off()
        if found.kind == "supply":
            trial.with_output_on(OHM)
        instrument.part()
    wrong = [(one.tried, one.words, one.said) for one in trial.exchanges if not one.fits]
    assert wrong == []
    assert not box.is_on


@pytest.fixture
def supply():
    """The plain supply, its box, and a session."""
    found = definition("generic-scpi-supply")
    box = Box(found)
    with served(box) as address:
        instrument = Instrument("supply", found, transport_for(address, found.link, "supply"))
        instrument.identify()
        yield instrument, box
        instrument.close()


def test_errors_of_its_queue_are_read_in_its_words(supply):
    """A header that it does not know (its number for that is the general one), a value beyond its
    range, and a missing one, oldest first."""
    instrument, _ = supply
    for line in (b"VOLTS 1\n", b"VOLT 99\n", b"VOLT\n"):
        instrument.transport.write(line)
    said = [(one.code, one.text) for one in instrument.errors()]
    assert said == [
        ("-110", "Command header error"),
        ("-222", "Data out of range"),
        ("-109", "Missing parameter"),
    ]
    assert instrument.errors() == []


def test_the_path_and_the_forms_of_headers_are_as_in_its_parser(supply):
    """Long and short forms are the same header; after a colon the path begins anew."""
    instrument, box = supply
    box.set["set voltage"] = 4.2
    for question in (b"VOLT?", b"voltage?", b"SOURce:VOLTage:LEVel?", b"OUTP?;:SOUR:VOLT?"):
        assert instrument.transport.query(question + b"\n").endswith(b"4.200")


def test_off_reaches_an_output_and_leaves_only_the_bare_line_end_behind(supply):
    """-102 for the empty line that goes before; the session goes on."""
    instrument, box = supply
    instrument.perform("set voltage", 1.0)
    instrument.perform("set current", 1.0)
    instrument.perform("output on")
    assert instrument.perform("measure") == {"voltage": 1.0, "current": 0.1, "output": True}
    instrument.off()
    assert instrument.perform("measure")["output"] is False
    assert not box.is_on
    assert {one.code for one in instrument.errors()} == {"-102"}

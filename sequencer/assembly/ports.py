"""The places where instruments may be, and what one of them answers when a person names it."""

import os
from collections.abc import Mapping
from typing import Any

from drivers.transports.choice import transport_for
from drivers.transports.ports import Port, ports
from sequencer.assembly.bench_ownership import hold_addresses
from sequencer.documents.link import Link
from sequencer.vocabulary.faults import InstrumentError, UsageError
from sequencer.vocabulary.near import did_you_mean

QUESTION = "*IDN?"
"""IEEE 488.2's question who is there (from memory); anything else may not know it."""


def listed() -> list[dict[str, Any]]:
    """Every place, as data. Opens nothing."""
    return [one._asdict() for one in ports()]


def asked(address: str, baud_rate: int, found: list[Port] | None = None) -> str:
    """What the instrument at that address answers to ``*IDN?``, and nothing is sent elsewhere.

    Raises:
        UsageError: it is not in the list, nor a network address.
        RefusedError: a run holds it.
        InstrumentError: it does not answer.
    """
    known = [one.address for one in (ports() if found is None else found)]
    if address not in known and not address.startswith(("tcp:", "TCPIP")):
        there = did_you_mean(address, known) or (f": there are {', '.join(known)}" if known else "")
        raise UsageError(f"{address} is not listed by 'bench ports'{there}")
    held = hold_addresses([address])
    try:
        return _ask(address, _link(baud_rate))
    finally:
        for handle in held:
            os.close(handle)


def _link(baud_rate: int) -> Link:
    if baud_rate < 1:
        raise UsageError(f"--baud {baud_rate}: must be at least 1")
    given: Mapping[str, Any] = {"kinds": ("socket", "serial", "visa"), "baud rate": str(baud_rate)}
    return Link.model_validate(given)


def _ask(address: str, link: Link) -> str:
    wire = transport_for(address, link, address)
    try:
        wire.open()
        wire.drain()
        reply = wire.query(f"{QUESTION}\n".encode("ascii"))
    except InstrumentError as error:
        raise InstrumentError(
            error.kind, address, f"{error.detail} ({QUESTION} was sent)"
        ) from error
    finally:
        wire.close()
    return ascii(reply.decode("latin-1"))[1:-1]

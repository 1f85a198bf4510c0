"""A bench of one contactor on a socket, its safing plan in a run folder, and a watchdog process."""

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from sequencer.documents.safing import (
    AnswerPart,
    Ask,
    Identify,
    Safed,
    SafingLink,
    SafingPlan,
    dump,
)
from tests.watchdog.contactor import Contactor


@pytest.fixture
def contactor() -> Iterator[Contactor]:
    """One contactor that listens, closed."""
    with Contactor() as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        yield server
        server.shutdown()
        thread.join()


@pytest.fixture
def plan(contactor: Contactor) -> SafingPlan:
    """How to open the contactor and see that it is open."""
    part = AnswerPart("contact", "state", off=("open",), on=("closed",))
    one = Safed(
        "contactor",
        ("contactor",),
        SafingLink("tcp", host="127.0.0.1", port=contactor.server_address[1]),
        offs=("open",),
        identify=Identify("who?", "a contactor"),
        asks=(Ask("state?", "(?P<state>open|closed)", (part,)),),
    )
    return SafingPlan("a bench of one contactor", (one,), contact_seen=True)


@pytest.fixture
def folder(tmp_path: Path, plan: SafingPlan) -> Path:
    """A run folder with the safing plan in it."""
    made = tmp_path / "run"
    made.mkdir()
    (made / "safing.json").write_text(dump(plan), encoding="utf-8")
    return made

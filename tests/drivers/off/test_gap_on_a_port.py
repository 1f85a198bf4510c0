"""Off of a box of channels over fresh links: a line too soon behind another one is not heard."""

import socket
from itertools import pairwise
from threading import Thread
from uuid import uuid4

import pytest

from drivers.off.carrying_out import make_safe
from drivers.transports import turns as port_turns
from drivers.transports.turns import PortTurns
from sequencer.documents.safing import AnswerPart, Ask, Identify, Safed, SafingLink, SafingPlan

GAP_S = 0.08
NOW = 1000.0


class Box:
    """What is heard, on whatever connection, and answered."""

    def __init__(self) -> None:
        self.heard: list[str] = []
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            peer, _ = self._server.accept()
            Thread(target=self._serve, args=(peer,), daemon=True).start()

    def _serve(self, peer: socket.socket) -> None:
        with peer, peer.makefile("rb") as lines:
            for raw in lines:
                line = raw.decode().strip()
                self.heard.append(line)
                self._answer(peer, line)

    def _answer(self, peer: socket.socket, line: str) -> None:
        if line.endswith("?"):
            number, _, question = line.partition(";")
            said = f"box {number}" if question == "ID?" else "0.000;0"
            peer.sendall(f"{said}\n".encode())


def channel(number: int, port: int, turns: str) -> Safed:
    """One output of the box."""
    parts = (AnswerPart("current", "a"), AnswerPart("output", "o", off=("0",), on=("1",)))
    return Safed(
        f"channel {number}",
        ("charge",),
        SafingLink("tcp", "127.0.0.1", port, turns=turns),
        offs=(f"{number};OFF",),
        identify=Identify(f"{number};ID?", f"box {number}"),
        asks=(Ask(f"{number};M?", "(?P<a>[^;]+);(?P<o>.)", parts),),
        visible_a=0.01,
        gap_s=GAP_S,
    )


@pytest.fixture
def taken(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The time that each line to a port took for itself. The clock of turns stands still, so that
    it is what a line waits for; how long this computer then takes to send it is not judged."""
    times: list[float] = []
    monkeypatch.setattr(port_turns, "monotonic", lambda: NOW)

    def sleep(waits_s: float) -> None:
        if waits_s != port_turns._RETRY_S:  # this one is for the turn, not before a line
            times.append(NOW + waits_s)

    monkeypatch.setattr(port_turns, "sleep", sleep)
    return times


def test_each_line_to_a_box_keeps_its_gap(taken):
    """Of two channels at once, and right behind a line of who has just given the turn away."""
    box, turns = Box(), f"test:{uuid4()}"
    plan = SafingPlan("box", tuple(channel(one, box.port, turns) for one in (1, 2)), 3.0)
    other = PortTurns(turns)
    with other.turn(1.0):
        pass
    other.leave()
    proof = make_safe(plan)
    assert len(taken) >= len(box.heard) > 2 * len(plan.instruments)
    times = sorted(one for one in taken if one > NOW)
    apart = [later - sooner for sooner, later in pairwise([NOW, *times])]
    assert min(apart) == pytest.approx(GAP_S)
    assert {f"{one};OFF" for one in (1, 2)} <= set(box.heard)
    assert proof.is_off, proof.evidence

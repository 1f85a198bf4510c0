"""Off of a box of channels over fresh links: a line too soon behind another one is not heard."""

import socket
from itertools import pairwise
from threading import Thread
from time import monotonic
from uuid import uuid4

from drivers.off.carrying_out import make_safe
from drivers.transports.turns import PortTurns
from sequencer.documents.safing import AnswerPart, Ask, Identify, Safed, SafingLink, SafingPlan

GAP_S = 0.08


class Box:
    """One ear: a line within the gap behind another one, on whatever connection, is not heard."""

    def __init__(self) -> None:
        self.heard: list[str] = []
        self.times: list[float] = []
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
                is_heard = not self.times or monotonic() - self.times[-1] > 0.7 * GAP_S
                self.times.append(monotonic())
                line = raw.decode().strip()
                if is_heard:
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


def test_each_line_to_a_box_keeps_its_gap():
    """Of two channels at once, and right behind a line of who has just given the turn away."""
    box, turns = Box(), f"test:{uuid4()}"
    plan = SafingPlan("box", tuple(channel(one, box.port, turns) for one in (1, 2)), 3.0)
    other = PortTurns(turns)
    with other.turn(1.0):
        box.times.append(monotonic())
    other.leave()
    proof = make_safe(plan)
    apart = [later - sooner for sooner, later in pairwise(box.times)]
    assert min(apart) > 0.7 * GAP_S
    assert {f"{one};OFF" for one in (1, 2)} <= set(box.heard)
    assert proof.is_off, proof.evidence

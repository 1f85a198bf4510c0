"""A simulator at the end of a wire inside this process, in a time that moves only by waiting."""

from drivers.transports.memory import MemoryTransport
from sequencer.documents.link import Link
from tests.instruments.simulators.speaking import SimulatedInstrument


class InProcess(MemoryTransport):
    """Waiting and pausing (``wait``) let the simulator's time go on; nothing waits in real time."""

    def __init__(self, link: Link, simulator: SimulatedInstrument) -> None:
        super().__init__("it", link, self._respond)
        self._simulator, self._now = simulator, 0.0
        simulator.connected(0.0)

    def wait(self, seconds: float) -> None:
        """Let time go on."""
        self._until(self._now + seconds)

    def _respond(self, data: bytes) -> bytes:
        self._simulator.hear(data, self._now)
        return b""

    def _receive(self, timeout_s: float) -> bytes:
        """What comes until then, beginning with the first piece."""
        waiting = super()._receive(timeout_s)
        return waiting or self._until(self._now + timeout_s, is_enough=True)

    def _until(self, end: float, *, is_enough: bool = False) -> bytes:
        came = b""
        while True:
            self._simulator.tick(self._now)
            came += self._simulator.due(self._now)
            if (came and is_enough) or self._now >= end:
                break
            self._now = min(end, max(self._now + 0.001, self._simulator.next_at()))
        if came and not is_enough:
            self.push(came)
        return came

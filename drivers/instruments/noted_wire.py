"""A wire that notes what passes over it, for whoever looks for a mistake."""

from time import monotonic

from drivers.transports.base import Transport


class Noting:
    """A transport that notes what passes: ``> sent`` and ``< received``."""

    def __init__(self, wire: Transport) -> None:
        self._wire, self.culprit = wire, wire.culprit
        self.said: list[str] = []
        self.slowest_s = 0.0

    @property
    def is_open(self) -> bool:
        """As the wire."""
        return self._wire.is_open

    def open(self) -> None:
        """As the wire."""
        self._wire.open()

    def write(self, data: bytes) -> None:
        """As the wire."""
        self._wire.write(data)
        self.said.append(f"> {_shown(data)}")

    def tell(self, data: bytes) -> None:
        """As the wire."""
        self.said.append(f"> {_shown(data)}")
        self._wire.tell(data)

    def read_line(self, timeout_s: float | None = None) -> bytes:
        """As the wire."""
        reply = self._wire.read_line(timeout_s)
        self.said.append(f"< {_shown(reply)}")
        return reply

    def query(self, data: bytes, timeout_s: float | None = None) -> bytes:
        """As the wire."""
        self.said.append(f"> {_shown(data)}")
        began_s = monotonic()
        reply = self._wire.query(data, timeout_s)
        self.slowest_s = max(self.slowest_s, monotonic() - began_s)
        self.said.append(f"< {_shown(reply)}")
        return reply

    def hear(self) -> bytes:
        """As the wire."""
        line = self._wire.hear()
        self.said.append(f"< {_shown(line)} (by itself)")
        return line

    def take_rest(self) -> None:
        """As the wire."""
        self._wire.take_rest()

    def drain(self) -> bytes:
        """As the wire."""
        waiting = self._wire.drain()
        if waiting:
            self.said.append(f"< {_shown(waiting)} (nobody had asked)")
        return waiting

    def close(self) -> None:
        """As the wire."""
        self._wire.close()


def _shown(data: bytes) -> str:
    return ascii(data.decode("latin-1"))[1:-1]

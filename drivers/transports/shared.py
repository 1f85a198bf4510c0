"""A port that several instruments share: channels of one box, or devices on one bus.

Owns that one exchange is over before the next begins, whoever asks, and that what comes too late
for one answers no question of another. The turns between processes are in ``turns``; how bytes move
is the business of the wire beneath. One session serves all of a process that share the port.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from threading import RLock
from time import monotonic
from typing import Final, TypeVar

from drivers.transports.base import FRAME_ANSWER_S, PortTransport, Transport
from drivers.transports.stream import StreamTransport
from drivers.transports.turns import PortTurns
from sequencer.documents.link import TURN_S, Link
from sequencer.vocabulary.faults import FaultKind, InstrumentError

T = TypeVar("T")

OFF_TURN_S: Final = 0.1
"""How long *off* waits for the exchange of another to end; then it is sent into it: an answer that
is lost is asked for again, and a cell that goes on being charged is not."""
_UNHEEDED_S: Final = 1.0
"""How long after that no further line of *off* waits."""
_LATE: Final = frozenset({FaultKind.NO_REPLY, FaultKind.POISONED})


class SharedPort:
    """The port and its one session. ``is_kept``: the session stays open while another process
    speaks (a serial port: opening it anew may reset what is connected), else it is closed before:
    some instruments take one connection at a time."""

    def __init__(self, name: str, wire: PortTransport, *, is_kept: bool) -> None:
        self.wire, self._is_kept = wire, is_kept
        self.turns = PortTurns(name, self.let_go)
        self.exchange = RLock()
        """Held by the thread that speaks and reads: *off* of another may come in between, and two
        that read at once would take each other's answers."""
        self.users: set[SharedTransport] = set()
        self.session = 0
        """Another number means that what its users had is lost."""
        self.is_spoiled = False
        """Whether what waits there may be an answer to somebody else."""
        self.is_unanswered = False
        """Whether what was last sent may not have been read yet: nothing answered it."""

    def speak_for(self, culprit: str, unit: int | None) -> None:
        """Whose exchange comes next."""
        self.wire.culprit = culprit
        if isinstance(self.wire, StreamTransport) and self.wire.frames is not None and unit:
            self.wire.frames.unit = unit

    def let_go(self) -> None:
        """Another speaks here from now on."""
        self.is_spoiled = self._is_kept
        if not self._is_kept:
            if self.is_unanswered:
                self.wire.let_read()
            self.wire.close()

    def get_ready(self) -> None:
        """An open session, with nothing waiting in it that somebody else had asked for."""
        if self.is_spoiled:
            self.let_go()
            self.wire.drain()
            self.is_spoiled = False
        if not self.wire.is_open:
            self.wire.open()

    def lose(self) -> None:
        """The session is lost for everybody."""
        self.session += 1
        self.wire.close()

    def read_away(self, allowed_s: float) -> None:
        """Nothing fitted, or nothing came: another answer's time for what is still under way."""
        with self.exchange, suppress(InstrumentError):
            self.wire.read_line(allowed_s)
        self.is_spoiled = True


class SharedTransport:
    """The wire of one of them, as if it were alone there."""

    def __init__(self, port: SharedPort, link: Link, culprit: str) -> None:
        self.culprit = culprit
        self._port, self._link = port, link
        self._session: int | None = None
        self._unheeded_until = 0.0

    @property
    def is_open(self) -> bool:
        """Whether what it opened still stands."""
        return self._session == self._port.session

    def open(self) -> None:
        """Count on the session from now on; it is made at the first exchange."""
        self._session = self._port.session
        self._port.users.add(self)

    def close(self) -> None:
        """Count on it no more; the last one gives the port back."""
        self._session = None
        self._port.users.discard(self)
        if not self._port.users:
            self._port.wire.close()
            self._port.turns.leave()

    def query(self, data: bytes, timeout_s: float | None = None) -> bytes:
        """Send and read the one line that answers; nobody else's comes between.

        Raises:
            InstrumentError: as on a wire of its own; BUSY while others speak all the time.
        """
        allowed_s = self._link.read_time_out if timeout_s is None else timeout_s
        return self._spoken(lambda wire: wire.query(data, allowed_s), allowed_s)

    def tell(self, data: bytes) -> None:
        """Send a command that is not answered.

        Raises:
            InstrumentError: as ``query``.
        """
        self._spoken(lambda wire: wire.tell(data), self._link.read_time_out, is_answered=False)

    def read_line(self, timeout_s: float | None = None) -> bytes:
        """One line without its end.

        Raises:
            InstrumentError: as ``query``.
        """
        allowed_s = self._link.read_time_out if timeout_s is None else timeout_s
        return self._spoken(lambda wire: wire.read_line(allowed_s), allowed_s)

    def hear(self) -> bytes:
        """The next line that comes by itself.

        Raises:
            InstrumentError: as ``query``.
        """
        return self._spoken(lambda wire: wire.hear(), self._link.read_time_out)

    def write(self, data: bytes) -> None:
        """Send now: what de-energises waits for no more than the exchange that is under way.

        Raises:
            InstrumentError: LINK_LOST or NO_REPLY.
        """
        wait_s = OFF_TURN_S if monotonic() >= self._unheeded_until else 0.0
        with self._port.turns.turn(wait_s, insist=True) as is_alone:
            if is_alone:
                self._done(lambda wire: wire.write(data), is_answered=False)
                return
            self._unheeded_until = monotonic() + _UNHEEDED_S
            self._port.is_spoiled = self._port.is_unanswered = True
            # Two frames at once would destroy each other: what is under way gets that much more.
            more_s = FRAME_ANSWER_S if self._link.unit else 0.0
            is_over = self._port.exchange.acquire(timeout=more_s)
            try:
                self._interrupt(data, is_over=is_over)
            finally:
                if is_over:
                    self._port.exchange.release()

    def _interrupt(self, data: bytes, *, is_over: bool) -> None:
        """Send into what another says; in a new session where that one is being ended, as when the
        port goes to another process just now. ``is_over``: no thread of ours speaks there."""
        wire, unit = self._port.wire, self._link.unit
        if is_over:
            self._port.speak_for(self.culprit, unit)
        if wire.is_open:
            try:
                wire.write(data) if is_over else wire.interrupt(data, unit)
            except InstrumentError:
                wire.close()
            else:
                return
        wire.open()
        wire.write(data) if is_over else wire.interrupt(data, unit)

    def drain(self) -> bytes:
        """Take whatever is waiting now, unless another is being answered; never raises."""
        try:
            with self._port.turns.turn(0.0), self._port.exchange:
                return self._port.wire.drain() if self._port.wire.is_open else b""
        except TimeoutError:
            return b""

    def take_rest(self) -> None:
        """Take what the commands sent so far may still bring back; never raises."""
        try:
            with self._port.turns.turn(TURN_S), self._port.exchange:
                self._port.wire.take_rest()
        except TimeoutError:
            return

    # -- inside -----------------------------------------------------------------------------

    def _spoken(
        self, act: Callable[[Transport], T], allowed_s: float, *, is_answered: bool = True
    ) -> T:
        with self._turn():
            try:
                return self._done(act, is_answered=is_answered)
            except InstrumentError as error:
                if error.kind in _LATE:
                    self._port.read_away(allowed_s)
                raise

    def _done(self, act: Callable[[Transport], T], *, is_answered: bool) -> T:
        """Whatever is said of the wire meanwhile is said of this instrument."""
        with self._port.exchange:
            self._port.speak_for(self.culprit, self._link.unit)
            if not self.is_open:
                raise InstrumentError(FaultKind.LINK_LOST, self.culprit, "the session is closed")
            try:
                self._port.get_ready()
                self._port.is_unanswered |= not is_answered
                done = act(self._port.wire)
            except InstrumentError as error:
                if error.kind is FaultKind.LINK_LOST:
                    self._port.lose()
                raise
            self._port.is_unanswered = not is_answered
            return done

    @contextmanager
    def _turn(self) -> Iterator[None]:
        try:
            with self._port.turns.turn(TURN_S):
                yield
        except TimeoutError as error:
            raise InstrumentError(FaultKind.BUSY, self.culprit, str(error)) from error

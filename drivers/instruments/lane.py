"""One instrument's lane: the daemon thread that alone speaks to it, and what it said last.

Owns the hand-over between the executive and a thread, sessions and how many may be lost, and the
settings that the instrument must still have. Knows no circuit and no sample. A lane is never waited
for without a bound: one that hangs in the operating system is left behind.
"""

from _thread import allocate_lock
from collections.abc import Callable
from queue import SimpleQueue
from threading import Thread
from time import monotonic
from typing import Generic, NamedTuple, TypeVar

from drivers.dialects.base import Reading
from drivers.instruments.instrument import POISONING, Instrument
from drivers.instruments.pace import overdue_s
from drivers.instruments.settings import LOOK_AFTER_NS
from sequencer.ports import Identity
from sequencer.vocabulary.faults import Fault, FaultKind, InstrumentError

T = TypeVar("T")

SESSIONS_TO_LOSE = 3
"""How many sessions an instrument may lose in one run; then it is not opened again."""
REPLACED_NS = 10_000_000_000
"""Bench time within which a lost session must be replaced: no reading may be older than that."""
UNHEARD = POISONING | {FaultKind.BUSY}
"""What the age of readings decides about, where nothing is driven."""


class Poll(NamedTuple):
    """One question that is asked again and again: the operation, its channel, the field of the
    sample that its faults are told with, and how often (ns of bench time; 0: every tick)."""

    operation: str
    channel: int | None
    field: str
    interval_ns: int = 0


class Round:
    """The end of one tick's questions: ``wait`` returns once every lane asked has arrived."""

    def __init__(self, parties: int) -> None:
        self._tokens = [None] * (parties - 1)
        self._gate = allocate_lock()
        self._gate.acquire()

    def arrive(self) -> None:
        """A lane is done; the last one ends the wait (``pop`` is atomic)."""
        try:
            self._tokens.pop()
        except IndexError:
            self._gate.release()

    def wait(self, seconds: float) -> bool:
        """Whether all arrived in time (real time)."""
        return self._gate.acquire(timeout=max(0.0, seconds))


class Pending(Generic[T]):
    """A job handed to a lane, and what came of it."""

    def __init__(self, name: str, act: Callable[[Instrument], T], *, is_urgent: bool) -> None:
        self._name, self._act, self.is_urgent = name, act, is_urgent
        self._result: T | None = None
        self._error: Exception | None = None
        self._gate = allocate_lock()
        self._gate.acquire()

    def run(self, instrument: Instrument) -> None:
        """Do it, in the lane's thread."""
        try:
            self._result = self._act(instrument)
        except Exception as error:  # noqa: BLE001 handed to whoever waits, and raised there
            self._error = error
        self._gate.release()

    def abandon(self) -> None:
        """Off came first."""
        self._error = InstrumentError(FaultKind.BUSY, self._name, "off came first")
        self._gate.release()

    def result(self, deadline: float) -> T:
        """What it gave, by ``deadline`` (monotonic real time).

        Raises:
            InstrumentError: what the instrument did; BUSY when it is not through in time.
        """
        if not self._gate.acquire(timeout=max(0.0, deadline - monotonic())):
            raise InstrumentError(FaultKind.BUSY, self._name, "not through in time")
        self._gate.release()
        if self._error is not None:
            raise self._error
        return self._result  # type: ignore[return-value] # set by run unless it raised


class Lane:
    """The thread of one instrument. ``now_ns`` stamps readings with bench time; ``waits_s`` is how
    long it may wait for its turn on its port."""

    def __init__(
        self,
        instrument: Instrument,
        polls: tuple[Poll, ...],
        now_ns: Callable[[], int],
        waits_s: float = 0.0,
    ) -> None:
        self.name = instrument.name
        self.polls = polls
        self.latest: dict[str, tuple[int, Reading]] = {}
        """By field: when (bench time of asking) and what the last valid answer said."""
        self.standing: dict[str, Fault] = {}
        """By field: what is wrong with it since the last time it was asked."""
        self.news: list[Fault] = []
        """What is told once."""
        self.identity: Identity | None = None
        self.drives = False
        """Whether its output, or its contact, was switched on and not seen off since."""
        self._instrument, self._now_ns = instrument, now_ns
        self._settings: dict[str, float] = {}
        self._due_ns = dict.fromkeys((poll.field for poll in polls), 0)
        rule = instrument.definition.errors
        self._errors_every_ns = round(rule.poll_interval * 1e9) if rule else LOOK_AFTER_NS
        self._look_ns = self._errors_ns = self._next_ns = 0
        self._lost = 0
        self._lost_ns: int | None = None
        self._is_let_go = True
        self._is_given_up = self._is_doubted = False
        self._interrupts = self._interrupts_served = 0  # each written by one thread only
        self._asked: Round | None = None
        self._asked_at = 0.0
        asked = (poll.operation for poll in polls)
        self._overdue_s = waits_s + overdue_s(instrument.definition, asked)
        self._inbox: SimpleQueue[Pending[object] | tuple[Round, tuple[Poll, ...]] | None]
        self._inbox = SimpleQueue()
        self._thread = Thread(target=self._work, name=f"lane {self.name}", daemon=True)
        self._thread.start()

    # -- from the executive's thread

    def due(self, at_ns: int, slack_ns: int) -> tuple[Poll, ...]:
        """What is to be asked in the tick at ``at_ns``; none while an earlier one is under way."""
        if self._asked is not None:
            return ()
        before_ns, due = at_ns + slack_ns, self._due_ns
        return tuple(poll for poll in self.polls if due[poll.field] <= before_ns)

    def hurry(self) -> None:
        """Everything is due at the next tick: something was commanded."""
        self._due_ns = dict.fromkeys(self._due_ns, 0)

    def ask(self, meeting: Round, polls: tuple[Poll, ...], at_ns: int, *, idle_ns: int) -> None:
        """Hand one tick's questions over. ``idle_ns``: at least this long until the next ones."""
        self._asked, self._asked_at = meeting, monotonic()
        for poll in polls:
            self._due_ns[poll.field] = at_ns + max(poll.interval_ns, idle_ns)
        self._inbox.put((meeting, polls))

    def call(self, act: Callable[[Instrument], T]) -> Pending[T]:
        """Hand a job over; it waits for its turn."""
        job = Pending(self.name, act, is_urgent=False)
        self._inbox.put(job)  # type: ignore[arg-type] # what it gives is the caller's affair
        return job

    def interrupt(self, act: Callable[[Instrument], T]) -> Pending[T]:
        """Hand a job over that goes before everything still waiting, which is dropped."""
        self._interrupts += 1
        job = Pending(self.name, act, is_urgent=True)
        self._inbox.put(job)  # type: ignore[arg-type] # as above
        return job

    def faults(self) -> list[Fault]:
        """What is wrong now, and what has happened since the last time it was asked for."""
        found = list(self.standing.values())
        while self.news:
            found.append(self.news.pop(0))
        if self._asked is not None and monotonic() - self._asked_at > self._overdue_s:
            since_s = monotonic() - self._asked_at
            detail = f"no answer for {since_s:.1f} s"
            found.append(Fault(FaultKind.BUSY, self.name, self.polls[0].field, detail))
        return found if self.drives or self._is_given_up else list(map(_awaited, found))

    def stop(self) -> None:
        """End the thread once it comes back from what it is doing."""
        self._interrupts += 1
        self._inbox.put(None)

    # -- in the lane's own thread

    @property
    def _is_interrupted(self) -> bool:
        return self._interrupts != self._interrupts_served

    def _work(self) -> None:
        take, instrument = self._inbox.get, self._instrument
        while True:
            job = take()
            if job is None:
                instrument.close()
                return
            if isinstance(job, tuple):
                if not self._is_interrupted:
                    self._answer(instrument, job[1])
                self._asked = None
                job[0].arrive()
            elif job.is_urgent:
                self._interrupts_served += 1
                job.run(instrument)
            elif self._is_interrupted:
                job.abandon()
            else:
                job.run(instrument)

    def _answer(self, instrument: Instrument, polls: tuple[Poll, ...]) -> None:
        for number, poll in enumerate(polls):
            if self._is_interrupted:
                return
            at_ns = self._now_ns()
            try:
                reading = self._asked_of(instrument, poll)
            except InstrumentError as error:
                self._tell(poll, error)
                if error.kind in POISONING:  # the others would only wait for a dead session
                    for unasked in polls[number + 1 :]:
                        self._tell(unasked, error)
                    return
                continue
            except Exception as error:  # noqa: BLE001 our own bug must trip, not end the thread
                self._tell(poll, self._bug(error))
                continue
            self.latest[poll.field] = (at_ns, reading)
            if self.standing:
                self.standing.pop(poll.field, None)
        if at_ns >= self._next_ns and not self.standing:
            self._look(instrument, at_ns)

    def _asked_of(self, instrument: Instrument, poll: Poll) -> Reading:
        """What the poll gives; asked again on a new session as often as the link allows."""
        for left in range(instrument.definition.link.read_retries, -1, -1):
            try:
                self.make_sound(instrument)
                return instrument.perform(poll.operation, None, poll.channel)
            except InstrumentError as error:
                if error.kind not in POISONING or left == 0 or self._is_interrupted:
                    raise
        raise AssertionError  # the last one returns or raises

    def _tell(self, poll: Poll, error: InstrumentError) -> None:
        self.standing[poll.field] = error.as_fault(poll.field)
        self._due_ns[poll.field] = 0

    def _look(self, instrument: Instrument, at_ns: int) -> None:
        """Who is there, errors that it keeps to itself, and settings that somebody changed. Errors
        as often as the definition says, and each time with the others."""
        is_whole = at_ns >= self._look_ns
        if is_whole:
            self._look_ns = at_ns + LOOK_AFTER_NS
        self._errors_ns = at_ns + self._errors_every_ns
        self._next_ns = min(self._look_ns, self._errors_ns)
        try:
            if is_whole:
                self._recognise(instrument)
            self.news += [one.as_fault() for one in instrument.complaints()]
            if is_whole:
                self._verify(instrument)
        except InstrumentError as error:
            self.news.append(error.as_fault())
        except Exception as error:  # noqa: BLE001 our own bug must trip, not end the thread
            self.news.append(self._bug(error).as_fault())

    def _bug(self, error: Exception) -> InstrumentError:
        self._is_given_up = True  # it is a fault at any age
        detail = f"{type(error).__name__}: {error}"
        return InstrumentError(FaultKind.LINK_LOST, self.name, detail)

    def _recognise(self, instrument: Instrument) -> None:
        """The same one as before; the known answer also shows that no answer comes one late."""
        self._compare(instrument, instrument.identify())

    def _compare(self, instrument: Instrument, identity: Identity) -> None:
        """Whoever answers otherwise than before is believed no more, and asked once again in a new
        session: noise is no other instrument.

        Raises:
            InstrumentError: POISONED; IDENTITY_CHANGED for a well-formed other one the second time.
        """
        known, was_doubted = self.identity, self._is_doubted
        self._is_doubted = known is not None and identity.who != known.who
        if known is None or not self._is_doubted:
            return
        instrument.close()
        detail = f"{identity.raw[:80]!r} answers, {known.raw!r} was here"
        is_other = was_doubted and identity.is_well_formed
        kind = FaultKind.IDENTITY_CHANGED if is_other else FaultKind.POISONED
        raise instrument.under_way.unfit(kind, detail, expected=repr(known.raw))

    def make_sound(self, instrument: Instrument) -> None:
        """A session that can be trusted: opened anew if need be, identity first, then every
        setting compared with what it was set to. An output that drives nothing is told off before
        anything else; one that drives is left as it is.

        Raises:
            InstrumentError: LINK_LOST once too many sessions were lost, or one for too long; what
                the new one met.
        """
        if not instrument.is_ready:
            self._open_again(instrument)

    def _open_again(self, instrument: Instrument) -> None:
        was_let_go, self._is_let_go = self._is_let_go, False
        self._count_loss(was_let_go=was_let_go)
        if self.identity is not None and not self.drives:
            instrument.off()
        identity = instrument.identify()
        self._compare(instrument, identity)
        if not instrument.is_ready:
            return
        self.identity, self._lost_ns = self.identity or identity, None
        if not was_let_go:
            detail = f"{self._lost} of the {SESSIONS_TO_LOSE} that may be lost in one run"
            self.news.append(Fault(FaultKind.REOPENED, self.name, "", detail))
        self._verify(instrument)

    def _count_loss(self, *, was_let_go: bool) -> None:
        """One session lost, however often its replacement is tried; none that was let go.

        Raises:
            InstrumentError: LINK_LOST, once it is enough.
        """
        now_ns = self._now_ns()
        if self._lost_ns is None:
            self._lost_ns = now_ns
            self._lost += not was_let_go
        is_late = now_ns - self._lost_ns > REPLACED_NS
        if was_let_go or not (is_late or self._lost > SESSIONS_TO_LOSE):
            return
        self._is_given_up = True
        detail = f"{SESSIONS_TO_LOSE} sessions were lost, no more are opened"
        if is_late:
            detail = f"no session in {REPLACED_NS / 1e9:.0f} s, no more are opened"
        raise InstrumentError(FaultKind.LINK_LOST, self.name, detail)

    def _verify(self, instrument: Instrument) -> None:
        for operation, value in tuple(self._settings.items()):
            if instrument.definition.operations[operation].read_back is None:
                del self._settings[operation]  # nobody knows what it is set to now: sent again
                continue
            try:
                instrument.confirm(operation, value)
            except InstrumentError as error:
                if error.kind is FaultKind.SETTING_DIFFERS:
                    del self._settings[operation]
                else:
                    instrument.close()
                raise

    def set(self, instrument: Instrument, operation: str, value: float) -> None:
        """Set and read back; what is set already is not sent again.

        Raises:
            InstrumentError: SETTING_DIFFERS also for a value beyond what the instrument takes.
        """
        if self.is_set(operation, value) and instrument.is_ready:
            return
        self._settings.pop(operation, None)
        self.make_sound(instrument)
        try:
            instrument.perform(operation, value)
        except ValueError as error:
            kind = FaultKind.SETTING_DIFFERS
            raise InstrumentError(kind, self.name, str(error)) from error
        self._settings[operation] = value

    def is_set(self, operation: str, value: float) -> bool:
        """Whether that value was set, and nothing since has put it in doubt."""
        return self._settings.get(operation) == value

    def renew(self, instrument: Instrument) -> None:
        """A new session on purpose, for a look at who is there: none is lost by it."""
        self._is_let_go, self._lost_ns = True, None
        instrument.open()

    def let_go(self, instrument: Instrument) -> None:
        """Close the session on purpose (others need the link); the next use opens a new one."""
        instrument.close()
        self._is_let_go, self._lost_ns = True, None


def _awaited(fault: Fault) -> Fault:
    """The same fault of what drives nothing: whether a reading stays away for too long is judged by
    its age, and its cause is kept in words."""
    if fault.kind not in UNHEARD:
        return fault
    detail = f"{fault.kind.value}: {fault.detail}"
    return fault._replace(kind=FaultKind.AWAITED, detail=detail)

"""Carries out a safing plan: everything off at once, then the proof, over links opened just now.

Used by the executive, by the watchdog when the executive is dead, and by hand. Owns the order
(a bare line end, off twice, everywhere at once; then identity; then the questions) and its bounds
in real time; knows no definition. Never raises: each failure is a line of evidence. Never sends
``*RST`` (it turns some loads on) and never programs a voltage down (that discharges a cell).
"""

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from math import inf

from drivers.off.answers import is_the_one, read_answer, stripped
from drivers.off.evidence import (
    SILENT,
    OffReading,
    Round,
    Testimony,
    admits_off,
    is_settled,
    kept_against,
    weigh,
)
from drivers.off.raw_links import RawLink, load, open_raw
from drivers.transports.turns import PortTurns
from sequencer.documents.safing import LEAST_SETTLING_S, RAW_TURN_S, Ask, Safed, SafingPlan
from sequencer.vocabulary.verdict import Proof

OPEN_S = 0.5
"""Longest that one link may take to open (a dying process may still hold it), and that saying off
may take on a computer that is too busy for more."""
WRITE_S = 0.4
"""Longest that writing one line may take."""
_RETRY_S = 0.05
_SPARE_S = 0.1
_STANDSTILL_S = 0.25
_STANDSTILLS = 2
_ROUNDS_NEEDED = 2

Pause = Callable[[float], object]


def _nobody() -> None:
    """Nobody is told."""


def get_ready(plan: SafingPlan) -> None:
    """Load now what carrying this plan out will need, so that off does not wait for it then; an
    OSError where it is not there."""
    for one in plan.instruments:
        load(one.link)


def make_safe(
    plan: SafingPlan, *, pause: Pause = time.sleep, off_sent: Callable[[], None] = _nobody
) -> Proof:
    """Switch everything off over fresh links, then prove it; off takes ``OPEN_S`` at most, the
    proof ``plan.proof_s`` more.

    ``pause`` waits before and between rounds of questions (a bench whose time is led passes its
    own); ``off_sent`` is called once off was said to everybody.
    """
    return _Carrying(plan, pause, off_sent).proof()


def prove_off(plan: SafingPlan, *, pause: Pause = time.sleep) -> Proof:
    """The same proof without commanding anything."""
    return _Carrying(plan, pause, None).proof()


def tell(off_sent: Callable[[], None]) -> None:
    """Say that off was sent. Whoever is told may break; making safe goes on."""
    try:
        off_sent()
    except Exception:  # noqa: BLE001 making safe and its proof go on, whatever the caller met
        return


class _Carrying:
    """One carrying-out: a daemon thread an instrument, and a board on which they report.

    A thread that hangs in the operating system is left behind, never waited for. Where no thread is
    to be had, the caller's own does the work of it.
    """

    def __init__(self, plan: SafingPlan, pause: Pause, off_sent: Callable[[], None] | None) -> None:
        """``off_sent`` None: nothing is commanded."""
        self._plan, self._pause = plan, pause
        self._off, self._off_sent = off_sent is not None, off_sent or _nobody
        self._ends = time.monotonic() + OPEN_S + plan.proof_s
        self._board = threading.Condition()
        self._sent, self._gone, self._late = set[str](), set[str](), set[str]()
        self._last: dict[str, Testimony] = {}
        self._rounds: list[dict[str, Testimony]] = []
        self._here: list[tuple[Safed, RawLink]] = []
        self._took_s = 0.0
        self._standstills = 0
        self._is_over = False
        self._turns = {one.link.turns: PortTurns(one.link.turns) for one in plan.instruments}

    def proof(self) -> Proof:
        try:
            for one in self._plan.instruments:
                self._start(one)
            self._wait_until_said()
            return self._weigh_rounds()
        finally:
            with self._board:
                self._is_over = True
                self._board.notify_all()
            for _, link in self._here:
                _close(link)

    def _wait_until_said(self) -> None:
        """Off is out everywhere, or a link that does not open has had its time; then it settles."""
        with self._board:
            self._board.wait_for(self._is_all_sent, timeout=OPEN_S + WRITE_S)
        if self._off:
            tell(self._off_sent)
            self._let_pass(self._plan.settles_s)

    def _weigh_rounds(self) -> Proof:
        rounds = [self._hear_round()]
        while True:
            proof = weigh(self._plan, rounds)
            if self._is_enough(proof, rounds):
                return proof
            self._let_pass(LEAST_SETTLING_S)
            rounds.append(self._hear_round())

    def _let_pass(self, seconds: float) -> None:
        """A pause; it counts in full towards the end, also where it takes no real time."""
        ends = time.monotonic() + seconds
        self._pause(seconds)
        with self._board:
            self._ends -= max(0.0, ends - time.monotonic())

    def _is_enough(self, proof: Proof, rounds: Sequence[Round]) -> bool:
        """Over when proven as well as can be and everything that answers says off, when nobody is
        left to ask, or when the time is over."""
        with self._board:
            left = [one for one in self._plan.instruments if one.name not in self._gone]
        if not left or len(rounds) < _ROUNDS_NEEDED:
            return not left
        said = [(one, rounds[-1].get(one.name, SILENT)) for one in left]
        asked = [(one, its) for one, its in said if self._off or one.is_output]
        says_off = all(admits_off(one, its) for one, its in asked if its.findings or its.counts)
        return (is_settled(self._plan, proof) and says_off) or not self._has_time()

    def _has_time(self) -> bool:
        """Whether another round like the last one fits, so that the end does not cut it off. Time
        in which the computer stood still is given again."""
        now = time.monotonic()
        if now > self._ends + _STANDSTILL_S and self._standstills < _STANDSTILLS:
            self._standstills += 1
            self._ends = now + self._plan.proof_s
        return now + LEAST_SETTLING_S + self._took_s + _SPARE_S < self._ends

    def _hear_round(self) -> Round:
        """What everybody says in a new round, once all have answered or have had their time."""
        late = (one.answer_s for one in self._plan.instruments if one.name in self._late)
        longest = self._plan.round_s + max(late, default=0.0) + _RETRY_S
        began = time.monotonic()
        with self._board:
            self._rounds.append({})
            number = len(self._rounds)
            self._board.notify_all()
        for one, link in self._here:
            self._ask_here(link, one, number)
        with self._board:
            self._board.wait_for(self._has_reported, timeout=longest)
            self._took_s = min(longest, time.monotonic() - began)
            heard = self._rounds[-1]
            return {one.name: self._said(one, heard) for one in self._plan.instruments}

    def _said(self, one: Safed, heard: Mapping[str, Testimony]) -> Testimony:
        """What it said in this round; of one that did not, what it said against off before."""
        before = self._last.get(one.name, SILENT)
        if one.name in heard:
            return heard[one.name]
        return before if one.name in self._gone else kept_against(one, before, SILENT)

    def _has_reported(self) -> bool:
        heard = self._rounds[-1]
        return all(one.name in heard or one.name in self._gone for one in self._plan.instruments)

    # -- one instrument

    def _start(self, one: Safed) -> None:
        try:
            threading.Thread(target=self._tend, args=(one,), daemon=True).start()
        except (RuntimeError, MemoryError):
            self._tend(one, here=True)

    def _tend(self, one: Safed, *, here: bool = False) -> None:
        """One instrument to its last answer, over as many fresh links as fit into ``OPEN_S``;
        whatever goes wrong is said, not raised."""
        gives_up = time.monotonic() + OPEN_S
        while True:
            try:
                self._attend(one, gives_up, here=here)
            except Exception as error:  # noqa: BLE001 making safe ends with words, whatever breaks
                trouble = f"{one.link}: {_words(error)}"
            else:
                return
            self._mark_sent(one)
            if time.monotonic() + _RETRY_S >= gives_up:
                self._give_up(one, trouble)
                return
            time.sleep(_RETRY_S)

    def _attend(self, one: Safed, gives_up: float, *, here: bool) -> None:
        end, turns = one.reply_end.encode("latin-1"), self._turns[one.link.turns]
        link = open_raw(one.link, end, gives_up, turns, one.gap_s)
        try:
            with link.turn():
                if self._off:
                    _switch_off(link, one)
                self._mark_sent(one)
                if one.link.turns:  # an answer shows that off was read before the link closes
                    with suppress(OSError):
                        _identify(link, one, inf)
            if here:
                self._here.append((one, link))
            else:
                self._question(link, one)
        finally:
            if (one, link) not in self._here:
                _close(link)

    def _mark_sent(self, one: Safed) -> None:
        with self._board:
            was_all_sent = self._is_all_sent()
            self._sent.add(one.name)
            if self._is_all_sent() and not was_all_sent:
                self._ends = max(self._ends, time.monotonic() + self._plan.proof_s)
            self._board.notify_all()

    def _is_all_sent(self) -> bool:
        return len(self._sent) == len(self._plan.instruments)

    def _question(self, link: RawLink, one: Safed) -> None:
        """Rounds of questions, each behind a known answer, until all is settled; the first two
        whatever the time. Whoever kept the line for a whole round is not waited for again."""
        done, wait_s = 0, self._plan.round_s
        while number := self._next_round(done):
            with link.turn(wait_s):
                self._ask(link, one, number)
            done, wait_s = number, RAW_TURN_S if link.is_shared else self._plan.round_s

    def _ask(self, link: RawLink, one: Safed, number: int) -> None:
        """One round; whoever does not say off is told again. Without a known answer a link on which
        something was late or did not fit is of no more use."""
        ends = inf if number <= _ROUNDS_NEEDED else self._ends
        if one.name in self._late:
            _read_away(link, _by(one, ends))
        said = _hear(link, one, ends)
        (self._late.discard if said.counts else self._late.add)(one.name)
        self._post(one, said, number)
        if self._off and not admits_off(one, said):
            _switch_off(link, one)
        if one.identify is None and not said.counts:
            raise OSError(said.troubles[-1])

    def _ask_here(self, link: RawLink, one: Safed, number: int) -> None:
        """The same in the caller's own thread; a link that breaks is not opened again."""
        if one.name in self._gone:
            return
        try:
            with link.turn():
                self._ask(link, one, number)
        except Exception as error:  # noqa: BLE001 making safe ends with words, whatever breaks
            self._give_up(one, f"{one.link}: {_words(error)}")

    def _next_round(self, done: int) -> int:
        """The number of the round that is asked now, once it is another; 0 when all is over."""
        with self._board:
            self._board.wait_for(lambda: self._is_over or len(self._rounds) > done)
            return 0 if self._is_over else len(self._rounds)

    def _post(self, one: Safed, said: Testimony, number: int) -> None:
        with self._board:
            self._keep(one, said)
            self._rounds[number - 1][one.name] = self._last[one.name]
            self._board.notify_all()

    def _give_up(self, one: Safed, trouble: str) -> None:
        with self._board:
            self._gone.add(one.name)
            self._keep(one, Testimony((), False, (trouble,)))
            self._board.notify_all()

    def _keep(self, one: Safed, said: Testimony) -> None:
        self._last[one.name] = kept_against(one, self._last.get(one.name, SILENT), said)


def _switch_off(link: RawLink, one: Safed) -> None:
    """A bare line end first, in case half a command is in the instrument; off twice."""
    deadline = time.monotonic() + WRITE_S
    for text in ("", *one.offs, *one.opens, *one.offs) if one.offs else ():
        _say(link, one, text, deadline)


def _say(link: RawLink, one: Safed, text: str, deadline: float) -> float:
    """One line, and the pause that the instrument needs before the next; when it was out."""
    link.send((text + one.line_end).encode("latin-1"), deadline)
    out = time.monotonic()
    if one.gap_s and not one.link.turns:  # those who share a port keep it together
        time.sleep(one.gap_s)
    return out


def _answer(link: RawLink, one: Safed, sent: str, deadline: float) -> str:
    """The next line that is not an echo alone."""
    text = stripped(one, sent, link.line(deadline))
    return stripped(one, sent, link.line(deadline)) if one.echoes and not text else text


def _asked(link: RawLink, one: Safed, ask: Ask, ends: float) -> str:
    """All answers to one entry of the plan, joined."""
    answers = []
    for text in (ask.send, *ask.then):
        out = _say(link, one, text, _by(one, ends))
        answers.append(_answer(link, one, text, _by(one, ends, out)))
    return ";".join(answers)


def _hear(link: RawLink, one: Safed, ends: float) -> Testimony:
    """One round: the known answer, then the questions. A silent one is asked nothing more."""
    try:
        doubt = _identify(link, one, ends)
    except TimeoutError:
        return Testimony((), False, ("does not answer",))
    except ValueError as error:
        doubt = str(error)
    return _ask_all(link, one, doubt, ends)


def _identify(link: RawLink, one: Safed, ends: float) -> str:
    """Empty when the right one answered, else what is wrong. The known answer also parts what the
    off commands (and half a command before them) provoked from the answers that follow.

    Raises:
        TimeoutError: nothing came.
    """
    known, seen = one.identify, ""
    if known is None or not one.reply_end:
        _drain(link, _by(one, ends))
    deadline = _by(one, ends, known and _say(link, one, known.send, _by(one, ends)))
    while known is not None and not is_the_one(known, seen):
        try:
            seen = stripped(one, known.send, link.line(deadline))
        except TimeoutError:
            if not seen:
                raise
            return f"is not who it should be: {seen!r}"
    return "its line is held by another process" if link.is_shared else ""


def _by(one: Safed, ends: float, since: float | None = None) -> float:
    return min(ends, (time.monotonic() if since is None else since) + one.answer_s)


def _drain(link: RawLink, deadline: float) -> None:
    """Read until it is quiet: what the off commands provoked is no answer."""
    with suppress(TimeoutError):
        while time.monotonic() < deadline:
            link.line(min(deadline, time.monotonic() + _RETRY_S))


def _read_away(link: RawLink, deadline: float) -> None:
    """Throw away what comes within another answer's time: after a silence it is an answer to an
    earlier question, and must not stand for one to the next."""
    with suppress(TimeoutError):
        while True:
            with suppress(ValueError):
                link.line(deadline)


def _ask_all(link: RawLink, one: Safed, doubt: str, ends: float) -> Testimony:
    """Every question of the plan once. After a silence or an answer that does not fit, nothing
    more from this link counts: the answers may be one late."""
    findings: list[OffReading] = []
    for ask in one.asks:
        try:
            findings += read_answer(ask, _asked(link, one, ask, ends))
        except (TimeoutError, ValueError) as error:
            return Testimony(tuple(findings), False, (f"asked {ask.send}: {error}",))
    return Testimony(tuple(findings), not doubt, (doubt,) if doubt else ())


def _words(error: BaseException) -> str:
    return str(error) or type(error).__name__


def _close(link: RawLink) -> None:
    with suppress(OSError):
        link.close()

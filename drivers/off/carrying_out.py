"""Carries out a safing plan: everything off at once, then the proof, over links opened just now.

Used by the executive, by the watchdog when the executive is dead, and by hand. Owns the order
(a bare line end, off twice, everywhere at once; then identity; then the questions) and its bounds
in real time; knows no definition. Never raises: each failure is a line of evidence. Never sends
``*RST`` (it turns some loads on) and never programs a voltage down (that discharges a cell).
"""

import re
import threading
import time
from collections.abc import Callable, Collection
from math import inf
from typing import NamedTuple

from drivers.off.evidence import SILENT, Finding, Testimony, kept_against, weigh
from drivers.off.raw_links import RawLink, load_visa, open_raw
from sequencer.documents.safing import Ask, Identify, Part, Safed, SafingPlan
from sequencer.vocabulary.verdict import Proof

OPEN_S = 0.5
"""Longest that one link may take to open (a dying process may still hold it)."""
REPLY_S = 0.4
"""Longest that one answer may take."""
TOTAL_S = 1.5
"""Longest that making safe and its proof take altogether. A computer that is too busy to say *off*
in ``OPEN_S`` says it later, and the proof then has what is left of this from there on."""
_ROUND_S = 0.05
_STANDSTILL_S = 0.25
_STANDSTILLS = 2
_NUMBER = re.compile(
    r"[+-]?(?:[0-9]{1,15}(?:\.[0-9]{0,15})?|\.[0-9]{1,15})(?:[eE][+-]?[0-9]{1,3})?"
)
_NOT_A_NUMBER_FROM = 9e36

Pause = Callable[[float], object]


def get_ready(plan: SafingPlan) -> None:
    """Load now what carrying this plan out will need, so that off does not wait for it then.

    Raises:
        OSError: a library that it needs is not there.
    """
    if any(one.link.kind == "visa" for one in plan.instruments):
        load_visa()


def make_safe(plan: SafingPlan, *, pause: Pause = time.sleep, idle: Collection[str] = ()) -> Proof:
    """Switch everything off over fresh links, then prove it; at most about ``TOTAL_S``.

    ``pause`` waits between two rounds of questions (a bench whose time is led passes its own).
    ``idle``: outputs that were proven off before and not switched on since.
    """
    return _Carrying(plan, off=True, pause=pause, idle=idle).proof()


def prove_off(plan: SafingPlan, *, pause: Pause = time.sleep, idle: Collection[str] = ()) -> Proof:
    """The same proof without commanding anything."""
    return _Carrying(plan, off=False, pause=pause, idle=idle).proof()


class _Report(NamedTuple):
    said: Testimony = SILENT
    round: int = 0
    is_final: bool = False


def _speaks(report: _Report) -> bool:
    return not report.is_final and bool(report.said.findings or report.said.counts)


class _Carrying:
    """One carrying-out: a daemon thread an instrument, and a board on which they report.

    A thread that hangs in the operating system is left behind, never waited for.
    """

    def __init__(self, plan: SafingPlan, *, off: bool, pause: Pause, idle: Collection[str]) -> None:
        self._plan, self._off, self._pause, self._idle = plan, off, pause, idle
        self._ends = time.monotonic() + TOTAL_S
        self._board = threading.Condition()
        self._sent: set[str] = set()
        self._reports = {one.name: _Report() for one in plan.instruments}
        self._round = 1
        self._standstills = 0
        self._is_over = False

    def proof(self) -> Proof:
        try:
            for one in self._plan.instruments:
                self._start(one)
            return self._weigh_rounds()
        finally:
            with self._board:
                self._is_over = True
                self._board.notify_all()

    def _weigh_rounds(self) -> Proof:
        proof = self._weigh_round()
        while not self._is_settled(proof) and self._has_time():
            self._pause(_ROUND_S)
            self._next_round()
            proof = self._weigh_round()
        return proof

    def _has_time(self) -> bool:
        """Whether another round fits. Time in which the computer stood still is given again."""
        now = time.monotonic()
        if now > self._ends + _STANDSTILL_S and self._standstills < _STANDSTILLS:
            self._standstills += 1
            self._ends = now + TOTAL_S - OPEN_S
        return now + _ROUND_S < self._ends

    def _start(self, one: Safed) -> None:
        try:
            threading.Thread(target=self._tend, args=(one,), daemon=True).start()
        except (RuntimeError, MemoryError):
            self._is_over = True  # no thread to be had: one round, here, one after the other
            self._tend(one)

    def _weigh_round(self) -> Proof:
        with self._board:
            left = self._ends - time.monotonic()
            least = REPLY_S if self._round == 1 else 0.0
            self._board.wait_for(self._has_reported, timeout=max(left, least))
            heard = {name: report.said for name, report in self._reports.items()}
        return weigh(self._plan, heard, self._idle)

    def _has_reported(self) -> bool:
        return all(one.is_final or one.round >= self._round for one in self._reports.values())

    def _is_settled(self, proof: Proof) -> bool:
        """Over when proven and everything that answers says off, or nobody is left to ask."""
        with self._board:
            reports = dict(self._reports)
        if all(report.is_final for report in reports.values()):
            return True
        heard = [one for one in self._plan.instruments if _speaks(reports[one.name])]
        asked = [one for one in heard if self._off or one.is_output]
        return proof.is_off and all(_admits_off(one, reports[one.name].said) for one in asked)

    def _next_round(self) -> None:
        with self._board:
            self._round += 1
            self._board.notify_all()

    def _tend(self, one: Safed) -> None:
        """One instrument to its last answer, over as many fresh links as fit into ``OPEN_S``;
        whatever goes wrong is said, not raised."""
        gives_up = time.monotonic() + OPEN_S
        while True:
            try:
                self._attend(one, gives_up)
            except Exception as error:  # noqa: BLE001 making safe ends with words, whatever breaks
                trouble = f"{one.link}: {_words(error)}"
            else:
                return
            self._mark_sent(one)
            if time.monotonic() + _ROUND_S >= gives_up:
                self._post(one, Testimony((), False, (trouble,)), is_final=True)
                return
            time.sleep(_ROUND_S)

    def _attend(self, one: Safed, gives_up: float) -> None:
        link = open_raw(one.link, one.reply_end.encode("latin-1"), gives_up)
        try:
            if self._off:
                _switch_off(link, one)
            self._wait_for_the_others(one)
            self._question(link, one)
        finally:
            _close(link)

    def _wait_for_the_others(self, one: Safed) -> None:
        """Questions begin when every off is out: a current read before says nothing."""
        self._mark_sent(one)
        with self._board:
            self._board.wait_for(
                lambda: self._is_over or self._is_all_sent(),
                timeout=min(OPEN_S, self._ends - time.monotonic()),
            )

    def _mark_sent(self, one: Safed) -> None:
        with self._board:
            was_all_sent = self._is_all_sent()
            self._sent.add(one.name)
            if self._is_all_sent() and not was_all_sent:
                self._ends = max(self._ends, time.monotonic() + TOTAL_S - OPEN_S)
            self._board.notify_all()

    def _is_all_sent(self) -> bool:
        return len(self._sent) == len(self._plan.instruments)

    def _question(self, link: RawLink, one: Safed) -> None:
        """Rounds of questions, each behind a known answer, until all is settled. The first is
        asked whatever the time; one that the end cuts off leaves the word before it standing."""
        while True:
            with self._board:
                number = self._round
            ends = inf if number == 1 else self._ends
            said = _hear(link, one, ends)
            if said.counts or time.monotonic() < ends:
                self._post(one, said, number=number)
            if self._off and not _admits_off(one, said):
                _switch_off(link, one)
            if one.identify is None and not said.counts:
                raise OSError(said.troubles[-1])
            if not self._is_another_round(number):
                return

    def _is_another_round(self, done: int) -> bool:
        with self._board:
            self._board.wait_for(lambda: self._is_over or self._round > done)
            return not self._is_over and self._round > done

    def _post(
        self, one: Safed, said: Testimony, *, number: int = 0, is_final: bool = False
    ) -> None:
        with self._board:
            said = kept_against(one, self._reports[one.name].said, said)
            self._reports[one.name] = _Report(said, number, is_final)
            self._board.notify_all()


def _admits_off(one: Safed, said: Testimony) -> bool:
    """Whether what it commands is off by its own word; yes where it commands nothing."""
    if one.is_output:
        return said.value("output") == 0.0
    return not one.asks_for("contact") or said.value("contact") == 0.0


def _switch_off(link: RawLink, one: Safed) -> None:
    """A bare line end first, in case half a command is in the instrument; off twice."""
    deadline = time.monotonic() + REPLY_S
    for text in ("", *one.offs, *one.opens, *one.offs) if one.offs else ():
        link.send((text + one.line_end).encode("latin-1"), deadline)
        if one.gap_s:
            time.sleep(one.gap_s)


def _hear(link: RawLink, one: Safed, ends: float) -> Testimony:
    """One round: the known answer, then the questions. A silent one is asked nothing more."""
    try:
        doubt = _identify(link, one, ends)
    except TimeoutError:
        return Testimony((), False, ("does not answer",))
    return _ask_all(link, one, doubt, ends)


def _identify(link: RawLink, one: Safed, ends: float) -> str:
    """Empty when the right one answered, else what is wrong. The known answer also parts what the
    off commands (and half a command before them) provoked from the answers that follow.

    Raises:
        TimeoutError: nothing came.
    """
    if one.identify is None:
        _drain(link, _by(ends))
        return "its line is held by another process" if link.is_shared else ""
    link.send((one.identify.send + one.line_end).encode("latin-1"), _by(ends))
    seen, deadline = "", _by(ends)  # counted from when the question is out
    while not _is_the_one(one.identify, seen):
        try:
            seen = link.line(deadline).decode("latin-1")
        except TimeoutError:
            if not seen:
                raise
            return f"is not who it should be: {seen!r}"
    return "its line is held by another process" if link.is_shared else ""


def _by(ends: float) -> float:
    return min(ends, time.monotonic() + REPLY_S)


def _is_the_one(who: Identify, answer: str) -> bool:
    match = re.fullmatch(who.pattern, answer, re.ASCII)
    return match is not None and who.serial in (None, match.groupdict().get("serial"))


def _drain(link: RawLink, deadline: float) -> None:
    """Read until it is quiet: what the off commands provoked is no answer."""
    try:
        while time.monotonic() < deadline:
            link.line(min(deadline, time.monotonic() + _ROUND_S))
    except TimeoutError:
        return


def _ask_all(link: RawLink, one: Safed, doubt: str, ends: float) -> Testimony:
    """Every question of the plan once. After a silence or an answer that does not fit, nothing
    more from this link counts: the answers may be one late."""
    findings: list[Finding] = []
    for ask in one.asks:
        try:
            link.send((ask.send + one.line_end).encode("latin-1"), _by(ends))
            if one.gap_s:
                time.sleep(one.gap_s)
            findings += read_answer(ask, link.line(_by(ends)).decode("latin-1"))
        except (TimeoutError, ValueError) as error:
            return Testimony(tuple(findings), False, (f"asked {ask.send}: {error}",))
    return Testimony(tuple(findings), not doubt, (doubt,) if doubt else ())


def read_answer(ask: Ask, text: str) -> list[Finding]:
    """What an answer says.

    Raises:
        ValueError: it does not fit the question, or is no finite number of physical size.
    """
    match = re.fullmatch(ask.pattern, text, re.ASCII)
    if match is None:
        raise ValueError(f"answer {text!r} does not fit")
    return [Finding(part.quantity, _value(part, match)) for part in ask.parts]


def _value(part: Part, match: re.Match[str]) -> float:
    word = match.group(part.group) or ""
    if part.quantity in ("output", "contact"):
        if word not in (*part.off, *part.on):
            raise ValueError(f"{word!r} is neither {part.off} nor {part.on}")
        return 0.0 if word in part.off else 1.0
    if not _NUMBER.fullmatch(word) or not abs(float(word)) < _NOT_A_NUMBER_FROM:
        raise ValueError(f"{word!r} is not a number")
    if part.unit and match.groupdict().get(f"{part.group}_unit") != part.unit:
        raise ValueError(f"{match.group(0)!r} is not in {part.unit}")
    return float(word) * part.scale


def _words(error: BaseException) -> str:
    return str(error) or type(error).__name__


def _close(link: RawLink) -> None:
    try:
        link.close()
    except OSError:
        return

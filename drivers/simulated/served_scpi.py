"""A small IEEE 488.2 / SCPI-1999 interpreter: message text in, reply text out.

Owns the syntax (long and short forms, compound messages, the path rule, suffixes), the status
registers and the bounded error queue. Knows no socket, no time and no instrument: what the commands
do is handed in as ``ScpiEntry`` rows. Error numbers and texts: SCPI-1999 volume 2, chapter 21.8;
status registers: IEEE 488.2 chapter 11 (memory).
"""

import itertools
import re
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any, NamedTuple

ERRORS: Mapping[int, str] = {
    0: "No error",
    -100: "Command error",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -200: "Execution error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -430: "Query DEADLOCKED",
}
OPC, QUERY_ERROR, DEVICE_ERROR, EXECUTION_ERROR, COMMAND_ERROR, POWER_ON = 1, 4, 8, 16, 32, 128
STB_ERROR_QUEUE, STB_ESB, STB_MSS = 4, 32, 64
QUEUE_LENGTH = 20
_ROUNDS_TO_ZERO = 0.5
_CACHED = 512

_TOKENS = re.compile(r"\[?:?(?P<node>\*?[A-Za-z]+)\]?")
_SUFFIX = re.compile(r"([A-Z*:]+?)1")
_HEADER = re.compile(
    r"(?P<header>\*[A-Z]+|:?[A-Z][A-Z0-9_]*(?::[A-Z][A-Z0-9_]*)*)(?P<ask>\?)?", re.I
)
_NUMBER = re.compile(r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:E[+-]?[0-9]+)?) ?([A-Z%]*)", re.I)
_MULTIPLES = {"": 1.0, "M": 1e-3, "K": 1e3, "U": 1e-6, "MA": 1e6}


class ScpiError(Exception):
    """What goes into the error queue instead of an answer."""

    def __init__(self, code: int, detail: str = "") -> None:
        self.code, self.detail = code, detail
        super().__init__(code, detail)


class ScpiEntry(NamedTuple):
    """One row of a command tree: ``[SOURce]:VOLTage[:LEVel]``, what it tells and what it sets.

    ``ask`` gets the parameters of the query as text; ``set`` the parameter as ``reads`` made it of
    text, or nothing when there is no ``reads``.
    """

    pattern: str
    ask: Callable[[list[str]], str] | None = None
    set: Callable[..., None] | None = None
    reads: Callable[[str], Any] | None = None


def number_reader(unit: str, bounds: Callable[[], tuple[float, float]]) -> Callable[[str], float]:
    """Reads ``4.2``, ``4200 mV``, ``MIN``, ``MAX``; raises −104, −131 or −222."""

    def read(text: str) -> float:
        low, high = bounds()
        word = text.upper()
        if word in ("MIN", "MINIMUM"):
            return low
        if word in ("MAX", "MAXIMUM"):
            return high
        value = _number(word, unit)
        if not low <= value <= high:
            raise ScpiError(-222)
        return value

    return read


def _number(word: str, unit: str) -> float:
    match = _NUMBER.fullmatch(word)
    if match is None:
        raise ScpiError(-104)
    digits, suffix = match.groups()
    if suffix and not unit:
        raise ScpiError(-138)
    if suffix and not (suffix.endswith(unit) and suffix[: -len(unit)] in _MULTIPLES):
        raise ScpiError(-131)
    return float(digits) * _MULTIPLES[suffix[: -len(unit)] if suffix else ""]


def read_flag(text: str) -> bool:
    """Reads ``ON``, ``OFF`` or a number that is zero or not (SCPI-1999 volume 1, 7.3)."""
    word = text.upper()
    if word in ("ON", "OFF"):
        return word == "ON"
    return abs(_number(word, "")) > _ROUNDS_TO_ZERO


def word_reader(*forms: str) -> Callable[[str], str]:
    """Reads one of the words, in its long or short form, as its short form; raises −224."""
    short = {form.upper(): _short(form) for form in forms}
    short |= {_short(form): _short(form) for form in forms}

    def read(text: str) -> str:
        try:
            return short[text.upper()]
        except KeyError:
            raise ScpiError(-224) from None

    return read


def _short(form: str) -> str:
    return "".join(letter for letter in form if not letter.islower())


def spellings(pattern: str) -> list[tuple[str, ...]]:
    """Every way in which a pattern may be written, as tuples of upper-case nodes."""
    choices: list[list[tuple[str, ...]]] = []
    for token in _TOKENS.finditer(pattern):
        node = token["node"]
        forms: list[tuple[str, ...]] = sorted({(_short(node),), (node.upper(),)})
        choices.append([(), *forms] if token[0].startswith("[") else [*forms])
    return [tuple(itertools.chain(*parts)) for parts in itertools.product(*choices)]


class Interpreter:
    """One instrument's parser, status registers and error queue."""

    def __init__(
        self, identity: Callable[[], str], entries: Sequence[ScpiEntry], reset: Callable[[], None]
    ) -> None:
        self._tree: dict[tuple[str, ...], ScpiEntry] = {}
        self._errors: deque[tuple[int, str]] = deque()
        self._compiled: dict[str, tuple[Callable[[], str | None], ...]] = {}
        self._events, self._enabled, self._service = POWER_ON, 0, 0
        for entry in (*self._common(identity, reset), *entries):
            self._tree.update(dict.fromkeys(spellings(entry.pattern), entry))

    def _common(
        self, identity: Callable[[], str], reset: Callable[[], None]
    ) -> tuple[ScpiEntry, ...]:
        register = number_reader("", lambda: (0.0, 255.0))
        return (
            ScpiEntry("*IDN", ask=lambda _: identity()),
            ScpiEntry("*CLS", set=self.clear),
            ScpiEntry("*RST", set=reset),
            ScpiEntry("*ESR", ask=lambda _: self._take_events()),
            ScpiEntry("*ESE", lambda _: str(self._enabled), self._enable, register),
            ScpiEntry("*SRE", lambda _: str(self._service), self._request, register),
            ScpiEntry("*STB", ask=lambda _: str(self._status())),
            ScpiEntry("*OPC", lambda _: "1", partial(self._note, OPC)),
            ScpiEntry("*TST", ask=lambda _: "0"),
            ScpiEntry("*WAI", set=lambda: None),
            ScpiEntry("SYSTem:ERRor[:NEXT]", ask=lambda _: self.next_error()),
            ScpiEntry("SYSTem:ERRor:COUNt", ask=lambda _: str(len(self._errors))),
            ScpiEntry("SYSTem:VERSion", ask=lambda _: "1999.0"),
        )

    def execute(self, message: str) -> str | None:
        """Carry one message out; the answers joined by ``;``, or None when nothing was asked."""
        program = self._compiled.get(message)
        if program is None:
            program = self._remember(message)
        answer: str | None = None
        for step in program:
            try:
                part = step()
            except ScpiError as error:
                self.report(error.code, error.detail)
                if error.code > -200:
                    break  # IEEE 488.2: after a command error the rest is not parsed (memory)
                continue
            if part is not None:
                answer = part if answer is None else f"{answer};{part}"
        return answer

    def _remember(self, message: str) -> tuple[Callable[[], str | None], ...]:
        program = tuple(self._compile(message))
        if len(self._compiled) >= _CACHED:
            self._compiled.clear()
        self._compiled[message] = program
        return program

    def _compile(self, message: str) -> list[Callable[[], str | None]]:
        """Steps up to the first command error; IEEE 488.2 drops the rest of such a message."""
        program: list[Callable[[], str | None]] = []
        path: tuple[str, ...] = ()
        try:
            for unit in _split(message, ";"):
                if unit:
                    step, path = self._unit(unit, path)
                    program.append(step)
        except ScpiError as error:
            program.append(partial(self._fail, error.code, error.detail))
        return program

    def _unit(
        self, unit: str, path: tuple[str, ...]
    ) -> tuple[Callable[[], str | None], tuple[str, ...]]:
        head, _, rest = unit.partition(" ")
        match = _HEADER.fullmatch(head)
        if match is None:
            raise ScpiError(-102)
        nodes = _nodes(match["header"])
        is_rooted = head[0] in ":*"
        entry = self._tree.get(nodes if is_rooted else path + nodes)
        if entry is None:
            raise ScpiError(-113)
        if head[0] != "*":
            path = (nodes if is_rooted else path + nodes)[:-1]
        parameters = _split(rest, ",") if rest.strip() else []
        return (_asking if match["ask"] else _setting)(entry, parameters), path

    @staticmethod
    def _fail(code: int, detail: str) -> None:
        raise ScpiError(code, detail)

    def report(self, code: int, detail: str = "") -> None:
        """Queue an error and set its event bit; a full queue ends in −350 (SCPI-1999, 21.8.1)."""
        words = ERRORS.get(code, "Device-specific error")
        self.queue(code, f"{words};{detail}" if detail else words)

    def queue(self, code: int, words: str) -> None:
        """Queue an error in its own words."""
        bit = {-1: COMMAND_ERROR, -2: EXECUTION_ERROR, -4: QUERY_ERROR}
        self._events |= bit.get(-(-code // 100), DEVICE_ERROR)
        if len(self._errors) < QUEUE_LENGTH:
            self._errors.append((code, words))
        else:
            self._errors[-1] = (-350, ERRORS[-350])

    def next_error(self) -> str:
        """The oldest error, taken out of the queue."""
        code, words = self._errors.popleft() if self._errors else (0, ERRORS[0])
        return f'{code},"{words}"'

    def clear(self) -> None:
        """What ``*CLS`` does: events and error queue."""
        self._errors.clear()
        self._events = 0

    def power_up(self) -> None:
        """As after mains came back: nothing remembered, the power-on bit set."""
        self._errors.clear()
        self._events, self._enabled, self._service = POWER_ON, 0, 0

    def _take_events(self) -> str:
        events, self._events = self._events, 0
        return str(events)

    def _enable(self, mask: float) -> None:
        self._enabled = round(mask)

    def _request(self, mask: float) -> None:
        self._service = round(mask) & ~STB_MSS

    def _note(self, bit: int) -> None:
        self._events |= bit

    def _status(self) -> int:
        status = STB_ERROR_QUEUE if self._errors else 0
        status |= STB_ESB if self._events & self._enabled else 0
        return status | (STB_MSS if status & self._service else 0)


def _asking(entry: ScpiEntry, parameters: list[str]) -> Callable[[], str | None]:
    if entry.ask is None:
        raise ScpiError(-113)
    return partial(entry.ask, parameters)


def _setting(entry: ScpiEntry, parameters: list[str]) -> Callable[[], str | None]:
    if entry.set is None:
        raise ScpiError(-113)
    if entry.reads is None:
        if parameters:
            raise ScpiError(-108)
        return entry.set
    if not parameters:
        raise ScpiError(-109)
    if len(parameters) > 1:
        raise ScpiError(-108)
    return partial(_apply, entry.set, entry.reads, parameters[0])


def _apply(do: Callable[[Any], None], reads: Callable[[str], Any], text: str) -> None:
    do(reads(text))


def _nodes(header: str) -> tuple[str, ...]:
    """Upper-case nodes without their suffix 1, which is the default (SCPI-1999 volume 1, 6.2.5)."""
    nodes = header.upper().lstrip(":").split(":")
    return tuple(node[:-1] if _SUFFIX.fullmatch(node) else node for node in nodes)


def _split(text: str, at: str) -> list[str]:
    """Parts between separators that stand outside quotes, stripped.

    Raises:
        ScpiError: −102 for a quote that is never closed.
    """
    if '"' not in text and "'" not in text:
        return [part.strip() for part in text.split(at)]
    parts, quote, start = [], "", 0
    for place, letter in enumerate(text):
        if quote:
            quote = "" if letter == quote else quote
        elif letter in "\"'":
            quote = letter
        elif letter == at:
            parts.append(text[start:place].strip())
            start = place + 1
    if quote:
        raise ScpiError(-102)
    return [*parts, text[start:].strip()]

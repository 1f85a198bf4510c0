"""What instruments of the SCPI standard share: a tree of headers, an error queue, IEEE 488.2.

Written from memory of SCPI-1999: Volume 1 for headers (6.2: short and long form, capitals or not, a
node in brackets may be left out; 6.2.4: after a semicolon a header goes on beside the one before,
unless it begins with a colon), Volume 2, 21.8 for the numbers of errors.
"""

import re
from collections.abc import Callable, Mapping
from typing import NamedTuple

from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.speaking import LineInstrument

_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([Ee][+-]?[0-9]+)?")
_WORDS = {
    -108: "Parameter not allowed", -109: "Missing parameter", -113: "Undefined header",
    -141: "Invalid character data", -120: "Numeric data error", -222: "Data out of range",
    -221: "Settings conflict",
}  # fmt: skip


class ScpiError(Exception):
    """An entry for the error queue, by its number."""


class Row(NamedTuple):
    """What a header does as a command (``do``, with its parameter) and as a question (``tell``)."""

    do: Callable[[str], None] | None = None
    tell: Callable[[str], str] | None = None


class Setting:
    """A number within its range, kept to so many decimals."""

    def __init__(self, low: float, high: float, value: float, decimals: int = 3) -> None:
        self.low, self.high, self.value, self._decimals = low, high, value, decimals

    def row(self, changed: Callable[[], None] = lambda: None) -> Row:
        """Set and asked for."""

        def do(text: str) -> None:
            if _NUMBER.fullmatch(text) is None:
                raise ScpiError(-120 if text else -109)
            if not self.low <= float(text) <= self.high:
                raise ScpiError(-222)
            self.value = round(float(text), self._decimals)
            changed()

        return Row(do, lambda _: f"{self.value:.{self._decimals}f}")


class ScpiInstrument(LineInstrument):
    """A line of commands and questions, joined by semicolons; ``tree`` says what there is."""

    identity = "Invented,Instrument,000001,1.0"
    answer_s = 0.005

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self._errors: list[int] = []
        self.now = 0.0
        common = {
            "*IDN": Row(tell=lambda _: self.identity),
            "*CLS": Row(do=lambda _: self._errors.clear()),
            "SYSTem:ERRor[:NEXT]": Row(tell=lambda _: self._oldest()),
        }
        rows = {**common, **self.tree()}
        self._rows = [(re.compile(header(one), re.IGNORECASE), row) for one, row in rows.items()]

    def tree(self) -> Mapping[str, Row]:
        """Headers as the standard writes them, and what each does."""
        raise NotImplementedError

    def answered(self, line: str, now: float) -> str | None:
        """The answers to the questions of a line, joined."""
        self.now = now
        self.tick(now)
        told, path = [], ""
        for part in line.strip().split(";"):
            word, _, text = part.strip().partition(" ")
            whole = word if word[:1] in ("*", ":") else path + word
            if word[:1] != "*":
                path = whole[: whole.rfind(":") + 1]
            try:
                answer = self._one(whole.removeprefix(":"), text.strip())
            except ScpiError as error:
                self._errors.append(error.args[0])
                break
            if answer is not None:
                told.append(answer)
        self.tick(now)
        return ";".join(told) if told else None

    def _one(self, word: str, text: str) -> str | None:
        if not word:
            return None
        asks = word.endswith("?")
        for pattern, row in self._rows:
            act = row.tell if asks else row.do
            if act is not None and pattern.fullmatch(word.removesuffix("?")):
                return act(text)
        raise ScpiError(-113)

    def _oldest(self) -> str:
        if not self._errors:
            return '0,"No error"'
        code = self._errors.pop(0)
        return f'{code},"{_WORDS[code]}"'


def header(text: str) -> str:
    """The pattern of a header as the standard writes it: ``[SOURce:]VOLTage[:LEVel]``."""

    def form(match: re.Match[str]) -> str:
        whole = match[0]
        short = "".join(one for one in whole if not one.islower())
        return f"(?:{re.escape(whole)}|{re.escape(short)})"

    return re.sub(r"[*A-Za-z0-9]+", form, text).replace("[", "(?:").replace("]", ")?")


def choice(text: str, *allowed: str) -> str:
    """Which of the words that the standard writes as ``VOLTage`` is meant.

    Raises:
        ScpiError: none.
    """
    for one in allowed:
        if re.fullmatch(header(one), text, re.IGNORECASE):
            return one
    raise ScpiError(-141 if text else -109)


def onoff(text: str) -> bool:
    """What switches.

    Raises:
        ScpiError: something else.
    """
    return choice(text, "ON", "1", "OFF", "0") in ("ON", "1")

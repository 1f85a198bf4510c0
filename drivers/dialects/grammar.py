"""The grammar of numbers and yes/no in replies: ASCII, strict, one form a definition allows.

What fits no form is never guessed: ``nan``, ``inf``, ``1_000``, a decimal comma, another script's
digits and a stray blank are all refused (``float`` would take most of them).
"""

import re
from decimal import Decimal
from math import isfinite

from sequencer.documents.definition import Values
from sequencer.vocabulary.number_form import NumberForm

_STRICT = r"(?:0|[1-9][0-9]{0,14})"
_PADDED = r"[0-9]{1,15}"
_EXPONENT = r"(?:[eE][+-]?[0-9]{1,3})?"


_USUAL = NumberForm()


class NoValueError(ValueError):
    """A well-formed answer that means *there is no value*; ``str`` says which."""


class DialectMisuseError(ValueError):
    """Text that is no answer by this grammar; ``str`` says what was wrong."""


class Grammar:
    """The one reply grammar of a definition."""

    def __init__(self, values: Values) -> None:
        whole = _PADDED if values.leading_zeros else _STRICT
        exponent = _EXPONENT if values.numbers == "fixed or exponent" else ""
        self._number = re.compile(
            rf"[+-]?(?:{whole}(?:\.[0-9]{{0,15}})?|\.[0-9]{{1,15}}){exponent}", re.ASCII
        )
        self._invalid = frozenset(values.invalid)
        self._disconnected = frozenset(values.disconnected)
        self._reject_above = values.reject_above
        self._flags = dict.fromkeys(values.yes, True) | dict.fromkeys(values.no, False)

    def number(self, text: str, form: NumberForm = _USUAL) -> float:
        """The number that the text writes in that form.

        Raises:
            NoValueError: not-a-number or infinity as SCPI-1999 spells them (9.91E37, 9.9E37), or
                one of the definition's own markers, also where it looks like a number.
            DialectMisuseError: no number by this grammar.
        """
        if text in self._disconnected:
            raise NoValueError(f"{text!r} means that the sensor is disconnected")
        if text in self._invalid:
            raise NoValueError(f"{text!r} means no value")
        plain = form.plain(text)
        if self._number.fullmatch(plain) is None:
            raise DialectMisuseError(f"{text[:40]!r} is not a number{_wanted(form)}")
        value = float(plain)
        if not abs(value) <= self._reject_above:
            raise NoValueError(f"{text} means no value (not a number, or over range)")
        return value

    def spelt(self, *, flag: bool) -> list[str]:
        """How that yes or no may be written."""
        return [text for text, means in self._flags.items() if means is flag]

    def is_marker(self, text: str) -> bool:
        """Whether the text stands for *no value* without being a number."""
        return text in self._disconnected or text in self._invalid

    def flag(self, text: str) -> bool:
        """Yes or no.

        Raises:
            DialectMisuseError: neither.
        """
        try:
            return self._flags[text]
        except KeyError:
            raise DialectMisuseError(f"{text[:40]!r} is neither yes nor no") from None


def _wanted(form: NumberForm) -> str:
    """What else than a point and a sign in front is wanted; empty for these."""
    sign = ", its sign behind it" if form.sign_after else ""
    if form.decimal == ".":
        return sign
    return f" with {form.decimal!r} for the decimal point{sign}"


def written(value: float, decimals: int, factor: Decimal) -> str:
    """A value (inside unit) as sent: plain digits, in the unit that ``factor`` inside units make.

    Raises:
        ValueError: not finite.
    """
    if not isfinite(value):
        raise ValueError(f"{value} cannot be sent")
    number = round(Decimal(repr(value)) / factor, decimals)
    return f"{abs(number) if number == 0 else number:.{decimals}f}"

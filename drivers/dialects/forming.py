"""Replies made of values: what a dialect reads, made by the same definition. No input or output.

The answer to one question must fit every pattern by which it is read (a reading, read-backs, the
identity). It is laid out once: a text that fits all of them, in which each group is a place for a
value. How a value is written there (decimals, sign, width, marker) is the first way that fits the
patterns and that the definition's own grammar reads back as that value.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial, reduce
from itertools import product
from math import isfinite, isnan
from typing import NamedTuple

from drivers.dialects.grammar import DialectMisuseError, Grammar, NoValueError
from drivers.dialects.specimen import specimen
from sequencer.vocabulary.checksum import digits_of
from sequencer.vocabulary.number_form import NumberForm

Value = float | bool | str
Write = Callable[[Value], str]
_WIDEST = 12
_FINER = 6


class ValueSource(NamedTuple):
    """What a value of a reply is of: ``kind`` and ``name`` are the caller's words."""

    kind: str
    name: str
    channel: int | None = None


Said = Callable[[ValueSource], Value]


class ReplyPlace(NamedTuple):
    """Where one value of a reply comes from, the ways in which it may be written, the best first,
    values that a way must be able to write, what reads them back (None: any text will do), and
    texts for a value beyond the range, and for one that is not there."""

    of: ValueSource
    ways: Iterable[Write]
    probes: tuple[Value, ...]
    reads: Callable[[str, Value], bool] | None = None
    beyond: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()


class Asked(NamedTuple):
    """One pattern by which the answer to a question is read, and its groups' places."""

    pattern: re.Pattern[str]
    places: Mapping[str, ReplyPlace]


class NoReplyFitsError(ValueError):
    """No text was found that fits all patterns of a question, or a value has no place in it."""


class _Slot(NamedTuple):
    start: int
    end: int
    of: ValueSource
    write: Write
    beyond: str | None = None
    absent: str | None = None


class ReplyLayout:
    """The answer to one question."""

    def __init__(
        self,
        question: str,
        asked: Iterable[Asked],
        checksum: str = "",
        carried: Callable[[str], str] = str,
    ) -> None:
        """Lay it out. ``carried``: what becomes of a text on its way (ValueError: nothing).

        Raises:
            NoReplyFitsError: there is no such text.
        """
        self._asked, self._question, self._carried = tuple(asked), question, carried
        self._text = self._found_text()
        self._slots = sorted(self._found_slots(), key=lambda one: one.start)
        self._checksum = checksum

    def formed(self, said: Said, *beside: tuple["ReplyLayout", Said]) -> str:
        """The text that says the values which ``said`` gives; it is asked once for each.
        ``beside``: others that answer the same question with values that have no place here.

        Raises:
            NoReplyFitsError: one of them cannot be said.
        """
        slots = [(one, said) for one in self._slots]
        for other, its_said in beside:
            if other._text == self._text:
                taken = [(one.start, one.end) for one, _ in slots]
                slots += [
                    (one, its_said) for one in other._slots if (one.start, one.end) not in taken
                ]
        text, at = "", 0
        for one, of in sorted(slots, key=lambda pair: pair[0].start):
            text += self._text[at : one.start] + _written(one, of(one.of))
            at = one.end
        text += self._text[at:]
        return self._with_checksum(text) if self._checksum else text

    def _found_text(self) -> str:
        for one in self._asked:
            text = specimen(one.pattern.pattern)
            if text is not None and self._fits(text):
                return text
        patterns = " and ".join(one.pattern.pattern for one in self._asked)
        raise NoReplyFitsError(f"no answer to {self._question} was found that fits {patterns}")

    def _fits(self, text: str) -> bool:
        try:
            came = self._carried(text)
        except ValueError:
            return False
        return all(one.pattern.fullmatch(came) is not None for one in self._asked)

    def _found_slots(self) -> Iterator[_Slot]:
        taken: set[tuple[int, int]] = set()
        for one in self._asked:
            match = one.pattern.fullmatch(self._text)
            assert match is not None  # it was chosen so
            for group, place in one.places.items():
                span = match.span(group)
                if span[0] >= 0 and span not in taken:
                    taken.add(span)
                    yield self._slot(one.pattern, group, place, span)

    def _slot(
        self, pattern: re.Pattern[str], group: str, place: ReplyPlace, span: tuple[int, int]
    ) -> _Slot:
        head, tail = self._text[: span[0]], self._text[span[1] :]

        def fits(said: str, value: Value | None = None) -> bool:
            match = pattern.fullmatch(head + said + tail)
            is_read = value is None or place.reads is None or place.reads(said, value)
            return (
                match is not None
                and match[group] == said
                and is_read
                and self._fits(head + said + tail)
            )

        for write in place.ways:
            if all(fits(write(probe), probe) for probe in place.probes):
                beyond, absent = (
                    next(filter(fits, texts), None) for texts in (place.beyond, place.absent)
                )
                return _Slot(*span, place.of, write, beyond, absent)
        if place.reads is None:
            return _Slot(*span, place.of, partial(_always, self._text[slice(*span)]))
        raise NoReplyFitsError(f"{group} cannot be written so that {pattern.pattern} reads it")

    def _with_checksum(self, text: str) -> str:
        for one in self._asked:
            match = one.pattern.fullmatch(text)
            if match is not None and "checksum" in one.pattern.groupindex:
                start, end = match.span("checksum")
                text = text[:start] + digits_of(self._checksum, match["checked"]) + text[end:]
        return text


def _written(slot: _Slot, value: Value) -> str:
    if not isinstance(value, float) or isfinite(value):
        return slot.write(value)
    marker = slot.absent if isnan(value) else slot.beyond
    if marker is None:
        raise NoReplyFitsError(f"the definition has no text for {slot.of.name} that is not there")
    return marker


class Numbers(NamedTuple):
    """How one number of a definition is written: its grammar and form, what one count of the reply
    is in the inside unit and what is added to it, and how many decimals show its resolution."""

    grammar: Grammar
    form: NumberForm
    factor: float
    plus: float
    decimals: int

    def ways(self) -> Iterator[Write]:
        """Every way to write it: as many decimals as it resolves, then more, then fewer; a minus
        alone, always a sign, or none (then nothing is below zero); as wide as needed, or padded."""
        fewer = range(self.decimals - 1, -1, -1)
        decimals = (*range(self.decimals, self.decimals + _FINER), *fewer)
        for places, sign, width in product(decimals, ("-", "+-", ""), range(_WIDEST)):
            yield partial(self._written, places, sign, width)

    def _written(self, places: int, sign: str, width: int, value: Value) -> str:
        raw = (float(value) - self.plus) / self.factor
        digits = f"{abs(raw) if sign else max(raw, 0.0):.{places}f}".zfill(width)
        is_below = sign != "" and raw < 0.0 and digits.strip("0.") != ""
        return self.form.said(digits, "-" if is_below else "+" if sign == "+-" else "")

    def reads(self, text: str, value: Value) -> bool:
        """Whether the text is read as that value, to the digits that are written; as nothing where
        it is below zero and the reply has no sign."""
        try:
            read = self.grammar.number(text, self.form)
        except (DialectMisuseError, NoValueError):
            return False
        raw = (float(value) - self.plus) / self.factor
        raw = 0.0 if raw < 0.0 and read == 0.0 else raw
        digits = sum(map(str.isdigit, self.form.plain(text).partition(".")[2]))
        return abs(read - raw) <= 0.51 * 10.0**-digits + 1e-9 * abs(raw)


def flags(yes: tuple[str, ...], no: tuple[str, ...]) -> Iterator[Write]:
    """The ways to say yes and no."""
    for one, other in product(yes, no):
        yield partial(_flag, one, other)


def _flag(yes: str, no: str, value: Value) -> str:
    return yes if value else no


def words() -> Iterator[Write]:
    """The ways to write a text: as it is, in capitals alone, its digits alone."""
    yield str
    for dropped in (r"[^A-Z]", r"[^0-9]"):
        yield partial(_without, dropped)


def always(text: str) -> tuple[Write, ...]:
    """The one way to write what is always the same."""
    return (partial(_always, text),)


def _always(text: str, _: Value) -> str:
    return text


def _without(dropped: str, value: Value) -> str:
    return re.sub(dropped, "", str(value).upper())


def parts_of(pattern: str, count: int) -> tuple[str, ...]:
    """The patterns of the replies to several questions, from the one for all joined by ``;``.

    Raises:
        NoReplyFitsError: it does not part into as many.
    """
    begun: list[str] = []
    pieces = reduce(_joined_while_open, pattern.split(";"), begun)
    if len(pieces) != count:
        raise NoReplyFitsError(f"{pattern} does not part at ';' into {count} replies")
    return tuple(pieces)


def _joined_while_open(pieces: list[str], piece: str) -> list[str]:
    if pieces and not _is_whole(pieces[-1]):
        return [*pieces[:-1], f"{pieces[-1]};{piece}"]
    return [*pieces, piece]


def _is_whole(pattern: str) -> bool:
    try:
        re.compile(pattern, re.ASCII)
    except re.error:
        return False
    return True

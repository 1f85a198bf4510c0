"""Mutations of documents, seeded: text that is spoilt, values that are changed, and changes of
spelling that leave the document the same.
"""

import random
import re
from collections.abc import Callable, Sequence

TOKENS = (
    *("", " ", "\n", "\t", ":", ": ", "- ", "#", "[", "]", "{", "}", "&a ", "*a", "<<: ", "? "),
    *("!!python/object:os.system ", "| ", "> ", "%", "@", "'", '"', "\\", "---\n", "...\n", "~"),
    *("null", "on", "no", "nan", ".inf", "1e99", "-1", "0", "1:30", "4.2", "9" * 20, "é", "\u2028"),
    *("\x00", "\ufeff", "\U0001f50b", " V", " Ah", "each rate", "recommended", "parameter pause"),
    "part: settle",
)
UNITS = ("V", "mV", "A", "mA", "C", "Ah", "Wh", "W", "Ohm", "s", "min", "h", "degC", "K", "%", "g")
FACTORS = ("0", "-1", "0.1", "0.5", "0.99", "1.01", "2", "10", "1000", "1e-12", "1e12")
NUMBER = re.compile(r"(?<![\w.-])[0-9]+(?:\.[0-9]+)?(?![\w.:-])")
UNIT = re.compile(r"(?<=[0-9] )[A-Za-z%]+")
KEY = re.compile(r"^(\s*(?:- )*)([a-z][A-Za-z -]*)(?=:( |$))", re.MULTILINE)
PLAIN = re.compile(r"^(\s*(?:- )*[a-z][a-z -]*: )([^\s\"'\[{#|>&*!%@`][^\"#{}\[\]\n]*?)$", re.M)


def spoilt(text: str, chance: random.Random, others: Sequence[str]) -> bytes:
    """One to four mutations of characters, tokens, lines, keys, values or bytes."""
    for _ in range(chance.randint(1, 4)):
        text = chance.choice(_SPOILS)(text, chance, others)
    raw = bytearray(text.encode("utf-8", "surrogatepass"))
    if raw and chance.random() < 0.05:
        raw[chance.randrange(len(raw))] = chance.randrange(256)
    return bytes(raw)


def changed(text: str, chance: random.Random, others: Sequence[str]) -> bytes:
    """One or two values or keys changed: most remain documents, with another meaning."""
    for _ in range(chance.randint(1, 2)):
        text = chance.choice(_CHANGES)(text, chance, others)
    return text.encode()


def respelt(text: str, chance: random.Random) -> bytes:
    """The same document, spelt otherwise: nothing may come of it."""
    for _ in range(chance.randint(1, 3)):
        text = chance.choice(_SPELLINGS)(text, chance)
    return text.encode()


def _token_put_in(text: str, chance: random.Random, _others: Sequence[str]) -> str:
    at = chance.randrange(len(text) + 1)
    return text[:at] + chance.choice(TOKENS) + text[at:]


def _piece_left_out(text: str, chance: random.Random, _others: Sequence[str]) -> str:
    at = chance.randrange(len(text) + 1)
    return text[:at] + text[at + chance.randint(1, 20) :]


def _cut_off(text: str, chance: random.Random, _others: Sequence[str]) -> str:
    return text[: chance.randrange(len(text) + 1)]


def _line(change: Callable[[str, random.Random, Sequence[str]], list[str]]) -> "Change":
    """A change of one line into some lines."""

    def made(text: str, chance: random.Random, others: Sequence[str]) -> str:
        lines = text.split("\n")
        row = chance.randrange(len(lines))
        return "\n".join([*lines[:row], *change(lines[row], chance, others), *lines[row + 1 :]])

    return made


def _value_replaced(line: str, chance: random.Random, _others: Sequence[str]) -> list[str]:
    key, colon, _ = line.partition(": ")
    return [key + colon + chance.choice(TOKENS)]


def _matched(
    pattern: re.Pattern[str], replaced: Callable[[re.Match[str], random.Random], str]
) -> "Change":
    """A change of one place that a pattern finds."""

    def made(text: str, chance: random.Random, _others: Sequence[str]) -> str:
        found = list(pattern.finditer(text))
        if not found:
            return text
        one = chance.choice(found)
        return text[: one.start()] + replaced(one, chance) + text[one.end() :]

    return made


def _other_value(text: str, chance: random.Random, others: Sequence[str]) -> str:
    """A plain value in place of another, from this document or from any."""
    pool = PLAIN.findall(chance.choice([text, *others]))
    put = chance.choice(pool)[1] if pool else "0"
    return _matched(PLAIN, lambda one, _: one[1] + put)(text, chance, others)


def _other_key(text: str, chance: random.Random, others: Sequence[str]) -> str:
    pool = KEY.findall(chance.choice([text, *others]))
    put = chance.choice(pool)[1] if pool else "x"
    return _matched(KEY, lambda one, _: one[1] + put)(text, chance, others)


Change = Callable[[str, random.Random, Sequence[str]], str]
_CHANGES: tuple[Change, ...] = (
    _matched(NUMBER, lambda one, chance: f"{float(one[0]) * float(chance.choice(FACTORS)):.10g}"),
    _matched(NUMBER, lambda _, chance: str(chance.choice((0, 1, 2.5, 3, 4.2, 50, 1e6)))),
    _matched(UNIT, lambda _, chance: chance.choice(UNITS)),
    _other_value,
    _other_key,
    _line(lambda _line, _chance, _others: []),
    _line(lambda line, _chance, _others: [line, line]),
)
_SPOILS: tuple[Change, ...] = (
    _token_put_in,
    _piece_left_out,
    _cut_off,
    _line(lambda line, chance, _others: [chance.choice([" ", "  ", "   "]) + line]),
    _line(_value_replaced),
    _line(lambda line, chance, others: [line, chance.choice(chance.choice(others).split("\n"))]),
    *_CHANGES,
)


def _commented(text: str, chance: random.Random) -> str:
    """A comment and an empty line before a key of the document itself."""
    lines = text.split("\n")
    row = chance.choice([n for n, line in enumerate(lines) if line[:1].isalpha()] or [0])
    return "\n".join([*lines[:row], "", "# a comment: [not, a, value", *lines[row:]])


def _quoted(text: str, chance: random.Random) -> str:
    quote = chance.choice(("'", '"'))
    found = [one for one in PLAIN.finditer(text) if "\\" not in one[2] and "'" not in one[2]]
    if not found:
        return text
    one = chance.choice(found)
    return f"{text[: one.start()]}{one[1]}{quote}{one[2].rstrip()}{quote}{text[one.end() :]}"


_SPELLINGS: tuple[Callable[[str, random.Random], str], ...] = (
    _commented,
    _quoted,
    lambda text, _: text.rstrip("\r\n"),
    lambda text, _: text + "\n\n# the end\n",
    lambda text, _: text.replace("\r", "").replace("\n", "\r\n"),
    lambda text, _: re.sub("(?m)(?<=[a-z])$", "  ", text, count=5),
)

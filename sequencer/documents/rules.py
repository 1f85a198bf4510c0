"""Rules between the keys of a document, judged also where another part of it is wrong.

A document with faults is held together with ``UNKNOWN`` in the place of each. A rule that comes to
look at one says nothing; every other rule is judged as if nothing else were wrong. So all faults
are told at once, and none of them only follows from another.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, NoReturn, TypeAlias, TypeVar

T = TypeVar("T")

Broken: TypeAlias = tuple[str, tuple[str | int, ...]]
"""A broken rule, and the place that it is told at: keys as in the document and indices, relative to
the model."""


class RuleError(ValueError):
    """Rules broken between the keys of a document, each with the place it is told at.

    What is told reads ``<key> '<value>': <rule>``.
    """

    def __init__(self, *broken: Broken) -> None:
        self.broken = broken
        super().__init__("; ".join(rule for rule, _ in broken))


class UnknownError(Exception):
    """Something was looked at that is wrong itself: nothing can be said of it."""


class Unknown:
    """Stands where a document is wrong. That it was written can be asked (``is not None``); whoever
    looks at it in any other way gets UnknownError. To ``isinstance`` and ``match`` it is of no
    kind: where that would decide something, read a key of it first."""

    def _look(self, *_: object) -> NoReturn:
        raise UnknownError

    def __iter__(self) -> Iterator[Any]:
        yield self._look()

    __getattr__ = __bool__ = __len__ = __getitem__ = __contains__ = _look
    __eq__ = __ne__ = __lt__ = __le__ = __gt__ = __ge__ = __hash__ = _look
    __add__ = __radd__ = __sub__ = __rsub__ = __mul__ = __rmul__ = __truediv__ = _look
    __rtruediv__ = __neg__ = __abs__ = __round__ = __float__ = __int__ = __index__ = _look
    __str__ = __format__ = _look


UNKNOWN: Any = Unknown()


def judged(rules: Iterable[Iterator[Broken]]) -> list[Broken]:
    """What breaks the rules; a rule that looks at what is unknown is left off there."""
    return [one for rule in rules for one in known(rule)]


def known(found: Iterator[T]) -> Iterator[T]:
    """What an iterator gives until it looks at what is unknown."""
    try:
        yield from found
    except UnknownError:
        return


def marked(found: Iterator[T]) -> Iterator[T]:
    """What an iterator gives, and ``UNKNOWN`` in the place where it looks at what is unknown."""
    try:
        yield from found
    except UnknownError:
        yield UNKNOWN


def sought(read: Callable[[], T]) -> T:
    """What is read, or ``UNKNOWN`` where reading comes to look at what is unknown."""
    try:
        return read()
    except UnknownError:
        return UNKNOWN  # type: ignore[no-any-return] # it stands for a value of any type


def each(
    rule: Callable[[Any, Any], Iterator[Broken]], collection: Mapping[Any, Any] | Sequence[Any]
) -> Iterator[Broken]:
    """One rule over many entries, called with key or index and value: an unknown one hides no
    other."""
    for key, one in _entries(collection):
        yield from known(rule(key, one))


def gathered(
    read: Callable[[Any], Any], collection: Mapping[Any, Any] | Sequence[Any]
) -> list[tuple[Any, Any]]:
    """Key or index, and what is read of each entry, without those that are unknown."""
    found = []
    for key, one in known(_entries(collection)):
        for value in known(map(read, [one])):
            if value is not UNKNOWN:
                found.append((key, value))
    return found


def _entries(collection: Mapping[Any, Any] | Sequence[Any]) -> Iterator[tuple[Any, Any]]:
    pairs = collection.items() if isinstance(collection, Mapping) else enumerate(collection)
    yield from pairs

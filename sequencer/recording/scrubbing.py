"""Takes out of a record what says who and where: host, user, paths, addresses, serial numbers.

Pure. Owns which fields and words those are. Numbers and keys are never touched, and a word that is
also a word of the record's own (an instrument called like the user) is left and told. What a person
wrote into a note of their own accord is not found out.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from sequencer.recording.journal import JournalEntry

REMOVED = "removed"
_EMPTIED = ("host", "who", "serial", "raw")
_REMOVED = ("serial_number", "serial number")
_LEFT_OUT = ("addresses", "control")
_UNITS = frozenset({
    "ah", "as", "at", "be", "by", "cc", "cv", "dc", "in", "is", "it", "kg", "ma", "max", "min",
    "ml", "mm", "ms", "mv", "no", "ns", "of", "off", "ok", "on", "or", "soc", "to", "us", "wh",
})  # fmt: skip
_PATH = re.compile(r"(?<![\w.:/~\\-])/(?:[\w.@+~%-]+/)+[\w.@+~%-]*|\b[A-Za-z]:\\[^\s\"']+")
_WORD = re.compile(r"[\w-]+")
_DEVICE = re.compile(r"/dev/[\w./@+~%:-]+")
_SHORTEST_SERIAL = 4
_SHORTEST_WORD = 2


class Secrets(NamedTuple):
    """What is to be taken out: names of hosts and people (``words``), serial numbers, addresses,
    paths of ``files`` (whose names stay) and of ``places``. ``kept`` are words among them that the
    record itself is made of."""

    words: tuple[str, ...] = ()
    serials: tuple[str, ...] = ()
    addresses: tuple[str, ...] = ()
    files: tuple[str, ...] = ()
    places: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()

    def all(self) -> list[str]:
        """Every string that must not be found anywhere afterwards."""
        return [*self.words, *self.serials, *self.addresses, *self.files, *self.places]


def secrets_of(
    manifest: Mapping[str, Any],
    entries: Sequence[JournalEntry],
    here: Sequence[str] = (),
    places: Sequence[str] = (),
) -> Secrets:
    """What a run's manifest and journal say of who and where.

    ``here`` are names of the computer and person that publish, ``places`` folders on their disk.
    """
    named = [str(manifest.get("host") or ""), str(manifest.get("who") or ""), *here]
    named += [one.partition(".")[0] for one in named if "." in one]
    own = _own_words(manifest, entries)
    words = [one for one in _each(named) if len(one) >= _SHORTEST_WORD]
    serials = [one for one in _each(_serials(manifest, entries)) if len(one) >= _SHORTEST_SERIAL]
    addresses = [*_each(_addresses(manifest))]
    hosts = [one for one in _each(map(_host_of, addresses)) if one not in ("127.0.0.1", REMOVED)]
    documents = [str(one.get("path") or "") for one in _documents(manifest)]
    return Secrets(
        tuple(one for one in (*words, *hosts) if one.lower() not in own),
        tuple(serials),
        tuple(addresses),
        tuple(one for one in _each(documents) if one.startswith("/")),
        tuple(one for one in _each(places) if one.startswith("/") and len(one) > 1),
        tuple(one for one in words if one.lower() in own),
    )


class Scrubber:
    """Takes secrets out of texts and of plain data; the longest first, so that none is halved."""

    def __init__(self, secrets: Secrets) -> None:
        self._files = _any_of(sorted(secrets.files, key=len, reverse=True))
        self._places = _any_of(sorted(secrets.places, key=len, reverse=True))
        self._addresses = {
            one: f"tcp:{REMOVED}-{number}:1" for number, one in enumerate(secrets.addresses, 1)
        }
        self._whole = _any_of(sorted(self._addresses, key=len, reverse=True))
        names = sorted({*secrets.words, *secrets.serials}, key=len, reverse=True)
        self._names = _any_of(names, bounded=True)

    def text(self, text: str) -> str:
        """A text without them: a path becomes the file's name, an address one that leads nowhere,
        a name the word ``removed``."""
        if self._whole is not None:
            text = self._whole.sub(lambda found: self._addresses[found[0]], text)
        if self._files is not None:
            text = self._files.sub(lambda found: _last(found[0]), text)
        text = _DEVICE.sub(REMOVED, text)
        text = _PATH.sub(self._name, text)
        if self._places is not None:
            text = self._places.sub(REMOVED, text)
        return text if self._names is None else self._names.sub(REMOVED, text)

    def _name(self, found: re.Match[str]) -> str:
        place = self._places and self._places.fullmatch(found[0].rstrip("/"))
        return REMOVED if place else _last(found[0])

    def value(self, value: Any) -> Any:
        """Plain data without them."""
        if isinstance(value, str):
            return self.text(value)
        if isinstance(value, Mapping):
            return {
                key: self._field(str(key), item)
                for key, item in value.items()
                if key not in _LEFT_OUT
            }
        if isinstance(value, list | tuple):
            return [self.value(item) for item in value]
        return value

    def _field(self, key: str, value: Any) -> Any:
        if key in _EMPTIED and isinstance(value, str):
            return ""
        if key in _REMOVED and isinstance(value, str):
            return REMOVED
        return self.value(value)


def _each(texts: Any) -> Iterator[str]:
    """Every text that is one, once."""
    yield from dict.fromkeys(text.strip() for text in texts if text and text.strip())


def _any_of(texts: Sequence[str], *, bounded: bool = False) -> re.Pattern[str] | None:
    if not texts:
        return None
    either = "|".join(re.escape(one) for one in texts)
    edges = (r"(?<![A-Za-z0-9_])", r"(?![A-Za-z0-9_])") if bounded else ("", r"(?![\w-])")
    return re.compile(f"{edges[0]}(?:{either}){edges[1]}")


def _last(path: str) -> str:
    return re.split(r"[/\\]", path.rstrip("/\\"))[-1]


def _documents(manifest: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    found = manifest.get("documents")
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []


def _resolved(manifest: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    for one in _documents(manifest):
        if isinstance(one.get("resolved"), dict):
            yield one["resolved"]


def _instruments(manifest: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    """The instruments of the bench, as its document has them."""
    for one in _resolved(manifest):
        found = one.get("instruments")
        if isinstance(found, dict):
            yield from (item for item in found.values() if isinstance(item, dict))


def _serials(manifest: Mapping[str, Any], entries: Sequence[JournalEntry]) -> Iterator[str]:
    yield from (str(one.get("serial_number") or "") for one in _instruments(manifest))
    yield from (str(one.get("serial") or "") for one in manifest.get("instruments") or ())
    for one in entries:
        if one.kind == "identity":
            yield str(one.entry.get("serial") or "")


def _addresses(manifest: Mapping[str, Any]) -> Iterator[str]:
    told = manifest.get("addresses")
    yield from (str(one) for one in (told.values() if isinstance(told, dict) else ()))
    for one in _instruments(manifest):
        address = str(one.get("address") or "")
        if address != "served":
            yield address


def _host_of(address: str) -> str:
    """The host in an address, when it names one."""
    parts = re.split(r"::|:", address)
    if address.startswith("serial:") or len(parts) < 2:
        return ""
    return parts[1] if len(parts[1]) > _SHORTEST_SERIAL else ""


def _own_words(manifest: Mapping[str, Any], entries: Sequence[JournalEntry]) -> frozenset[str]:
    """Words that the record is made of: keys, names of instruments, columns, kinds of entries."""
    found = set(_UNITS)
    for one in (manifest, *(entry.entry for entry in entries)):
        found.update(_keys(one))
    found.update(entry.kind for entry in entries)
    for label in manifest.get("columns") or ():
        found.update(str(label).lower().split())
    for one in _resolved(manifest):
        found.update(_short_values(one))
    return frozenset(word for key in found for word in (key, *re.split(r"[ _]", key)))


def _keys(value: Any) -> Iterator[str]:
    if isinstance(value, Mapping):
        for key, item in value.items():
            yield str(key).lower()
            yield from _keys(item)
    elif isinstance(value, list | tuple):
        for item in value:
            yield from _keys(item)


def _short_values(value: Any, key: str = "") -> Iterator[str]:
    """Single words that stand as values in documents: names and choices, not sentences."""
    if isinstance(value, Mapping):
        for name, item in value.items():
            yield from _short_values(item, str(name))
    elif isinstance(value, list | tuple):
        for item in value:
            yield from _short_values(item, key)
    elif isinstance(value, str) and key not in (*_REMOVED, "address") and _WORD.fullmatch(value):
        yield value.lower()

"""The safing plan: everything needed to switch a bench off and to prove it, as plain data.

Written into the run folder and carried out by ``drivers.off``, with the executive dead if need be,
so it knows no definition, no dialect and no pydantic: only links, bytes and patterns. Bytes are
kept as text of the same code points (latin-1). Units: A, V. Pure; imports light.
"""

import json
from math import inf
from typing import Any, Literal, NamedTuple, cast

from sequencer.vocabulary.verdict import Level

Quantity = Literal["current", "voltage", "output", "contact"]
"""What an answer is about. ``output`` and ``contact`` are either off/open or on/closed."""


class Link(NamedTuple):
    """Where an instrument answers, without VISA where that is possible.

    ``tcp``: host and port. ``serial``: device, baud, ``frame`` (data bits, parity letter, stop
    bits: ``8N1``). ``visa``: a resource name, for links that have no rawer way in.
    """

    kind: Literal["tcp", "serial", "visa"]
    host: str = ""
    port: int = 0
    device: str = ""
    baud: int = 9600
    frame: str = "8N1"
    resource: str = ""

    def __str__(self) -> str:
        """The address, for a message."""
        if self.kind == "tcp":
            return f"{self.host}:{self.port}"
        return self.device or self.resource


class Part(NamedTuple):
    """What one named group of an answer says.

    ``output`` and ``contact``: one of the words ``off`` (open) or of ``on`` (closed). Otherwise a
    number, times ``scale``; with ``unit`` the group ``<group>_unit`` must say just that. A
    ``voltage`` outside ``low`` .. ``high`` supports no proof; a ``current`` outside them flows.
    A ``voltage`` below ``gone`` means that no cell is to be seen there, which off does not deny.
    ``level`` is the best proof that this can support.
    """

    quantity: Quantity
    group: str
    scale: float = 1.0
    unit: str = ""
    low: float = -inf
    high: float = inf
    gone: float = -inf
    off: tuple[str, ...] = ()
    on: tuple[str, ...] = ()
    level: Level = Level.C


class Ask(NamedTuple):
    """One question; its answer must match ``pattern`` as a whole (ASCII)."""

    send: str
    pattern: str
    parts: tuple[Part, ...]


class Identify(NamedTuple):
    """How to ask who is there, and the answer that belongs to this instrument. With ``serial`` the
    group of that name must say just that."""

    send: str
    pattern: str
    serial: str | None = None


class Safed(NamedTuple):
    """One instrument of the plan.

    ``roles``: of ``charge``, ``discharge``, ``contactor``, ``current``, ``voltage``. ``offs`` are
    sent as they stand, one line each, never gated by ``identify``; ``opens`` go between the two
    times that they are sent (some instruments obey only after them). ``visible_a`` is the smallest
    current that its own reading can tell from zero. ``gap_s`` is the pause that it needs between
    two lines. ``note`` is said beside its evidence.
    """

    name: str
    roles: tuple[str, ...]
    link: Link
    line_end: str = "\n"
    reply_end: str = "\n"
    offs: tuple[str, ...] = ()
    opens: tuple[str, ...] = ()
    identify: Identify | None = None
    asks: tuple[Ask, ...] = ()
    visible_a: float = inf
    gap_s: float = 0.0
    note: str = ""

    @property
    def is_output(self) -> bool:
        """Whether it can drive or draw current."""
        return "charge" in self.roles or "discharge" in self.roles

    def parts(self, quantity: Quantity) -> list[Part]:
        """The parts of its answers that are about that."""
        return [part for ask in self.asks for part in ask.parts if part.quantity == quantity]

    def asks_for(self, quantity: Quantity) -> bool:
        """Whether the plan knows how to ask it that."""
        return bool(self.parts(quantity))


class SafingPlan(NamedTuple):
    """How to make one bench safe."""

    bench: str
    instruments: tuple[Safed, ...]

    @property
    def reach(self) -> Level:
        """The best level of proof that this bench can give while everything answers."""
        asked = [ask for one in self.instruments for ask in one.asks]
        if any(part.level is Level.A for ask in asked for part in ask.parts):
            return Level.A
        outputs = [one for one in self.instruments if one.is_output]
        if not all(one.asks_for("output") for one in outputs):
            return Level.NONE
        if all(one.asks_for("current") and self._is_seen_beside(one) for one in outputs):
            return Level.B
        return Level.C

    def _is_seen_beside(self, one: Safed) -> bool:
        return any(other.asks_for("voltage") for other in self.instruments if other is not one)


def dump(plan: SafingPlan) -> str:
    """The plan as JSON text (no infinities: an open bound is ``null``)."""
    entry = {"bench": plan.bench, "instruments": [_entry_of(one) for one in plan.instruments]}
    return json.dumps(entry, indent=1, allow_nan=False) + "\n"


def _entry_of(one: Safed) -> dict[str, Any]:
    return one._asdict() | {
        "link": one.link._asdict(),
        "identify": None if one.identify is None else one.identify._asdict(),
        "asks": [_entry_of_ask(ask) for ask in one.asks],
        "visible_a": _finite(one.visible_a),
    }


def _entry_of_ask(ask: Ask) -> dict[str, Any]:
    return ask._asdict() | {"parts": [_entry_of_part(part) for part in ask.parts]}


def _entry_of_part(part: Part) -> dict[str, Any]:
    bounds = {name: _finite(getattr(part, name)) for name in ("low", "high", "gone")}
    return part._asdict() | bounds | {"level": part.level.value}


def _finite(value: float) -> float | None:
    return value if -inf < value < inf else None


def load(text: str) -> SafingPlan:
    """The plan that ``dump`` wrote.

    Raises:
        ValueError: not a safing plan.
    """
    try:
        entry = json.loads(text)
        return SafingPlan(
            str(entry["bench"]), tuple(_safed_of(one) for one in entry["instruments"])
        )
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"not a safing plan: {error!r}") from error


def _safed_of(entry: dict[str, Any]) -> Safed:
    who = entry["identify"]
    return Safed(
        **entry
        | {
            "roles": tuple(entry["roles"]),
            "link": Link(**entry["link"]),
            "offs": tuple(entry["offs"]),
            "opens": tuple(entry["opens"]),
            "identify": None if who is None else Identify(**who),
            "asks": tuple(_ask_of(ask) for ask in entry["asks"]),
            "visible_a": _or(entry["visible_a"], inf),
        }
    )


def _ask_of(entry: dict[str, Any]) -> Ask:
    return Ask(**entry | {"parts": tuple(_part_of(part) for part in entry["parts"])})


def _part_of(entry: dict[str, Any]) -> Part:
    bounds = {"low": _or(entry["low"], -inf), "high": _or(entry["high"], inf)}
    bounds["gone"] = _or(entry["gone"], -inf)
    words = {"off": tuple(entry["off"]), "on": tuple(entry["on"])}
    return Part(**entry | bounds | words | {"level": Level(entry["level"])})


def _or(value: object, otherwise: float) -> float:
    return otherwise if value is None else float(cast("float", value))

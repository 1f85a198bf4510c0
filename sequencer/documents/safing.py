"""The safing plan: everything needed to switch a bench off and to prove it, as plain data.

Written into the run folder and carried out by ``drivers.off``, with the executive dead if need be,
so it knows no definition, no dialect and no pydantic: only links, bytes and patterns. Bytes are
kept as text of the same code points (latin-1). Units: A, V. Pure; imports light.
"""

import json
from math import inf, nan
from typing import Any, Literal, NamedTuple, cast

from sequencer.vocabulary.verdict import Level

Quantity = Literal["current", "voltage", "output", "contact"]
"""What an answer is about. ``output`` and ``contact`` are either off/open or on/closed."""


RAW_TURN_S = 0.2
"""How long making safe waits for its turn on a port where others speak; then it speaks anyway."""


class SafingLink(NamedTuple):
    """Where an instrument answers, without VISA where that is possible.

    ``tcp``: host and port. ``serial``: device, baud, ``frame`` (data bits, parity letter, stop
    bits: ``8N1``). ``visa``: a resource name, for links that have no rawer way in. With a
    ``silence_s`` an answer has no end: it is complete once nothing came for so long. With a
    ``unit`` its lines go in Modbus frames (``is_rtu``, else Modbus TCP), and every one is answered.
    ``turns``: the name of the port where others speak too, in turns; empty where nobody else does.
    """

    kind: Literal["tcp", "serial", "visa"]
    host: str = ""
    port: int = 0
    device: str = ""
    baud: int = 9600
    frame: str = "8N1"
    resource: str = ""
    silence_s: float = 0.0
    unit: int = 0
    is_rtu: bool = False
    turns: str = ""

    def __str__(self) -> str:
        """The address, for a message."""
        if self.kind == "tcp":
            return f"{self.host}:{self.port}"
        return self.device or self.resource


class AnswerPart(NamedTuple):
    """What one named group of an answer says.

    ``output`` and ``contact``: one of the words ``off`` (open) or of ``on`` (closed). Otherwise a
    number, times ``scale``, written in the form of ``decimal`` and ``sign_after`` (see
    ``NumberForm``); with ``unit`` the group ``<group>_unit`` must say just that. A
    ``voltage`` outside ``low`` .. ``high`` is beyond the instrument's range and supports no proof.
    """

    quantity: Quantity
    group: str
    scale: float = 1.0
    unit: str = ""
    low: float = -inf
    high: float = inf
    off: tuple[str, ...] = ()
    on: tuple[str, ...] = ()
    decimal: str = "."
    sign_after: bool = False


class Ask(NamedTuple):
    """One question; its answer must match ``pattern`` as a whole (ASCII). ``then``: further
    questions, whose answers follow it, each behind a ``;``. ``checksum``: how its group of that
    name is made of the group ``checked``; empty without one."""

    send: str
    pattern: str
    parts: tuple[AnswerPart, ...]
    then: tuple[str, ...] = ()
    checksum: str = ""


class Identify(NamedTuple):
    """How to ask who is there, and the answer that belongs to this instrument. With ``serial`` the
    group of that name must say just that."""

    send: str
    pattern: str
    serial: str | None = None


LEAST_SHARE = 0.55
"""The step at switching off is at least this part of the step that the same current made at
switching on (0.63 to 0.96 on healthy cells; common practice, from memory)."""


class Before(NamedTuple):
    """One voltage channel under current, before off: ``volts`` read with ``amps`` (positive
    charges), the resistance ``ohm`` that it saw when that current was switched on (NaN: not seen),
    and ``margin_v``, what two readings of one voltage may differ by. ``share`` of the step at
    switching on is the least that switching off makes; less where the cell has warmed meanwhile."""

    volts: float
    amps: float
    ohm: float
    margin_v: float
    share: float = LEAST_SHARE


class LeadDrop(NamedTuple):
    """A pair of leads with a voltmeter at each end, so that their difference shows the current.

    ``far`` reads the voltage at the outputs' end, ``near`` at the cell. Without current their
    difference was ``zero_v`` at the voltage ``at_v``, with the standard deviation ``scatter_v``;
    ``gain`` is how far it may change for each volt of difference from ``at_v``. ``ohm`` is the
    least, ``most_ohm`` the largest that the resistance of the leads may be.
    """

    far: str
    near: str
    zero_v: float
    at_v: float
    scatter_v: float
    gain: float
    ohm: float
    most_ohm: float


class Safed(NamedTuple):
    """One instrument of the plan.

    ``roles``: of ``charge``, ``discharge``, ``contactor``, ``current``, ``voltage``. ``offs`` are
    sent as they stand, one line each, never gated by ``identify``; ``opens`` go between the two
    times that they are sent (some instruments obey only after them). ``gap_s`` is the pause that it
    needs between two lines, ``answer_s`` the longest that it takes for one answer, ``settles_s``
    what passes from off until its readings show it.

    Currents (A): ``visible_a`` is the smallest that its own reading can tell from zero, ``count_a``
    one count, ``leak_a`` what may flow through it when it is off, ``zero_a`` what it read in this
    run while nothing was on. ``is_signed``: it shows currents below zero. ``sinks``: as a supply it
    can also draw current.

    Voltages (V): the limit of error at a reading is ``gain_v`` x reading + ``offset_v``.
    ``sees_cell``: with its output off its terminals still show what is joined to them. ``before``:
    what it read under the current that has just been switched off.

    ``no_evidence``: why its contact or its current says nothing in favour of off, because grounds
    may lead current past it; empty where it counts. What it says against off counts all the same.

    ``echoes``: what is sent comes back before its answer; ``prompt`` stands behind every answer.
    """

    name: str
    roles: tuple[str, ...]
    link: SafingLink
    line_end: str = "\n"
    reply_end: str = "\n"
    offs: tuple[str, ...] = ()
    opens: tuple[str, ...] = ()
    identify: Identify | None = None
    asks: tuple[Ask, ...] = ()
    visible_a: float = inf
    count_a: float = 0.0
    leak_a: float = 0.0
    zero_a: float | None = None
    is_signed: bool = False
    sinks: bool = False
    gain_v: float = 0.0
    offset_v: float = 0.0
    sees_cell: bool = True
    before: Before | None = None
    gap_s: float = 0.0
    answer_s: float = 0.4
    settles_s: float = 0.0
    echoes: bool = False
    prompt: str = ""
    no_evidence: str = ""

    @property
    def is_output(self) -> bool:
        """Whether it can drive or draw current."""
        return "charge" in self.roles or "discharge" in self.roles

    @property
    def is_ammeter(self) -> bool:
        """Whether it measures all of the current beside the outputs, and is none of them."""
        return "current" in self.roles and not self.is_output and not self.no_evidence

    @property
    def round_s(self) -> float:
        """The longest that it takes to say who it is and to answer every question once."""
        words = sum(1 + len(ask.then) for ask in self.asks)
        waits_s = RAW_TURN_S if self.link.turns else 0.0
        return waits_s + (words + (self.identify is not None)) * (self.answer_s + self.gap_s)

    def parts(self, quantity: Quantity) -> list[AnswerPart]:
        """The parts of its answers that are about that."""
        return [part for ask in self.asks for part in ask.parts if part.quantity == quantity]

    def asks_for(self, quantity: Quantity) -> bool:
        """Whether the plan knows how to ask it that."""
        return bool(self.parts(quantity))


LEAST_SETTLING_S = 0.2
"""What passes at least from off to the first round of evidence, and between two rounds."""
LONGEST_PROOF_S = 10.0
_SHARE_OF_C = 0.05


class SafingPlan(NamedTuple):
    """How to make one bench safe, and what this run has seen that the evidence is weighed with.

    ``capacity_ah``: of the cell; None where no cell is known. ``driver``: the output that drove
    last, empty while none has. ``contact_seen``: this run has seen a terminal behind the contact
    part from the cell with the contact open, and join it when it closed. ``leads``: pairs of leads
    whose drop shows the current.
    """

    bench: str
    instruments: tuple[Safed, ...]
    capacity_ah: float | None = None
    driver: str = ""
    contact_seen: bool = False
    leads: tuple[LeadDrop, ...] = ()

    @property
    def outputs(self) -> list[Safed]:
        """Those that can drive or draw current."""
        return [one for one in self.instruments if one.is_output]

    @property
    def most_a(self) -> float:
        """The largest current (A) that may remain possible at level B: 0.05 C."""
        return inf if self.capacity_ah is None else _SHARE_OF_C * self.capacity_ah

    @property
    def settles_s(self) -> float:
        """What passes from off to the first round of evidence."""
        return max([LEAST_SETTLING_S, *(one.settles_s for one in self.instruments)])

    @property
    def proof_s(self) -> float:
        """The longest that the proof may take once off was said."""
        return min(LONGEST_PROOF_S, self.settles_s + LEAST_SETTLING_S + 2.0 * self.round_s + 0.5)

    @property
    def round_s(self) -> float:
        """The longest that one round takes: all at once, but in turns on a port that is shared."""
        ports: dict[str, float] = {}
        for one in self.instruments:
            port = one.link.turns or one.name
            ports[port] = ports.get(port, 0.0) + one.round_s
        return max(ports.values(), default=0.0)

    @property
    def reach(self) -> Level:
        """The best level of proof that this bench can give while everything answers."""
        if self._has_contact() or self.is_small(self.ammeter_bound_a):
            return Level.A
        if not self.outputs or not all(one.asks_for("output") for one in self.outputs):
            return Level.NONE
        return Level.B if self.is_small(self.outputs_bound_a) else Level.C

    def is_small(self, amps: float) -> bool:
        """Whether a bound (A) is known, and low enough to count as off for this cell."""
        return amps <= self.most_a and amps < inf

    def _has_contact(self) -> bool:
        """A contact whose feedback can be seen to be true: a terminal behind it shows the cell."""
        has_feedback = any(
            one.asks_for("contact") and not one.no_evidence for one in self.instruments
        )
        return has_feedback and any(
            one.sees_cell and one.asks_for("voltage") for one in self.outputs
        )

    @property
    def ammeter_bound_a(self) -> float:
        """What an independent ammeter that reads zero leaves possible (A)."""
        read = [one for one in self.instruments if one.is_ammeter and one.asks_for("current")]
        return min((one.visible_a for one in read), default=inf)

    @property
    def outputs_bound_a(self) -> float:
        """What outputs that read zero leave possible (A): the larger of the two directions."""
        charge, discharge = 0.0, 0.0
        for one in self.outputs:
            seen = one.visible_a if one.asks_for("current") else inf
            if "charge" in one.roles:
                charge += seen
                discharge += seen if one.sinks else one.leak_a
            if "discharge" in one.roles:
                discharge += seen
        return max(charge, discharge)


def dump(plan: SafingPlan) -> str:
    """The plan as JSON text (no infinities: an open bound is ``null``)."""
    entry = plan._asdict() | {
        "instruments": [_entry_of(one) for one in plan.instruments],
        "leads": [one._asdict() for one in plan.leads],
    }
    return json.dumps(entry, indent=1, allow_nan=False) + "\n"


def _entry_of(one: Safed) -> dict[str, Any]:
    before = one.before
    return one._asdict() | {
        "link": one.link._asdict(),
        "identify": None if one.identify is None else one.identify._asdict(),
        "asks": [_entry_of_ask(ask) for ask in one.asks],
        "visible_a": _finite(one.visible_a),
        "before": None if before is None else before._asdict() | {"ohm": _finite(before.ohm)},
    }


def _entry_of_ask(ask: Ask) -> dict[str, Any]:
    return ask._asdict() | {"parts": [_entry_of_part(part) for part in ask.parts]}


def _entry_of_part(part: AnswerPart) -> dict[str, Any]:
    return part._asdict() | {name: _finite(getattr(part, name)) for name in ("low", "high")}


def _finite(value: float) -> float | None:
    return value if -inf < value < inf else None


def load(text: str) -> SafingPlan:
    """The plan that ``dump`` wrote.

    Raises:
        ValueError: not a safing plan.
    """
    try:
        entry = json.loads(text)
        known = {name: entry[name] for name in SafingPlan._fields if name in entry}
        instruments = tuple(_safed_of(one) for one in known.pop("instruments"))
        leads = tuple(LeadDrop(**one) for one in known.pop("leads", ()))
        return SafingPlan(str(known.pop("bench")), instruments, leads=leads, **known)
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"not a safing plan: {error!r}") from error


def _safed_of(entry: dict[str, Any]) -> Safed:
    who, before = entry["identify"], entry.get("before")
    known = {name: value for name, value in entry.items() if name in Safed._fields}
    return Safed(
        **known
        | {
            "roles": tuple(entry["roles"]),
            "link": SafingLink(**entry["link"]),
            "offs": tuple(entry["offs"]),
            "opens": tuple(entry["opens"]),
            "identify": None if who is None else Identify(**who),
            "asks": tuple(_ask_of(ask) for ask in entry["asks"]),
            "visible_a": _or(entry["visible_a"], inf),
            "before": None
            if before is None
            else Before(**before | {"ohm": _or(before["ohm"], nan)}),
        }
    )


def _ask_of(entry: dict[str, Any]) -> Ask:
    known = {name: value for name, value in entry.items() if name in Ask._fields}
    parts = tuple(_part_of(part) for part in entry["parts"])
    return Ask(**known | {"parts": parts, "then": tuple(entry.get("then", ()))})


def _part_of(entry: dict[str, Any]) -> AnswerPart:
    known = {name: value for name, value in entry.items() if name in AnswerPart._fields}
    bounds = {"low": _or(entry["low"], -inf), "high": _or(entry["high"], inf)}
    words = {"off": tuple(entry["off"]), "on": tuple(entry["on"])}
    return AnswerPart(**known | bounds | words)


def _or(value: object, otherwise: float) -> float:
    return otherwise if value is None else float(cast("float", value))

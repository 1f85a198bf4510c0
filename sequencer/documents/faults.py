"""The fault document: one thing that goes wrong on a simulated bench, and when.

Owns the kinds of faults and what each of them needs to be told; knows not how they are brought
about (that is ``drivers.simulated.faults``).
"""

from collections.abc import Iterable, Iterator
from typing import Annotated, Literal, NamedTuple, get_args

from pydantic import ConfigDict, Field

from sequencer.documents.fields import (
    Count,
    Document,
    Of,
    OhmsFromZero,
    Physical,
    Seconds,
    SecondsFromZero,
    SignedFraction,
    YesNo,
    key_of,
)
from sequencer.documents.rules import Broken
from sequencer.vocabulary.quantities import Dimension, Quantity

WireFaultName = Literal[
    "reboot",
    "on and silent",
    "silent",
    "late reply",
    "half line",
    "garbage",
    "two lines",
    "killed",
    "error queue",
    "identity",
]
FaultKindName = Literal[
    "open lead",
    "cell opens",
    "lead resistance",
    "lifted sense",
    "meter lead off",
    "stuck reading",
    "dead reading",
    "over-range",
    "drift",
    "probe off",
    "contactor welded",
    "contactor open",
    "ignored off",
    "ignored on-time",
    "ignored setting",
    "clipped setting",
    "panel",
    "output denied",
    "reversed sign",
    "stale",
    "power dip",
    WireFaultName,
]


class Needs(NamedTuple):
    """Parameters of one kind: those it must be given, and those it may be given besides."""

    required: frozenset[str] = frozenset()
    optional: frozenset[str] = frozenset()


def _needs(required: str = "", optional: str = "") -> Needs:
    return Needs(frozenset(required.split()), frozenset(optional.split()))


NEEDS: dict[str, Needs] = {
    "open lead": _needs(),
    "cell opens": _needs(),
    "lead resistance": _needs("resistance"),
    "lifted sense": _needs("instrument"),
    "meter lead off": _needs(optional="value"),
    "stuck reading": _needs("reading", "value"),
    "dead reading": _needs("reading", "value"),
    "over-range": _needs("reading"),
    "drift": _needs("reading", "per_hour value_per_hour"),
    "probe off": _needs("reading"),
    "contactor welded": _needs(optional="admits"),
    "contactor open": _needs(optional="admits"),
    "ignored off": _needs("instrument", "admits"),
    "ignored on-time": _needs("instrument"),
    "ignored setting": _needs("instrument", "setting admits"),
    "clipped setting": _needs("instrument limit", "admits"),
    "panel": _needs("instrument", "value output_on"),
    "output denied": _needs("instrument", "value"),
    "reversed sign": _needs("reading"),
    "stale": _needs("instrument"),
    "power dip": _needs("instrument boots_for"),
    "reboot": _needs("instrument", "output_on boots_for"),
    "on and silent": _needs("instrument", "executes"),
    "silent": _needs("instrument", "executes times"),
    "late reply": _needs("instrument delay", "times"),
    "half line": _needs("instrument", "rest_after times"),
    "garbage": _needs("instrument", "text times"),
    "two lines": _needs("instrument", "times"),
    "killed": _needs("instrument"),
    "error queue": _needs("instrument", "text"),
    "identity": _needs("instrument text"),
}

ON_WIRES = frozenset(get_args(WireFaultName))
"""Kinds that need a wire: the served form of the twin alone knows them."""

MOMENTARY = frozenset({"panel", "power dip", "reboot", "error queue"})
"""Kinds that happen at one moment; a duration makes no sense for them."""

Reading = Literal[
    "cell voltage",
    "current",
    "supply voltage",
    "supply current",
    "load voltage",
    "load current",
    "surface",
    "tab",
    "room",
]

Creep = Annotated[
    Quantity, Of((Dimension.VOLTAGE, Dimension.CURRENT, Dimension.TEMPERATURE_DIFFERENCE))
]
"""How far a reading moves: a Quantity that keeps its dimension."""


class FaultDocument(Document):
    """One fault. It begins ``at`` after what it is counted from, and lasts ``for`` or for good.

    ``instrument`` is an instrument's name in the bench document or its role there (``charge``,
    ``discharge``, ``voltage``, ``current``, ``contactor``, or a sensor's place). ``admits``: its
    replies tell the truth about what it really did; otherwise they say what was wanted of it.
    ``delay``, ``rest after`` are real time, since time-outs are; all other times are bench time.
    """

    model_config = ConfigDict(title="fault")

    fault: str = Field(min_length=1)
    kind: FaultKindName
    counted_from: Literal["start", "charging", "discharging"] = "start"
    at: SecondsFromZero = 0.0
    lasting: Seconds | None = Field(default=None, alias="for")
    instrument: str | None = None
    reading: Reading | None = None
    setting: Literal["voltage", "current"] | None = None
    times: Count | None = None
    delay: Seconds | None = None
    rest_after: Seconds | None = None
    boots_for: Seconds | None = None
    text: str | None = None
    value: Physical | None = None
    limit: Physical | None = None
    per_hour: SignedFraction | None = None
    value_per_hour: Creep | None = None
    resistance: OhmsFromZero | None = None
    output_on: YesNo | None = None
    executes: YesNo | None = None
    admits: YesNo | None = None

    def rules(self) -> Iterable[Iterator[Broken]]:
        """Told what it needs, and nothing that it has no use for."""
        return (self._needs(), self._takes_no(), self._momentary(), self._drifts())

    def _given(self) -> set[str]:
        return {name for name in _PARAMETERS if getattr(self, name) is not None}

    def _needs(self) -> Iterator[Broken]:
        if missing := sorted(map(key_of, NEEDS[self.kind].required - self._given())):
            yield f"{self.kind} needs: {', '.join(missing)}", ()

    def _takes_no(self) -> Iterator[Broken]:
        needs = NEEDS[self.kind]
        if extra := sorted(map(key_of, self._given() - needs.required - needs.optional)):
            yield f"{self.kind} takes no: {', '.join(extra)}", ()

    def _momentary(self) -> Iterator[Broken]:
        if self.kind in MOMENTARY and self.lasting is not None:
            yield "happens at one moment and takes no: for", ("kind",)

    def _drifts(self) -> Iterator[Broken]:
        if self.kind == "drift" and self.per_hour is None and self.value_per_hour is None:
            yield "drift needs: per hour (a fraction) or value per hour", ()

    @property
    def is_physical(self) -> bool:
        """Both forms of the twin can bring it about."""
        return self.kind not in ON_WIRES


_PARAMETERS = tuple(
    name
    for name in FaultDocument.model_fields
    if name not in ("fault", "kind", "counted_from", "at", "lasting")
)

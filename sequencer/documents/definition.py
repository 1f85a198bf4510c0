"""The instrument definition: how one kind of instrument is spoken to and what it can do.

Data, no code. Owns the fixed list of operation names; knows no wire and no job.
Signs, for every instrument: a supply's current is positive out of its positive terminal
(it charges the cell); a load's is positive into it (it discharges the cell).
"""

import re
import warnings
from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from sequencer.documents.capability import Capability, Difference, difference_of
from sequencer.documents.fields import (
    AmpsFromZero,
    Count,
    Document,
    Number,
    Seconds,
    SecondsFromZero,
    VoltsFromZero,
    YesNo,
)
from sequencer.documents.operations import (
    CAPABILITIES,
    CAPABLE,
    DISABLE,
    FLAG_GROUPS,
    NEEDED,
    NUMBER_GROUPS,
    OPERATIONS,
    OperationName,
)
from sequencer.vocabulary.quantities import UNITS

Kind = Literal["supply", "load", "meter", "thermometer", "contactor"]
LinkKind = Literal["socket", "serial", "visa"]

_BRACES = re.compile(r"\{[^{}]*\}|[{}]")


def _checked_template(text: str) -> str:
    odd = [brace for brace in _BRACES.findall(text) if brace not in ("{value}", "{channel}")]
    if odd:
        raise ValueError(f"a template takes {{value}} and {{channel}} only, not {odd[0]}")
    if not text.isascii() or not text.isprintable() or not text.strip():
        raise ValueError("a command is printable ASCII text on one line")
    return text


def _checked_pattern(text: str) -> str:
    if len(text) > 500:
        raise ValueError("a pattern has at most 500 characters")
    try:
        # A warning is a refusal here: what Python may read otherwise one day is not a grammar.
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            re.compile(text, re.ASCII)
    except (re.error, OverflowError, RecursionError, Warning) as error:
        raise ValueError(f"not a regular expression: {error}") from error
    return text


Template = Annotated[str, AfterValidator(_checked_template)]
"""Command text with {value} and {channel} at most; the line end is the link's."""
Pattern = Annotated[str, AfterValidator(_checked_pattern)]
"""A regular expression that a whole reply must match, ASCII, with named groups."""


def groups_of(pattern: str) -> frozenset[str]:
    """The named groups of a pattern."""
    return frozenset(re.compile(pattern, re.ASCII).groupindex)


class IdentityRule(Document):
    """What to ask, and what the whole answer must look like."""

    query: Template
    pattern: Pattern
    serial_number_is_unique: YesNo = True

    @model_validator(mode="after")
    def _says_who(self) -> Self:
        missing = {"maker", "model", "serial", "firmware"} - groups_of(self.pattern)
        if missing:
            raise ValueError(f"the identity pattern has no group {', '.join(sorted(missing))}")
        return self


class Link(Document):
    """How the wire is set. ``gap`` is the pause after a command that has no reply. Only reads are
    ever repeated, and only on a new session; a setting never is."""

    kinds: tuple[LinkKind, ...] = Field(min_length=1)
    line_end: Literal["LF", "CRLF", "CR"] = "LF"
    reply_end: Literal["LF", "CRLF", "CR"] = "LF"
    baud_rate: Count = 9600
    data_bits: Literal["7", "8"] = "8"
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal["1", "2"] = "1"
    read_time_out: Annotated[Seconds, Field(le=30.0)] = 1.0
    write_time_out: Annotated[Seconds, Field(le=30.0)] = 1.0
    gap: SecondsFromZero = 0.0
    acknowledgement: Pattern | None = None
    read_retries: Annotated[Count, Field(le=3)] = 0


class Session(Document):
    """What is sent when a session opens and closes, and what makes safe, in order."""

    on_open: tuple[Template, ...] = ()
    on_close: tuple[Template, ...] = ()
    safe: tuple[Template, ...] = ()


class ErrorRule(Document):
    """The instrument's own error queue. The pattern has the group ``code`` (and ``text``)."""

    query: Template
    pattern: Pattern
    fine_codes: tuple[str, ...] = ("0",)
    drain_at_most: Annotated[Count, Field(ge=1, le=100)] = 20
    poll_interval: Seconds = 10.0

    @model_validator(mode="after")
    def _has_code(self) -> Self:
        if "code" not in groups_of(self.pattern):
            raise ValueError("the error pattern has no group code")
        return self


class Values(Document):
    """How numbers and yes/no are written and read. Of ``yes`` and ``no`` all spellings count.

    ``reject above``: a magnitude above this is *no value* (SCPI-1999: 9.9E37, 9.91E37).
    ``disconnected``: what is said in place of a number when a sensor has come off.
    ``leading zeros``: whether ``04.20`` is a number here, or the rest of half a line.
    """

    decimals: Annotated[Count, Field(le=9)] = 3
    numbers: Literal["fixed", "fixed or exponent"] = "fixed or exponent"
    leading_zeros: YesNo = False
    invalid: tuple[str, ...] = ()
    disconnected: tuple[str, ...] = ()
    zero_is_disconnected: YesNo = False
    reject_above: Number = Field(default=9e36, gt=0.0)
    yes: tuple[str, ...] = ("1", "ON")
    no: tuple[str, ...] = ("0", "OFF")

    @model_validator(mode="after")
    def _tell_apart(self) -> Self:
        if set(self.yes) & set(self.no):
            raise ValueError("the same reply cannot mean yes and no")
        return self


class ReplyUnit(Document):
    """The unit in which a number comes, and how the instrument writes it if otherwise."""

    unit: str
    written: str | None = None

    @property
    def text(self) -> str:
        """What must stand in the reply's unit group."""
        return self.written if self.written is not None else self.unit


class ReadBack(Document):
    """The question that follows a setting. The pattern has the group ``value`` for a number, a
    flag group for an output, or none: then matching is enough."""

    query: Template
    pattern: Pattern = "(?P<value>.+)"
    tolerance: Difference | None = None


class Operation(Document):
    """One thing the instrument does: a command (``send``) or a question (``query``).

    ``reversed`` names groups that the instrument reports with the other sign. ``value unit`` is
    the unit in which a setting is sent and read back (default: V, A or s).
    """

    send: Template | None = None
    query: Template | None = None
    pattern: Pattern | None = None
    units: dict[str, ReplyUnit] = Field(default_factory=dict)
    reversed: tuple[str, ...] = ()
    value_unit: str | None = None
    decimals: Annotated[Count, Field(le=9)] | None = None
    read_back: ReadBack | None = None
    settling: SecondsFromZero = 0.0
    side_effects: str | None = None
    wears_memory: YesNo = False

    @model_validator(mode="after")
    def _asks_or_tells(self) -> Self:
        if (self.send is None) == (self.query is None):
            raise ValueError("an operation has either send or query")
        if (self.query is None) != (self.pattern is None):
            raise ValueError("a query needs a pattern for its reply, a command has none")
        known = groups_of(self.pattern) if self.pattern else frozenset()
        for name in (*self.units, *self.reversed):
            if name not in NUMBER_GROUPS or name not in known:
                raise ValueError(f"{name} is not a number that the pattern gives")
        for name, unit in self.units.items():
            if unit.unit not in UNITS[NUMBER_GROUPS[name]]:
                raise ValueError(f"{unit.unit} is not a unit of {name}")
        return self


class OperatingPoint(Document):
    """The lowest voltage at which a load still draws this current."""

    voltage: VoltsFromZero
    at_current: AmpsFromZero


class Traits(Document):
    """What the instrument does by itself, and what its *off* is worth."""

    communication_watchdog: YesNo = False
    latching_undervoltage_cut_out: YesNo = Field(
        default=False, alias="latching undervoltage cut-out"
    )
    off_isolates: Literal["both poles", "one pole", "nothing"] = "nothing"
    leakage_when_off: AmpsFromZero = 0.0
    sinks_current: YesNo = False
    blocks_reverse_current: YesNo = False
    crowbar: YesNo = False
    minimum_operating_voltage: tuple[OperatingPoint, ...] = ()
    minimum_current: AmpsFromZero = 0.0
    power_up_state: Literal["off", "as before", "on"] = "as before"
    reset_side_effects: str | None = None


class Calibration(Document):
    """When this kind was last compared with something better, in the owner's words."""

    date: str
    by: str
    note: str | None = None


class InstrumentDefinition(Document):
    """One kind of instrument. Refused without identity, safe commands or a way to disable it."""

    definition: str = Field(min_length=1, pattern=r"^[a-z0-9][a-z0-9-]*$")
    kind: Kind
    dialect: Literal["scpi", "line"] = "scpi"
    driver: str = "text"
    identity: IdentityRule
    link: Link
    session: Session
    errors: ErrorRule | None = None
    values: Values = Values()
    operations: dict[str, Operation]
    traits: Traits
    capabilities: dict[str, Capability]
    calibration: Calibration | None = None
    verified: Literal["untested", "simulated", "on hardware"] = "untested"

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        faults = [
            *_unknown("operation", self.operations, OPERATIONS),
            *_unknown("capability", self.capabilities, CAPABILITIES),
        ]
        if not faults:
            faults = [*self._operation_faults(), *self._capability_faults(), *self._safe_faults()]
        if faults:
            raise ValueError("; ".join(faults))
        return self

    def _operation_faults(self) -> list[str]:
        missing = [name for name in NEEDED[self.kind] if name not in self.operations]
        faults = [f"a {self.kind} needs the operation {name}" for name in missing]
        for name, operation in self.operations.items():
            faults += [f"{name}: {fault}" for fault in _faults_of(OPERATIONS[name], operation)]
        return faults

    def _capability_faults(self) -> list[str]:
        missing = [name for name in CAPABLE[self.kind] if name not in self.capabilities]
        faults = [f"a {self.kind} needs the capability {name}" for name in missing]
        return faults + [
            f"capability {name} is a {one.dimension.value}, not a {CAPABILITIES[name].value}"
            for name, one in self.capabilities.items()
            if one.dimension is not CAPABILITIES[name]
        ]

    def _safe_faults(self) -> list[str]:
        disable = DISABLE.get(self.kind)
        if disable is None:
            return []
        if not self.session.safe:
            return [f"a {self.kind} needs safe commands"]
        if disable in self.operations and self.session.safe[0] != self.operations[disable].send:
            return [f"the first safe command must be the one of {disable}: it de-energises"]
        return []

    def capability(self, name: str) -> Capability:
        """The capability of that name.

        Raises:
            KeyError: the definition has none.
        """
        return self.capabilities[name]


def _unknown(what: str, used: Iterable[str], known: Mapping[str, object]) -> list[str]:
    faults = []
    for name in used:
        if name not in known:
            near = get_close_matches(name, list(known), n=1)
            faults.append(f"no {what} is called {name}" + (f": {near[0]}?" if near else ""))
    return faults


def _faults_of(rule: OperationName, operation: Operation) -> list[str]:
    faults = []
    if (operation.send is None) != bool(rule.gives):
        faults.append("must have a query" if rule.gives else "must have something to send")
    takes = operation.send is not None and "{value}" in operation.send
    if operation.send is not None and takes != (rule.value is not None):
        faults.append("must take {value}" if rule.value else "takes no {value}")
    if operation.value_unit is not None and (
        rule.value is None or operation.value_unit not in UNITS[rule.value]
    ):
        faults.append(f"{operation.value_unit} is not a unit of what it sets")
    if operation.query is not None and "{value}" in operation.query:
        faults.append("a query takes no {value}")
    missing = set(rule.gives) - groups_of(operation.pattern or "")
    if missing and operation.pattern is not None:
        faults.append(f"its pattern has no group {', '.join(sorted(missing))}")
    if operation.read_back is None:
        return [*faults, "needs a read-back"] if rule.must_read_back else faults
    return faults + _read_back_faults(rule, operation.read_back)


def _read_back_faults(rule: OperationName, back: ReadBack) -> list[str]:
    groups = groups_of(back.pattern)
    if rule.value is not None:
        if "value" not in groups or back.tolerance is None:
            return ["its read-back needs the group value and a tolerance"]
        if back.tolerance.dimension is not difference_of(rule.value):
            return [f"its read-back tolerance must be a {difference_of(rule.value).value}"]
    elif rule.expect is not None and not groups & set(FLAG_GROUPS):
        return ["its read-back needs a flag group: output or closed"]
    return []

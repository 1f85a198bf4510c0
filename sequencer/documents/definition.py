"""The instrument definition: how one kind of instrument is spoken to and what it can do.

Data, no code; knows no wire and no job.
Signs, for every instrument: a supply's current is positive out of its positive terminal
(it charges the cell); a load's is positive into it (it discharges the cell).
"""

from collections.abc import Iterable, Iterator
from typing import Annotated, Literal

from pydantic import Field

from sequencer.documents.capability import Capability
from sequencer.documents.channels import misfits_of_channel
from sequencer.documents.fields import (
    AmpsFromZero,
    Count,
    Document,
    Number,
    Seconds,
    VoltsFromZero,
    YesNo,
    matching,
)
from sequencer.documents.link import OFF_GAPS_S, Link
from sequencer.documents.on_time import misfits_of_on_time
from sequencer.documents.operation import Operation, misfits
from sequencer.documents.operations import (
    CAPABILITIES,
    CAPABLE,
    DISABLE,
    NEEDED,
    OPERATIONS,
)
from sequencer.documents.rules import Broken, each, known
from sequencer.documents.texts import Pattern, Template, groups_of
from sequencer.vocabulary.near import closest, did_you_mean
from sequencer.vocabulary.number_form import NumberForm
from sequencer.vocabulary.registers import request_of

Kind = Literal["supply", "load", "meter", "thermometer", "contactor"]


SLOWEST_ANSWER_S = 1.0
"""The longest that what switches current may take for one answer (s)."""

_OVER_VOLTAGE = "set over-voltage"
_NAME = "[a-z0-9][a-z0-9-]*"
_NAME_WORDS = "write small letters, digits and hyphens, such as my-supply"
_WHO = frozenset({"maker", "model", "serial", "firmware"})


class IdentityRule(Document):
    """What to ask, and what the whole answer must look like.

    ``query``: None where nothing can be asked; then a line that comes by itself must match.
    ``tells``: what the answer says of who is there. Where it is ``its kind`` (a text that every one
    has) or ``nothing`` (the question is a harmless one of another kind), any instrument that
    answers in this form is taken for the right one.
    """

    query: Template | None = None
    pattern: Pattern
    tells: Literal["which one", "its kind", "nothing"] = "which one"
    serial_number_is_unique: YesNo = True

    @property
    def tells_which_one(self) -> bool:
        """Whether two of a kind can be told apart."""
        return self.tells == "which one"

    def rules(self) -> Iterable[Iterator[Broken]]:
        """The answer says who, where it is said to do so, and nothing more."""
        return (self._says_who(), self._says_no_more(), self._asks())

    def _asks(self) -> Iterator[Broken]:
        if self.query is None and self.tells != "nothing":
            yield "a query is needed, unless it tells nothing", ()

    def _says_who(self) -> Iterator[Broken]:
        missing = _WHO - groups_of(self.pattern)
        if missing and self.tells_which_one:
            names = sorted(missing)
            empty = " or ".join(f"'(?P<{name}>)'" for name in names)
            rule = f"the identity pattern has no group {', '.join(names)}"
            yield f"{rule}: of what no answer says write {empty}", ("pattern",)

    def _says_no_more(self) -> Iterator[Broken]:
        barred = {"its kind": {"serial"}, "nothing": _WHO}.get(self.tells, set())
        found = sorted(barred & groups_of(self.pattern))
        if found:
            rule = f"a pattern with the group {', '.join(found)} tells more than {self.tells}"
            yield rule, ("tells",)


class Session(Document):
    """What is sent when a session opens and closes, and what makes safe, in order.

    ``select``: the line that chooses the channel, sent before each other line, in one piece with
    it: nobody else's comes between them.
    """

    select: Template | None = None
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

    def rules(self) -> Iterable[Iterator[Broken]]:
        """The answer has a code."""
        return (self._has_code(),)

    def _has_code(self) -> Iterator[Broken]:
        if "code" not in groups_of(self.pattern):
            yield "the error pattern has no group code", ("pattern",)


class Values(Document):
    """How numbers and yes/no are written and read. Of ``yes`` and ``no`` all spellings count.

    ``reject above``: a magnitude above this is *no value* (SCPI-1999: 9.9E37, 9.91E37).
    ``disconnected``: what is said in place of a number when a sensor has come off.
    ``leading zeros``: whether ``04.20`` is a number here, or the rest of half a line.
    ``decimal sign``: also ``comma`` (``4,20``, and so in what is sent) or ``unit``, where the text
    of the unit stands in its place (``4V20``). ``sign``: where it stands; behind, it must.
    """

    decimals: Annotated[Count, Field(le=9)] = 3
    numbers: Literal["fixed", "fixed or exponent"] = "fixed or exponent"
    leading_zeros: YesNo = False
    decimal_sign: Literal["point", "comma", "unit"] = "point"
    sign: Literal["in front", "behind"] = "in front"
    invalid: tuple[str, ...] = ()
    disconnected: tuple[str, ...] = ()
    zero_is_disconnected: YesNo = False
    reject_above: Number = Field(default=9e36, gt=0.0)
    yes: tuple[str, ...] = ("1", "ON")
    no: tuple[str, ...] = ("0", "OFF")

    def form(self, unit: str) -> NumberForm:
        """How a number of that unit (as the instrument writes it) is written."""
        decimal = {"point": ".", "comma": ",", "unit": unit}[self.decimal_sign]
        return NumberForm(decimal, self.sign == "behind")

    def rules(self) -> Iterable[Iterator[Broken]]:
        """Yes and no differ."""
        return (self._tell_apart(),)

    def _tell_apart(self) -> Iterator[Broken]:
        if set(self.yes) & set(self.no):
            yield "the same reply cannot mean yes and no", ()


class OperatingPoint(Document):
    """The lowest voltage at which a load still draws this current."""

    voltage: VoltsFromZero
    at_current: AmpsFromZero


class Traits(Document):
    """What the instrument does by itself, and what its *off* is worth."""

    over_voltage_protection: YesNo = Field(default=True, alias="over-voltage protection")
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


class Calibration(Document):
    """When this kind was last compared with something better, in the owner's words."""

    date: str
    by: str
    note: str | None = None


class InstrumentDefinition(Document):
    """One kind of instrument. Refused without identity, safe commands or a way to disable it."""

    definition: Annotated[str, matching(_NAME, _NAME_WORDS)] = Field(
        json_schema_extra={"pattern": f"^{_NAME}$"}
    )
    kind: Kind
    dialect: Literal["scpi", "line", "modbus"] = "scpi"
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

    def rules(self) -> Iterable[Iterator[Broken]]:
        """Names that the bench knows, what its kind needs, and a way to disable it first."""
        return (
            each(self._operation_known, self.operations),
            each(self._operation_fits, self.operations),
            self._operations_missing(),
            self._senses_something(),
            self._protection_denied(),
            misfits_of_on_time(self.kind, self.operations, self.capabilities),
            each(self._capability_fits, self.capabilities),
            self._capabilities_missing(),
            self._safe(),
            self._answers_soon(),
            self._off_soon(),
            self._answers_at_all(),
            self._streams_lines(),
            self._speaks_by_unit(),
            self._switches_on_once(),
            self._requests_read(),
            misfits_of_channel(self),
        )

    def _operation_known(self, name: str, _: object) -> Iterator[Broken]:
        if name not in OPERATIONS:
            rule = f"no such operation{_meant(name, OPERATIONS)}"
            yield rule, ("operations", name)

    def _operation_fits(self, name: str, one: Operation) -> Iterator[Broken]:
        if name in OPERATIONS:
            for rule in misfits(OPERATIONS[name], one):
                for said, path in known(rule):
                    yield said, ("operations", name, *path)

    def _operations_missing(self) -> Iterator[Broken]:
        for name in _missing(NEEDED[self.kind], self.operations, OPERATIONS):
            if name != _OVER_VOLTAGE or self.traits.over_voltage_protection:
                yield f"a {self.kind} needs the operation {name}", ("operations",)

    def _senses_something(self) -> Iterator[Broken]:
        """A thermometer reads a sensor, and whatever reads one says how well."""
        senses = [name for name in OPERATIONS if OPERATIONS[name].senses]
        missing = _missing(senses, self.operations, OPERATIONS)
        if self.kind == "thermometer" and missing == senses:
            yield "a thermometer needs the operation measure temperature", ("operations",)
        able = [name for name in senses if name in self.operations]
        for name in _missing(able, self.capabilities, CAPABILITIES):
            yield f"a {self.kind} needs the capability {name}", ("capabilities",)

    def _protection_denied(self) -> Iterator[Broken]:
        if _OVER_VOLTAGE in self.operations and not self.traits.over_voltage_protection:
            rule = "what has no over-voltage protection cannot set one"
            yield rule, ("operations", _OVER_VOLTAGE)

    def _capability_fits(self, name: str, one: Capability) -> Iterator[Broken]:
        if name not in CAPABILITIES:
            rule = f"no such capability{_meant(name, CAPABILITIES)}"
            yield rule, ("capabilities", name)
        elif one.dimension is not CAPABILITIES[name]:
            rule = f"is a {one.dimension.value}, not a {CAPABILITIES[name].value}"
            yield rule, ("capabilities", name)

    def _capabilities_missing(self) -> Iterator[Broken]:
        for name in _missing(CAPABLE[self.kind], self.capabilities, CAPABILITIES):
            yield f"a {self.kind} needs the capability {name}", ("capabilities",)

    def _answers_soon(self) -> Iterator[Broken]:
        if self.kind in DISABLE and self.link.read_time_out > SLOWEST_ANSWER_S:
            longest = f"{SLOWEST_ANSWER_S:g} s"
            rule = f"a {self.kind} must answer within {longest}: off is proven by its answers"
            yield rule, ("link", "read time-out")

    def _off_soon(self) -> Iterator[Broken]:
        waits_s, count = self.link.off_gaps_s(self.session.safe), len(self.session.safe)
        if waits_s > OFF_GAPS_S:
            rule = f"off would wait {waits_s:.3g} s ({1 + count} gaps, of a line end and"
            yield f"{rule} {count} safe): at most {OFF_GAPS_S:g} s", ("link", "gap")

    def _answers_at_all(self) -> Iterator[Broken]:
        if self.kind in DISABLE and self.identity.query is None:
            yield f"a {self.kind} must be asked something before it is believed", ("identity",)

    def _streams_lines(self) -> Iterator[Broken]:
        streams = [name for name, one in self.operations.items() if one.streamed]
        if streams and self.link.reply_end == "silence":
            rule = f"{streams[0]} is streamed: its lines need an end"
            yield rule, ("link", "reply end")
        if streams and self.dialect == "modbus":
            yield "Modbus answers, and says nothing by itself", ("operations", streams[0])

    def _switches_on_once(self) -> Iterator[Broken]:
        yield from each(self._switches_on_elsewhere, self._texts())

    def _switches_on_elsewhere(self, place: tuple[str | int, ...], text: str) -> Iterator[Broken]:
        """The text that energises stands where it belongs alone."""
        on = {"output on": self.operations.get("output on"), "close": self.operations.get("close")}
        for name, one in on.items():
            if one is not None and text == one.send and name not in place:
                yield f"is the one of {name}: it energises", place

    def _speaks_by_unit(self) -> Iterator[Broken]:
        if (self.dialect == "modbus") != (self.link.unit is not None):
            yield "the dialect modbus needs a unit, and no other has one", ("link",)

    def _requests_read(self) -> Iterator[Broken]:
        """To registers, where it asks, and writing them, where it does not."""
        if self.dialect == "modbus":
            yield from each(self._request_read, self._texts())
        if self.dialect == "modbus" and self.kind == "contactor":
            yield from each(self._asks_the_contact, self._texts())

    def _asks_the_contact(self, place: tuple[str | int, ...], text: str) -> Iterator[Broken]:
        """What was written there comes back, wherever the contact is."""
        told = [str(one.send) for name, one in self.operations.items() if name in ("close", "open")]
        if "query" in str(place[-1]) and any(f"write {text} = " in one for one in told):
            yield f"{text} is what is told: ask for the contact itself, or nothing is known", place

    def _texts(self) -> dict[tuple[str | int, ...], str]:
        """All that is sent or asked, by its place."""
        found: dict[tuple[str | int, ...], str | None] = {
            ("identity", "query"): self.identity.query
        }
        if self.errors is not None:
            found["errors", "query"] = self.errors.query
        for key in ("on open", "on close", "safe"):
            for number, text in enumerate(getattr(self.session, key.replace(" ", "_"))):
                found["session", key, number] = text
        for name, one in self.operations.items():
            back = None if one.read_back is None else one.read_back.query
            found |= {
                ("operations", name, "send"): one.send,
                ("operations", name, "query"): one.query,
            }
            found["operations", name, "read-back", "query"] = back
            for number, text in enumerate(one.then_query):
                found["operations", name, "then query", number] = text
        return {place: text for place, text in found.items() if text is not None}

    def _request_read(self, place: tuple[str | int, ...], text: str) -> Iterator[Broken]:
        try:
            request = request_of(text.replace("{value}", "0").replace("{channel}", "1"))
        except ValueError as error:
            yield str(error), place
            return
        if bool(request.values) is ("query" in str(place[-1]) or "query" in str(place[-2])):
            yield "writes where a query stands" if request.values else "sets nothing", place

    def _safe(self) -> Iterator[Broken]:
        disable = DISABLE.get(self.kind)
        if disable is None:
            return
        if not self.session.safe:
            yield f"a {self.kind} needs safe commands", ("session",)
        elif disable in self.operations and self.session.safe[0] != self.operations[disable].send:
            rule = f"the first safe command must be the one of {disable}: it de-energises"
            yield rule, ("session", "safe", 0)

    def asks_by_channel(self, name: str) -> bool | None:
        """Whether that question, or its reply, names a channel; None without such a question."""
        one = self.operations.get(name)
        if one is None or one.send is not None:
            return None
        return one.asks_by_channel

    def capability(self, name: str) -> Capability:
        """The capability of that name.

        Raises:
            KeyError: the definition has none.
        """
        return self.capabilities[name]


def _meant(name: str, names: Iterable[str]) -> str:
    return did_you_mean(name, names) or f": known are {', '.join(names)}"


def _missing(needed: Iterable[str], used: Iterable[str], names: Iterable[str]) -> list[str]:
    """What is needed and not there, nor there under a misspelt name (which is told already)."""
    misspelt = [name for name in used if name not in names]
    meant = {closest(name, names) for name in misspelt}
    return [name for name in needed if name not in used and name not in meant]

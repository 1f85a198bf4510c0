"""One instrument tried by its definition, before it comes near a cell: what is sent, what comes
back, what should.

Owns the order of some forty exchanges and what each must show. Outputs stay off, but for the last
ones, which a person asks for apart: at most 1 V, 0.1 A and 2 s, on nothing or a resistor.
"""

from collections.abc import Callable
from functools import partial
from math import nan
from time import sleep
from typing import Final

from drivers.dialects.base import Reading
from drivers.instruments.instrument import Instrument
from drivers.instruments.noted_wire import Noting
from drivers.instruments.trial_beliefs import (
    ANSWERED_S,
    MisfitError,
    as_set,
    believe,
    in_range,
    in_time,
    known,
    on_resistor,
    too_loose,
    within,
)
from drivers.instruments.trial_exchange import Exchange, beside, cut_out, said
from drivers.instruments.trial_values import (
    CELL_V,
    CONNECTED,
    CUT_V,
    GREETED_S,
    ON_A,
    ON_S,
    ON_V,
    harmless,
    values,
)
from drivers.instruments.under_way import Loc
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.operations import DISABLE, FLAG_GROUPS, OPERATIONS
from sequencer.vocabulary.faults import FaultKind, InstrumentError, RefusedError

COMPLAINS: Final = "it complains: "
_CUT_OUT: Final = "set under-voltage"
_MODE: Final = "set mode current"
ROUNDS: Final = 3
"""How often each question is asked."""
_ON: Final = {"supply": "output on", "load": "output on", "contactor": "close"}


class Trial:
    """The exchanges with one instrument on ``wire``, which must be a ``Noting`` one of its own.
    ``is_seen_off``: after its output was on, it said that it is off."""

    def __init__(
        self,
        instrument: Instrument,
        wire: Noting,
        channel: int | None = None,
        pause: Callable[[float], None] = sleep,
        source_v: float | None = None,
    ) -> None:
        """``source_v``: the voltage of a source that is joined to a load or a meter, as another
        meter has shown it; None: nothing is."""
        self._instrument, self._wire, self._channel = instrument, wire, channel
        self._source_v = source_v
        self._pause, self._is_mute, self.is_seen_off = pause, False, True
        self._is_out_of_step = self._ends = False
        self._ohm: float | None = None
        self.definition: InstrumentDefinition = instrument.definition
        self.exchanges: list[Exchange] = []

    # -- with the output off

    def with_output_off(self) -> None:
        """Off, identity, questions, settings, complaints, timing; everything set as it was.

        Raises:
            RefusedError: a voltage at its terminals.
        """
        if not self._begin():
            return
        for name in self.definition.operations:
            if self._instrument.dialect.asks(name):
                self._ask(name)
        if not self._sees_nothing():
            return
        if self._source_v is not None:
            name = "measure" if self.definition.kind == "load" else "measure voltage"
            self._try(f"what it reads of {self._source_v:g} V", ("operations", name), self._source)
        for name in (_MODE, "clear protection"):
            if name in self.definition.operations:
                self._do(name)
        for name in self.definition.operations:
            if OPERATIONS[name].value is not None:
                self._set(name)
        if self.definition.kind in DISABLE:
            self._try("who is there, at the end", ("identity", "query"), self._identity)
        self._timing()

    def _begin(self) -> bool:
        if self.definition.kind in DISABLE:
            self._try("off, before anything else", ("session", "safe"), self._off)
            self._pause(ANSWERED_S)
        link = self.definition.link
        is_asked = not any(one.streamed for one in self.definition.operations.values())
        if is_asked and link.welcome is None and link.unit is None:
            self._try("a new session, nothing asked", ("link", "welcome"), self._unasked)
        if not self._try("who is there", ("identity", "query"), self._identity):
            return False
        if self.definition.session.on_open:
            self._complaints("after the opening", ("session", "on open"), ("errors", "fine codes"))
        else:
            self._forget_complaints()
        if self.definition.kind in DISABLE and self.definition.session.safe:
            self._off_taken()
        return True

    def _unasked(self) -> str:
        """Nothing may come before a question: it would be there in place of its answer."""
        for _ in range(2):  # what comes once only was a late answer to what was sent before
            self._wire.close()
            self._pause(ANSWERED_S)  # to notice that: some take one session at a time
            self._wire.open()
            self._pause(GREETED_S)
            if not self._wire.drain():
                return "nothing came"
        self._wire.close()
        raise MisfitError("a line comes by itself when a session begins: is it a 'welcome'?")

    def _off_taken(self) -> None:
        """Whether each safe command is one that it knows: where it acknowledges, or complains."""
        place: Loc = ("session", "safe")
        self._try("off, command by command", place, self._off_once)
        self._complaints("after off", place)

    def _off_once(self) -> str:
        self._instrument.off_once()
        return "nothing speaks against it"

    def _forget_complaints(self) -> None:
        """Of the bare line end before off, which is half a command to some."""
        try:
            self._instrument.errors()
        except (InstrumentError, ValueError):
            self._complaints("after the opening", ("errors", "query"))

    def _off(self) -> str:
        self._instrument.off()
        return "the safe commands were taken"

    def _identity(self) -> str:
        found = self._instrument.identify()
        if not found.matches:
            raise self._instrument.stranger(found)
        said = " ".join(filter(None, (found.maker, found.model, found.serial)))
        return f"it fits: {said}" if said else "it fits, and gives no name"

    def _ask(self, name: str) -> None:
        place: Loc = ("operations", name, "pattern")
        for number in range(ROUNDS):
            if not self._try(
                f"{name}, time {number + 1} of {ROUNDS}", place, lambda: self._answer(name)
            ):
                return

    def _answer(self, name: str) -> str:
        reading = self._instrument.perform(name, None, self._channel)
        state = reading.get(next((one for one in FLAG_GROUPS if one in reading), ""))
        if state is True:
            raise MisfitError("it says that it is on, or closed, after it was told off")
        within(self.definition, reading)
        return said(reading)

    def _sees_nothing(self) -> bool:
        """Whether its terminals were read and nothing is there; what reads no voltage sees nothing.

        Raises:
            RefusedError: a voltage that is not small.
        """
        for name in ("measure", "measure voltage"):
            if name not in self.definition.operations:
                continue
            try:
                reading = self._instrument.perform(name, None, self._channel)
            except (InstrumentError, ValueError):
                return False
            volts = reading.get("voltage", nan)
            if not abs(volts) <= CELL_V:
                raise RefusedError([CONNECTED.format(name=self._wire.culprit, volts=volts)])
        return True

    def _set(self, name: str) -> None:
        place: Loc = ("operations", name)
        self._tolerance(name)
        before = self._present(name)
        for value in values(self.definition, name):
            tried = f"{name} {value:g}"
            self._try(tried, (*place, "read-back"), self._putting(name, value))
            self._complaints(f"after {tried}", (*place, "send"), (*place, "value unit"))
        if before is None:
            before = harmless(self.definition, name)
        if before is not None:
            self._try(f"{name} {before:g}, as before", place, self._putting(name, before))

    def _tolerance(self, name: str) -> None:
        """A read-back that may differ by many steps confirms nothing."""
        place: Loc = ("operations", name, "read-back", "tolerance")
        if words := too_loose(self.definition, name):
            self.exchanges.append(Exchange(f"{name}: its tolerance", False, (), words, (place,)))

    def _present(self, name: str) -> float | None:
        """What is set before anything was: also whether it can be, by the range."""
        able = self.definition.capabilities.get(name)
        kept: list[float] = []
        if self.definition.operations[name].read_back is None:
            return None

        def look() -> str:
            kept.append(in_range(able, self._instrument.look(name, self._channel) or 0.0))
            return f"{kept[0]:g} is set"

        self._try(f"{name}: what is set", ("operations", name, "value unit"), look)
        return kept[0] if kept and self._is_within(name, kept[0]) else None

    def _is_within(self, name: str, value: float) -> bool:
        able = self.definition.capabilities.get(name)
        return able is None or able.low <= value <= able.high

    def _put(self, name: str, value: float) -> str:
        back = self._instrument.perform(name, value, self._channel).get("read-back")
        if isinstance(back, float):
            as_set(self.definition, name, value, back)
        return "taken" if back is None else f"{back:g} is read back"

    def _complaints(self, when: str, *places: Loc) -> None:
        """What the error queue says; once it gives no answer that fits, it is not asked again."""
        if self.definition.errors is None or self._is_mute:
            return

        def look() -> str:
            found = [f"{one.code} {one.text}".strip() for one in self._instrument.errors()]
            if found:
                raise MisfitError(f"{COMPLAINS}{'; '.join(found)}")
            return "no complaint"

        tried = f"its complaints {when}"
        if not self._try(tried, ("errors", "query"), look):
            last = self.exchanges[-1]
            self._is_mute = not last.words.startswith(COMPLAINS)
            if not self._is_mute:
                self.exchanges[-1] = last._replace(places=places)

    def _timing(self) -> None:
        place: Loc = ("link", "read time-out")
        self._try(
            "how fast it answers", place, lambda: in_time(self.definition, self._wire.slowest_s)
        )

    # -- switched on

    def with_output_on(self, ohm: float | None = None) -> None:
        """On and off, at most 1 V and 0.1 A for some 2 s, on a resistor of ``ohm`` or (None) on
        one that nobody knows or on nothing; off is sent whatever happened."""
        self._ohm, before = ohm, None
        on = _ON.get(self.definition.kind)
        if on is None or not self._instrument.is_ready or not self._sees_nothing():
            return
        off = DISABLE[self.definition.kind]
        try:
            if self._limits_are_taken():
                self._do(on)
                self._pause(ON_S / 4)
                self._try(f"what it shows, {on}", self._shown, self._shows_on)
                asked: Loc = ("operations", off, "read-back")
                self._try(f"what it answers after {off}, {on}", asked, lambda: self._denies(off))
                before = self._cut_out()
        finally:
            self._ends, self._is_out_of_step = True, False  # off is sent whatever else fits
            self._do(off)
            self._try("the safe commands", ("session", "safe"), self._off)
            self._pause(ANSWERED_S)
            self.is_seen_off = self._try(f"what it shows, {off}", self._shown, self._shows_off)
            self._after_cut_out(before)

    def _cut_out(self) -> float | None:
        """Let an undervoltage cut-out act: what it shows then must be understood. What was set
        before; None where it was left as it is."""
        has_one = self.definition.traits.latching_undervoltage_cut_out
        has_one = has_one and _CUT_OUT in self.definition.operations
        if not has_one or not self._is_within(_CUT_OUT, CUT_V):
            return None
        before, place = self._present(_CUT_OUT), ("operations", _CUT_OUT)
        before = harmless(self.definition, _CUT_OUT) if before is None else before
        if self._try(f"{_CUT_OUT} {CUT_V:g}, on", place, self._putting(_CUT_OUT, CUT_V)):
            self._pause(ON_S / 4)
            self._try("what it shows, cut out", self._shown, lambda: cut_out(self._state()))
        return before

    def _after_cut_out(self, before: float | None) -> None:
        for name, value in (("clear protection", None), (_CUT_OUT, before)):
            if before is not None and name in self.definition.operations:
                act = partial(self._instrument.perform, name, value)
                self._try(f"{name}, as before", ("operations", name), lambda: said(act()))  # noqa: B023

    def _limits_are_taken(self) -> bool:
        """Mode, then 1 V and 0.1 A, each as it was told: else it would come on with more."""
        able, taken = self.definition.operations, True
        if _MODE in able:
            taken = self._do(_MODE)
        for name, value in (("set voltage", ON_V), ("set current", ON_A)):
            if name in able:
                tried = f"{name} {value:g}"
                taken &= self._try(tried, ("operations", name), self._putting(name, value))
        return taken

    def _do(self, name: str) -> bool:
        """Something without a value, and whether it complains; whether it was done."""
        place: Loc = ("operations", name)
        is_done = self._try(name, place, lambda: said(self._instrument.perform(name)))
        self._complaints(f"after {name}", place)
        return is_done

    def _putting(self, name: str, value: float) -> Callable[[], str]:
        return lambda: self._put(name, value)

    @property
    def _shown(self) -> Loc:
        return "operations", "state" if self.definition.kind == "contactor" else "measure"

    def _state(self) -> Reading:
        return self._instrument.perform(str(self._shown[-1]), None, self._channel)

    def _shows_on(self) -> str:
        """The state is on, and what it reads can be what was set."""
        reading = self._state()
        if not any(reading.get(one) for one in FLAG_GROUPS):
            raise MisfitError("it says off, or open, after it was told on")
        if self.definition.kind == "supply":
            believe(self.definition, "voltage", reading, ON_V)
        believe(self.definition, "current", reading, ON_A)
        if self.definition.kind == "supply" and self._ohm is not None:
            on_resistor(self.definition, reading, self._ohm)
        if self._source_v is not None:
            known(self.definition, "current", reading, ON_A)
        return said(reading)

    def _denies(self, off: str) -> str:
        """While it is on, the question that follows off must say so: it may ask another output."""
        if self.definition.operations[off].read_back is None:
            return "not asked"
        try:
            self._instrument.confirm(off, None, self._channel)
        except InstrumentError as error:
            if error.kind is not FaultKind.OUTPUT_DIFFERS:
                raise
            return "it does not say off"
        raise MisfitError("it says off, or open, after it was told on: does it ask another one?")

    def _source(self) -> str:
        """With its output off it reads the source that is joined to it."""
        name = "measure" if self.definition.kind == "load" else "measure voltage"
        reading = self._instrument.perform(name, None, self._channel)
        known(self.definition, "voltage", reading, self._source_v or nan)
        return said(reading)

    def _shows_off(self) -> str:
        reading = self._state()
        if any(reading.get(one) for one in FLAG_GROUPS):
            raise MisfitError("it says on, or closed, after it was told off")
        return said(reading)

    # -- one exchange

    def _try(self, tried: str, place: Loc, act: Callable[[], str]) -> bool:
        """Carry one thing out and note it; whether it fits. Once answers come to what is not
        asked, none is known to answer its question, and nothing more is tried."""
        if self._is_out_of_step:
            return False
        began = len(self._wire.said)
        places, fits = [place], True
        try:
            words = act()
        except (InstrumentError, ValueError, KeyError) as error:
            words, fits = str(error), False
            if isinstance(error, InstrumentError) and error.exchange is not None:
                words = f"{error.detail}; expected {error.exchange.expected}"
                places.insert(0, error.exchange.at)
                self._is_out_of_step = error.exchange.at == ("link",) and not self._ends
            places += beside(error, words, is_unit=self.definition.link.unit is not None)
        passed = tuple(self._wire.said[began:])
        self.exchanges.append(Exchange(tried, fits, passed, words, tuple(places)))
        return fits

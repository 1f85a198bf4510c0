"""The questions of ``init --ask``: which instruments, where they answer, how they are wired.

Every answer is judged when it is given, by the rules that judge the document. Nothing is opened and
nothing is sent to an instrument.
"""

import json
import sys
from collections.abc import Callable, Iterator, Sequence
from typing import Final, NamedTuple

from sequencer.assembly.bench_draft import BenchDraft
from sequencer.assembly.ports import listed
from sequencer.commands.answer import Say
from sequencer.commands.init_questions import QUESTIONS
from sequencer.commands.init_questions import listed as listed_questions
from sequencer.documents.channels import is_by_channel
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.operations import DISABLE
from sequencer.vocabulary.faults import DocumentError, UsageError


class _Role(NamedTuple):
    """``needs``: an operation that not every definition of that kind has."""

    name: str
    kind: str
    comment: str
    needs: str = ""


_ROLES: Final = (
    _Role("supply", "supply", "charges the cell"),
    _Role("load", "load", "discharges the cell"),
    _Role("meter", "meter", "reads the cell's voltage"),
    _Role("ammeter", "meter", "reads the current", "measure current"),
    _Role("logger", "thermometer", "reads temperatures"),
    _Role("contactor", "contactor", "parts the cell"),
)
_REST: Final = ("instruments:", "wiring:")
"""What stands behind the name for now: the document is not judged for lacking it."""
_NONE: Final = "nothing"
_NOWHERE: Final = '    address: "tcp:192.0.2.0:1"'
"""Stands where an address will, until it is asked for (a network for documents, RFC 5737)."""
_POLES: Final = ("supply", "load", "meter")
"""Kinds whose negative terminal reaches the cell."""
_HERE: Final = (
    "# Written by 'nightbench init --ask'. Every key is explained in profiles/README.md, under",
    "# 'The bench document'. After a change: nightbench check PROFILE --cell CELL --bench FILE",
)
_WHERE: Final = {
    "surface": "on the cell's surface",
    "tab": "on a tab of the cell",
    "room": "in the room",
}
_UNPROTECTED: Final = (
    "then its definition must not say so: copy it ('definitions' in a folder that init made), write"
    " 'over-voltage protection: no' among its traits, leave out 'set over-voltage', name the copy"
)


def ask_bench(draft: BenchDraft, say: Say) -> bool:
    """Ask until the draft is a whole bench document; whether a person stays with every run.

    Raises:
        UsageError: nobody answers.
    """
    one = _Dialogue(draft, say)
    one.ask_all()
    draft.finish()
    return one.is_attended


class _Dialogue:
    def __init__(self, draft: BenchDraft, say: Say) -> None:
        self._draft, self._say = draft, say
        self._definitions: dict[str, InstrumentDefinition] = {}
        self.is_attended = False

    def ask_all(self) -> None:
        """In the order of the document."""
        self._say("what is asked, each answer judged at once:")
        for line in listed_questions():
            self._say(line)
        self._say("every answer ends with Enter; Ctrl-C ends it, and nothing is written")
        self._draft.lines += _HERE
        bench = QUESTIONS["bench"].words
        self._put(bench, lambda text: [f"bench: {_text(text)}"], "my desk", _REST)
        self._draft.lines += ["", "instruments:"]
        for role in _ROLES:
            self._ask_instrument(role)
        self._draft.lines += ["", "wiring:"]
        self._ask_wiring()
        self._ask_who()

    def _ask_who(self) -> None:
        """Who is there while it runs; some instruments leave no choice."""
        forced = [
            f"a person stays with every run: {name} {why}"
            for name, one in self._definitions.items()
            for why in _alone(one)
        ]
        while not (stays := self._yes(QUESTIONS["person"].words)) and forced:
            self._refuse(forced)
        self.is_attended = stays
        with_one = "a person stays beside every run: nightbench run ... --attended"
        alone = "runs are left alone once 'nightbench bench prove' has passed, if check allows it"
        self._draft.lines += ["", f"# Decided: {with_one if stays else alone}."]

    # -- instruments

    def _ask_instrument(self, role: _Role) -> None:
        while (reference := self._ask_definition(role)) is not None:
            if role.kind != "supply" or self._is_protected(role):
                break
            del self._definitions[role.name]
        if reference is None:
            return
        self._ask_channel(role, reference)
        self._ask_address()
        found = self._definitions[role.name]
        if role.kind in _POLES:
            self._optional("negative", "negative", "its terminal")
        if found.identity.tells_which_one:
            self._optional("serial number", "serial number", "only this one")

    def _optional(self, which: str, key: str, comment: str) -> None:
        """A key of the instrument that may be left out."""
        self._put(
            QUESTIONS[which].words,
            lambda text: [f"    {key}: {_text(text)} # {comment}"] if text else [],
            "",
        )

    def _ask_channel(self, role: _Role, reference: str) -> None:
        """Before the address: several may answer at one, each by its channel."""
        found = self._definitions[role.name]
        head = [
            f"  {role.name}: # {role.comment}",
            f"    definition: {reference} # how it is spoken to",
        ]
        if is_by_channel(found):
            self._put(
                QUESTIONS["channel"].words,
                lambda text: [*head, f"    channel: {_text(text)} # which of several"],
                rest=[_NOWHERE, *_REST[1:]],
            )
        elif found.link.unit is not None:
            said = f" (Enter: {found.link.unit}, as its definition says)"
            self._put(
                QUESTIONS["unit"].words + said,
                lambda text: [
                    *head,
                    *([f"    channel: {_text(text)} # its unit on its wires"] if text else []),
                ],
                "",
                [_NOWHERE, *_REST[1:]],
            )
        else:
            self._draft.lines += head

    def _ask_definition(self, role: _Role) -> str | None:
        names = self._draft.shipped(role.kind, role.needs)
        self._list([*names], "a file of your own, such as my-definition.yaml", _NONE)
        while True:
            given = self._chosen(self._answer(QUESTIONS[role.name].words, _NONE), names)
            if given == _NONE:
                if role.name == "load" and "supply" not in self._definitions:
                    self._say("  refused: neither a supply nor a load: nothing could be done here")
                    continue
                return None
            try:
                found = self._draft.definition(given, role.kind, role.needs)
            except (DocumentError, UsageError) as error:
                self._refuse(str(error).splitlines())
                continue
            self._definitions[role.name] = found
            return found.definition

    def _is_protected(self, role: _Role) -> bool:
        """What its definition says of its over-voltage protection is so."""
        if not self._definitions[role.name].traits.over_voltage_protection:
            return True
        if self._yes(QUESTIONS["protection"].words):
            return True
        self._refuse([_UNPROTECTED])
        return False

    def _ask_address(self) -> None:
        ports = [str(one["address"]) for one in listed()]
        self._list(
            ports, "or write it: tcp:192.0.2.10:5025, serial:/dev/serial/by-id/..., a VISA name"
        )

        def lines(text: str) -> list[str]:
            return [f"    address: {_text(self._chosen(text, ports))} # where it answers"]

        self._put(QUESTIONS["address"].words, lines)

    # -- wiring

    def _ask_wiring(self) -> None:
        has = self._definitions
        if "supply" in has:
            self._draft.lines.append("  charge: supply # what charges the cell")
        if "load" in has:
            self._draft.lines.append("  discharge: load # what discharges it")
        self._ask_voltage()
        leads = [self._ask_ammeter_lead() if "ammeter" in has else ""]
        if "contactor" in has:
            self._draft.lines.append("  contactor: contactor # what parts the cell")
            leads.append(
                self._put(
                    QUESTIONS["contactor lead"].words,
                    lambda text: [f"  contactor lead: {_text(text)} # where the contactor sits"],
                )
            )
        if "negative" in leads:
            self._ask_isolation()
        self._put(
            QUESTIONS["leads"].words,
            lambda text: [f"  lead resistance: {_text(text)} # both leads together, measured"],
        )
        if {"supply", "load"} <= set(has):
            words = QUESTIONS["shared"].words
            self._flag("shared leads", words, "one pair of leads to the cell for both")
        for name in ("supply", "load"):
            if name in has:
                words = QUESTIONS["sense"].words.format(name=name)
                sense = "four-wire" if self._yes(words) else "two-wire"
                self._draft.lines.append(f"  {name} sense: {sense} # where it senses the voltage")
        if "logger" in has:
            self._ask_sensors()

    def _ask_voltage(self) -> None:
        by = next(name for name in ("meter", "load", "supply") if name in self._definitions)
        sense = "four-wire" if self._yes(QUESTIONS["tabs"].words.format(by=by)) else "two-wire"
        line = f"  voltage: {{ by: {by}, sense: {sense} }} # who reads the cell's voltage"
        self._draft.lines.append(line)

    def _ask_ammeter_lead(self) -> str:
        """Or nothing, where grounds leave it no lead."""
        return self._put(
            QUESTIONS["ammeter lead"].words,
            lambda text: (
                []
                if text == _NONE
                else [f"  current: {{ by: ammeter, lead: {_text(text)} }} # an ammeter in series"]
            ),
            also=[("instruments", "ammeter", "negative")],
        )

    def _ask_isolation(self) -> None:
        """What sits in the negative lead is evidence only where nothing leads past it."""
        rest = ["    on: 2026-01-01", "    by: somebody"]
        given = self._put(
            QUESTIONS["isolation"].words,
            lambda text: (
                ["  isolation: # measured by hand", f"    resistance: {_text(text)} # the least"]
                if text
                else []
            ),
            "",
            rest,
        )
        if given:
            day, who = (QUESTIONS[f"isolation {key}"].words for key in ("on", "by"))
            self._put(day, lambda text: [f"    on: {_text(text)} # the day"], rest=rest[1:])
            self._put(who, lambda text: [f"    by: {_text(text)} # who measured"])

    def _ask_sensors(self) -> None:
        """Where each sensor sits: at least one, for what reads nothing is no thermometer."""
        found = self._definitions["logger"]
        by_channel = next(filter(None, map(found.asks_by_channel, found.operations)), None)
        start = len(self._draft.lines)
        self._draft.lines.append("  sensors: # one sensor a place")
        while True:
            for place in ("surface", "tab", "room"):
                self._ask_sensor(place, by_channel=bool(by_channel))
                if not by_channel and len(self._draft.lines) > start + 1:
                    break
            if len(self._draft.lines) > start + 1:
                return
            self._refuse(["a thermometer without a sensor: say where one sits"])

    def _ask_sensor(self, place: str, *, by_channel: bool) -> None:
        where = _WHERE[place]
        asked = QUESTIONS["sensor channel" if by_channel else "sensor"].words.format(where=where)

        def lines(channel: str, element: str = "") -> list[str]:
            parts = [f"place: {place}", "by: logger"]
            parts += [f"channel: {_text(channel)}"] if by_channel else []
            parts += [f"element: {element}"] if element else []
            return [f"    - {{ {', '.join(parts)} }} # {where}"]

        if "measure temperature" not in self._definitions["logger"].operations:
            words = QUESTIONS["element"].words.format(where=where) + " (Enter: none)"
            self._put(
                words,
                lambda text: lines(self._answer(asked) if by_channel else "", text) if text else [],
                "",
            )
        elif by_channel:
            self._put(asked, lambda text: lines(text) if text else [], "")
        elif self._yes(asked):
            self._draft.lines += lines("")

    def _flag(self, key: str, words: str, comment: str) -> None:
        self._draft.lines.append(f"  {key}: {'yes' if self._yes(words) else 'no'} # {comment}")

    # -- one question

    def _put(
        self,
        question: str,
        lines: Callable[[str], list[str]],
        default: str | None = None,
        rest: Sequence[str] = (),
        also: Sequence[tuple[str, ...]] = (),
    ) -> str:
        """Ask until the lines that the answer makes break no rule; that answer."""
        while True:
            given = self._answer(question, default)
            broken = self._draft.add(lines(given), rest, also)
            if not broken:
                return given
            self._refuse(broken)

    def _yes(self, question: str) -> bool:
        while (given := self._answer(f"{question} (yes or no)").lower()) not in ("yes", "no"):
            self._refuse([f"{given!r} is neither yes nor no"])
        return given == "yes"

    def _answer(self, question: str, default: str | None = None) -> str:
        while True:
            self._say(f"{question} [{default}]" if default else question)
            line = sys.stdin.readline()
            if not line:
                raise UsageError("nobody answers: nothing was written")
            given = line.strip()
            if given or default is not None:
                return given or str(default)
            self._refuse(["an answer is needed"])

    def _list(self, names: Sequence[str], *words: str) -> None:
        for number, name in enumerate(names, 1):
            self._say(f"  {number}  {name}")
        for one in words:
            self._say(f"     {one}")

    def _chosen(self, given: str, names: Sequence[str]) -> str:
        """A number of the list, or what was written."""
        is_listed = given.isdecimal() and 1 <= int(given) <= len(names)
        return names[int(given) - 1] if is_listed else given

    def _refuse(self, rules: Sequence[str]) -> None:
        for rule in rules:
            self._say(f"  refused: {rule}")


def _alone(one: InstrumentDefinition) -> Iterator[str]:
    """Why it is not left alone, whatever else stands on the bench."""
    if one.kind == "supply" and not one.traits.over_voltage_protection:
        yield "has no over-voltage protection"
    if one.kind in DISABLE and not one.identity.tells_which_one:
        yield "does not say which one it is"


def _text(given: str) -> str:
    return json.dumps(given, ensure_ascii=False)

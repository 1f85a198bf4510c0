"""A recorded run decided again: its inputs through the same interlocks and the same machine.

Owns the comparison, line for line, and where it has to stop because the record is not whole. Reads
no file and makes no plan. What the executive takes from outside the panel (a proof of off, an error
of an instrument, a bug of ours) is taken from the journal as it stands, never made up.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple, NoReturn

from sequencer.interlocks.before import reasons_to_refuse
from sequencer.interlocks.panel import Panel
from sequencer.machine import entries
from sequencer.machine.aftermath import Aftermath, AftermathLook
from sequencer.machine.entries import EXECUTIVE, PANEL, PASS_ENDED, Note
from sequencer.machine.machine import Machine
from sequencer.plan.plan import Plan
from sequencer.ports import StepMark
from sequencer.recording.journal import JournalEntry, plain
from sequencer.recording.reading import Row
from sequencer.vocabulary.intent import CONTINUE_REFUSED, State
from sequencer.vocabulary.measuring_channels import MeasuringChannels
from sequencer.vocabulary.sample import ELECTRICAL_DIGITS, TIME_STEP_NS, Sample
from sequencer.vocabulary.verdict import UNPROVEN, Ending, Level, Proof, Trip

ROW = "row"
"""The kind of a difference between a row's place in the plan and the machine's."""
DUE = "due"
"""The kind of a difference between when a sample was wanted and when the machine wants it."""
_TOLD = ("state", "step ended", PASS_ENDED, "command", "alarm", CONTINUE_REFUSED)
_KINDS = frozenset({*_TOLD, "trip", "proof", "left", "end"})
_BEFORE = Row(0, Sample(0), StepMark(0, 1, "", "rest", 0, 0.0, 0.0, 0.0, 0.0))


class Difference(NamedTuple):
    """One line that was decided otherwise. ``row`` is the sample's number (0: before the first),
    ``at_ns`` its bench time; a side that has no such line is None."""

    kind: str
    row: int
    at_ns: int
    recorded: Mapping[str, Any] | None
    replayed: Mapping[str, Any] | None


class Replayed(NamedTuple):
    """What came of it. ``lines`` is how many journal lines were decided again, ``rows`` how many
    samples were gone through, ``state`` where it ended; ``unfollowed`` says in words what could
    not be replayed because it is not there: no difference."""

    differences: tuple[Difference, ...]
    rows: int
    lines: int
    state: State
    unfollowed: tuple[str, ...]


def replay(
    rows: Sequence[Row],
    journal: Sequence[JournalEntry],
    plan: Plan,
    channels: MeasuringChannels,
    panel: Panel,
) -> Replayed:
    """Decide again what ``rows`` led to, and compare it with the journal. Never raises on damage.

    ``panel`` must be a fresh one: its rules remember.
    """
    return _Replay(rows, journal, Machine(plan, channels), panel).carry_out()


class _Cut(Exception):  # noqa: N818 - not an error: the record ends here
    """The record does not say what comes next."""


class _Replay:
    def __init__(
        self, rows: Sequence[Row], journal: Sequence[JournalEntry], machine: Machine, panel: Panel
    ) -> None:
        self._unfollowed: list[str] = []
        own = self._unbroken(journal)
        self._is_whole = any(one.kind == "end" for one in own)
        self._vouched = own[-1].rows + (own[-1].kind == "trip") if own else 0
        self._lines = deque(one for one in own if one.kind in _KINDS)
        self._rows = self._followed(rows)
        self._machine, self._panel = machine, panel
        self._row = _BEFORE
        self._refusals: Sequence[str] = ()
        self._differences: list[Difference] = []
        self._went, self._compared = 0, 0
        self._count = self._cycle = 0
        self._first_proof: Proof | None = None
        self._last_proof: Proof | None = None
        since = next((one.entry.get("since_ns") for one in own if one.kind == "left"), None)
        self._since_ns = since if isinstance(since, int) else None
        self._aftermath: Aftermath | None = None
        self._look = AftermathLook(False, "", "")
        self._told_step: tuple[Any, ...] = ()

    # -- what there is to follow

    def _unbroken(self, journal: Sequence[JournalEntry]) -> list[JournalEntry]:
        """The executive's own entries up to the first that is missing."""
        own: list[JournalEntry] = []
        for expected, one in enumerate(journal, 1):
            if one.kind == "rescue" or one.entry.get("by") == "watchdog":
                break
            if one.sequence != expected:
                self._unfollowed.append(
                    f"entries {expected} to {one.sequence - 1} of the journal are missing, and "
                    "with them what may have decided"
                )
                break
            own.append(one)
        return own

    def _followed(self, rows: Sequence[Row]) -> list[Row]:
        """Rows without a gap, as far as the journal can say what else there was."""
        count = 0
        while count < len(rows) and rows[count].number == count + 1:
            count += 1
        vouched = count if self._is_whole else min(count, self._vouched)
        if vouched < count:
            self._unfollowed.append(
                f"rows {vouched + 1} to {count} come after the journal's last unbroken entry"
            )
        if count < len(rows):
            self._unfollowed.append(f"rows {count + 1} to {rows[count].number - 1} are missing")
        return list(rows[:vouched])

    # -- the run

    def carry_out(self) -> Replayed:
        try:
            self._carry_out()
        except _Cut as cut:
            self._unfollowed.append(str(cut))
        return Replayed(
            tuple(self._differences),
            self._went,
            self._compared,
            self._machine.state,
            tuple(self._unfollowed),
        )

    def _carry_out(self) -> None:
        if self._lines and self._lines[0].kind == "proof":
            self._first_proof = _proof(self._lines.popleft())
        for row in self._rows:
            self._row = row
            is_first, self._went = self._went == 0, self._went + 1
            if not self._is_over() and self._outside_trip_is_due():
                self._take_outside_trip()
            if self._is_over():
                self._look_on()
            elif not (is_first and self._is_kept_from_beginning()):
                self._tick()
        self._end()

    def _is_over(self) -> bool:
        return self._machine.is_final or self._machine.state is State.MAKING_SAFE

    def _is_kept_from_beginning(self) -> bool:
        """Whether the first sample is refused, here or there."""
        limits, first = self._machine.plan.limits, self._line_after_proofs()
        proof = self._first_proof or UNPROVEN
        reasons = reasons_to_refuse(self._panel, limits, proof, self._row.sample)
        was_refused = first is not None and first.entry.get("ending") == State.REFUSED.value
        if reasons or was_refused:
            self._compare_mark()
        if reasons and first is not None and _is_from_outside(first):
            return True  # refused, but its row could not be written: that ended it
        if reasons:
            self._refusals, self._machine = reasons, self._machine.refused()
        if first is not None and was_refused is not bool(reasons):
            self._differ("refusal", first.entry, {"reasons": reasons})
            self._leave("whether the run may begin was decided otherwise")
        return bool(reasons)

    def _line_after_proofs(self) -> JournalEntry | None:
        return next((one for one in self._lines if one.kind != "proof"), None)

    def _tick(self) -> None:
        self._compare_due()
        sample, before = self._row.sample, self._machine
        verdict = self._panel.judge(sample, before.intent)
        self._machine, commands = before.advance(sample, verdict)
        recorded = self._trip_of_this_row()
        if recorded is not None or verdict.trip is not None:
            again = entries.of_trip(verdict.trip, PANEL) if verdict.trip is not None else None
            self._compare_trip(recorded, again)
            self._compare_mark()
            return
        self._compare_mark()
        again_lines = [*entries.of_changes(before, self._machine, sample.at_ns)]
        ordered = (one for one in commands if not one.is_trim)
        again_lines += [entries.of_command(one, sample.at_ns) for one in ordered]
        self._compare(again_lines)
        if self._machine.awaits_proof:
            self._finish()

    def _trip_of_this_row(self) -> JournalEntry | None:
        """The recorded trip of an interlock by this sample; it is written before its row."""
        first = self._lines[0] if self._lines else None
        if first is None or first.kind != "trip" or first.entry.get("by") != PANEL:
            return None
        return self._lines.popleft() if first.rows < self._row.number else None

    def _compare_trip(self, recorded: JournalEntry | None, again: Note | None) -> None:
        self._compare_line(recorded, again)
        if recorded is None or again is None:
            self._leave("one tripped and the other did not")

    def _compare(self, again: Sequence[Note]) -> None:
        """The lines of one sample. Where the record or the run broke off, the rest is not there."""
        here: list[JournalEntry] = []
        while self._lines and self._is_of_this_row(self._lines[0]):
            here.append(self._lines.popleft())
        is_last = not self._is_whole and self._row.number >= self._vouched
        broke_off = self._outside_trip_is_next() or (is_last and not self._lines)
        if broke_off and len(here) < len(again):
            again = again[: len(here)]
        for number in range(max(len(here), len(again))):
            one = here[number] if number < len(here) else None
            other = again[number] if number < len(again) else None
            self._compare_line(one, other)

    def _is_of_this_row(self, line: JournalEntry) -> bool:
        return line.kind in _TOLD and line.rows <= self._row.number

    def _finish(self) -> None:
        """Off was seen at the end of the plan: the proof is what it was."""
        if self._outside_trip_is_next():
            return
        if not self._lines:
            self._leave("the journal ends before the proof of off at the end")
        if self._lines[0].kind != "proof":
            self._leave("the plan came to its end here and not there")
        proof = _proof(self._lines.popleft())
        if not proof.contradicted and not self._outside_trip_is_next():
            self._machine = self._machine.concluded(proof)

    # -- what came from outside

    def _outside_trip_is_next(self) -> bool:
        return bool(self._lines) and _is_from_outside(self._lines[0])

    def _outside_trip_is_due(self) -> bool:
        return self._outside_trip_is_next() and self._lines[0].rows < self._row.number

    def _take_outside_trip(self) -> None:
        self._machine = self._machine.tripped(_trip(self._lines.popleft()))

    def _take_proofs(self) -> None:
        while self._lines and self._lines[0].kind == "proof":
            self._last_proof = _proof(self._lines.popleft())

    def _look_on(self) -> None:
        """Outputs are off: looking goes on until the cell is cool, and warming is an alarm. Looking
        that was broken off has no line that says how the cell was left, nor since when it went on.
        """
        self._compare_mark()
        self._take_proofs()
        if self._look.over and self._since_ns is not None:
            self._differ("left", None, {"words": self._look.words})
            self._leave("looking on went on there and not here")
        if self._aftermath is None:
            since_ns = self._row.sample.at_ns if self._since_ns is None else self._since_ns
            self._aftermath = Aftermath(self._machine.ending, since_ns)
        self._look = look = self._aftermath.look(self._row.sample)
        if not (self._lines and self._lines[0].kind == "end"):  # what broke off told nothing more
            at_ns = self._row.sample.at_ns
            self._compare([entries.of_alarm(look.alarm, at_ns)] if look.is_news else [])

    def _compare_left(self, left: JournalEntry) -> None:
        """How the cell was left; a person may end the looking on earlier."""
        if left.rows > self._went:
            return
        is_over = self._look.over or self._row.sample.host.request == "abort"
        at_ns = left.entry.get("at_ns", 0)
        again = entries.of_aftermath(self._look.words, self._since_ns or 0, at_ns)
        self._compare_line(left, again if is_over else None)

    def _end(self) -> None:
        """After the last sample: what made the run safe, how well, and which ending follows."""
        if not self._is_over() and self._outside_trip_is_next():
            self._take_outside_trip()
        self._take_proofs()
        if self._lines and self._lines[0].kind == "left":
            self._compare_left(self._lines.popleft())
        if not self._lines:
            self._leave("the journal ends before the run does")
        line = self._lines.popleft()
        is_missing = not self._is_over() and line.rows > self._went
        if line.kind != "end" or is_missing:
            self._leave(f"the samples end before what led to entry {line.sequence} ({line.kind})")
        self._compare_line(line, self._conclusion(line, self._last_proof))

    def _conclusion(self, end: JournalEntry, proof: Proof | None) -> Note | None:
        """The end that follows from where the machine is; None when the run would go on."""
        if self._machine.state is State.MAKING_SAFE:
            self._machine = self._machine.concluded(proof or UNPROVEN)
        elif not self._went and end.entry.get("ending") == State.REFUSED.value:
            # Refused before there was a sample: by the instruments, not by a decision.
            self._machine = self._machine.refused()
            self._refusals = (str(end.entry.get("reason")),)
            proof = proof or self._first_proof
        elif not self._machine.is_final:
            return None
        return entries.of_end(self._machine, end.entry.get("at_ns", 0), self._refusals, proof)

    def _leave(self, why: str) -> NoReturn:
        raise _Cut(why)

    # -- comparing

    def _compare_line(self, recorded: JournalEntry | None, again: Note | None) -> None:
        self._compared += 1
        there = recorded.entry if recorded is not None else None
        here = plain(again.entry) if again is not None else None
        kinds = sorted({one.kind for one in (recorded, again) if one is not None})
        if there != here or len(kinds) > 1:
            self._differ(" or ".join(kinds), there, here)

    def _compare_due(self) -> None:
        """When the sample was wanted: its time less its lateness, both in whole microseconds."""
        sample, due_ns = self._row.sample, self._machine.due_ns
        wanted_ns = sample.at_ns - sample.late_ns
        if due_ns and not 0 <= wanted_ns - due_ns < TIME_STEP_NS:
            self._differ(DUE, {"due_ns": wanted_ns}, {"due_ns": due_ns})

    def _compare_mark(self) -> None:
        """Where in the plan the row says that it belongs; told once a step."""
        mark, at_ns = entries.mark_of(self._machine), self._row.sample.at_ns
        self._count, self._cycle = max(self._count, mark.count), max(self._cycle, mark.cycle)
        again = _as_recorded(mark, at_ns, self._count, self._cycle)
        if again != self._row.mark and self._told_step != again[:4]:
            self._told_step = again[:4]
            self._differ(ROW, self._row.mark._asdict(), again._asdict())

    def _differ(
        self, kind: str, recorded: Mapping[str, Any] | None, again: Mapping[str, Any] | None
    ) -> None:
        row = self._row
        self._differences.append(Difference(kind, row.number, row.sample.at_ns, recorded, again))


def _as_recorded(mark: StepMark, at_ns: int, count: int, cycle: int) -> StepMark:
    """A mark after its way through a row: counts that never go back, nine decimals, whole
    microseconds."""
    name = mark.name if mark.name.isprintable() else " ".join(mark.name.splitlines())
    began_ns = at_ns - (at_ns - mark.began_ns) // TIME_STEP_NS * TIME_STEP_NS
    totals = [round(total, 9) for total in mark[5:9]]
    set_a = round(mark.set_a, ELECTRICAL_DIGITS)
    return StepMark._make((count, cycle, name, mark.kind, began_ns, *totals, set_a))


def _is_from_outside(line: JournalEntry) -> bool:
    return line.kind == "trip" and line.entry.get("by") == EXECUTIVE


def _trip(line: JournalEntry) -> Trip:
    found = line.entry
    try:
        return Trip(found["interlock"], found["reason"], found["at_ns"], Ending(found["ending"]))
    except (KeyError, ValueError) as error:
        raise _Cut(f"entry {line.sequence} of the journal is no trip: {error!r}") from error


_BOUNDS = ("honest_a", "lying_a")


def _proof(line: JournalEntry) -> Proof:
    found = line.entry
    try:
        told = [found.get(name) for name in _BOUNDS]
        bounds = [float("inf") if amps is None else amps for amps in told]
        level, evidence = Level(found["level"]), tuple(found["evidence"])
        return Proof(level, evidence, bounds[0], bounds[1], found["contradicted"])
    except (KeyError, ValueError, TypeError) as error:
        raise _Cut(f"entry {line.sequence} of the journal is no proof: {error!r}") from error

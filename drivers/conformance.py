"""The kit every instrument driver must pass; free of any test tool, so that third parties run it.

``findings(case)`` gives the rules that a driver breaks, in words; none is what it takes.
"""

import math
import re
from collections.abc import Callable
from functools import partial

from drivers.dialects.base import Reading
from drivers.mirrored import matcher
from drivers.test_rig import Case, FindingError, Rig, demand, expect
from drivers.transports.base import LINE_ENDS
from drivers.wrong_answers import unlike, wrong_answers
from sequencer.documents.operations import OPERATIONS
from sequencer.vocabulary.checksum import digits_of
from sequencer.vocabulary.faults import FaultKind, InstrumentError

NO_VALUE: tuple[str, ...] = (
    "9.91E37",
    "+9.91000E+37",
    "9.9E37",
    "-9.9E+37",
    "9.900000e+37",
    "991E35",
)
"""Not-a-number and infinity, as SCPI-1999 gives their values, in several spellings."""

_MISFIT = {FaultKind.POISONED, FaultKind.NO_REPLY}
_STRANGER = {FaultKind.IDENTITY_CHANGED, FaultKind.POISONED}
"""An answer without the form of an identity may be noise on the line; it is believed no more."""
_FLOAT32 = 1e-7
"""To how much of it a value survives four bytes."""
_LAST_DIGIT = re.compile(r"[0-9](?=[^0-9]*$)", re.ASCII)


def findings(case: Case) -> list[str]:
    """Every rule that the driver breaks; empty when it conforms.

    Raises:
        ValueError: a question of the definition has no answer that could be made up.
    """
    whole = case.complete()
    found = []
    for check in CHECKS:
        try:
            check(whole)
        except (FindingError, InstrumentError, LookupError, ValueError, TypeError) as error:
            rule = check.__name__.removeprefix("check_").replace("_", " ")
            found.append(f"{rule}: {error}")
    return found


def check_identity_is_asked_before_anything_else(case: Case) -> None:
    """The first use of a session asks who is there."""
    for operation, value in _uses(case):
        rig = Rig(case)
        _perform(rig, operation, value)
        demand(
            rig.far_end.heard[:1] == rig.asked_first,
            f"{operation} sent {rig.far_end.heard[:1]}",
        )


def check_a_stranger_is_told_nothing_but_off(case: Case) -> None:
    """An identity that does not fit stops everything except off."""
    for operation, value in _uses(case):
        rig = _before_a_stranger(case)
        expect(partial(_perform, rig, operation, value), _STRANGER)
        told = set(rig.far_end.heard) - set(rig.asked_first)
        demand(not told, f"it was told {rig.far_end.heard}")
    rig = _before_a_stranger(case)
    rig.driver.off()
    demand(_was_told_off(rig), f"off sent {rig.far_end.heard}")


def check_another_instrument_is_noticed(case: Case) -> None:
    """Who answers in a new session must be who answered in the first one, where that is told."""
    rule = case.definition.identity
    if not rule.tells_which_one:
        return
    rig = Rig(case).ready()
    known = rig.far_end.asked(rig.identity)
    match = re.fullmatch(rule.pattern, known, re.ASCII)
    demand(match is not None, f"{known} is not its identity")
    assert match is not None  # demanded
    start, end = match.span("serial")
    serial = _LAST_DIGIT.sub(lambda one: str((int(one[0]) + 1) % 10), known[start:end])
    other = known[:start] + serial + known[end:]
    rig.far_end.overrides[rig.identity] = rig.far_end.said(rig.identity, other)
    rig.driver.close()
    operation, value = _uses(case)[0]
    expect(lambda: _perform(rig, operation, value), {FaultKind.IDENTITY_CHANGED})


def check_off_comes_first_twice_and_asks_nobody(case: Case) -> None:
    """A bare line end, then the safe commands, twice; on a closed and on an open session."""
    for rig in (Rig(case), Rig(case).ready()):
        rig.driver.off()
        demand(_was_told_off(rig), f"off sent {rig.far_end.heard}")


def check_off_opens_a_new_session_when_the_old_one_is_dead(case: Case) -> None:
    """A link that was dropped unseen does not keep off from its instrument."""
    if not case.definition.session.safe:
        return
    rig = Rig(case).ready()
    rig.wire.faults.append(ConnectionError("broken pipe"))
    before = rig.wire.sessions
    rig.driver.off()
    demand(rig.wire.sessions == before + 1, "no new session was opened")
    demand(_was_told_off(rig), f"off sent {rig.far_end.heard}")


def check_answers_are_understood(case: Case) -> None:
    """Every question gives the values of its example."""
    for operation, example in case.examples.items():
        reading = Rig(case).ready().ask(operation)
        same = reading.keys() == example.reading.keys() and all(
            math.isclose(reading[key], value, rel_tol=_FLOAT32, abs_tol=1e-12)
            for key, value in example.reading.items()
        )
        demand(same, f"{operation}: {example.answer!r} was read as {reading}")


def check_an_answer_that_does_not_fit_poisons_the_session(case: Case) -> None:
    """Garbage, echo, NUL, two lines, half a line, silence: refused, and never asked again there."""
    for operation in case.examples:
        rig = Rig(case)
        for question in rig.questions(operation):
            for wrong in wrong_answers(rig, question):
                _check_poisoned_by(case, operation, question, wrong)


def check_late_answers_never_answer_the_next_question(case: Case) -> None:
    """Bytes that nobody asked for poison the session instead of being taken for an answer."""
    for operation, example in case.examples.items():
        if case.definition.operations[operation].streamed:
            continue
        rig = Rig(case).ready()
        rig.wire.push(b"".join(rig.replies(operation, example.answer).values()))
        expect(partial(rig.ask, operation), _MISFIT, "taken for an answer")
        before = rig.wire.sessions
        rig.ask(operation)
        demand(rig.wire.sessions > before, "the session was used again")


def check_no_value_is_never_a_number(case: Case) -> None:
    """Not-a-number and infinity as SCPI-1999 spells them are invalid, and so is every marker."""
    values = case.definition.values
    spelt = () if values.numbers == "fixed" else NO_VALUE
    for operation, example in case.examples.items():
        for key, value in example.reading.items():
            if isinstance(value, bool):
                continue
            for text in (*spelt, *values.invalid, *values.disconnected):
                answer = _with(case, operation, key, text)
                if answer is not None:
                    _check_invalid(case, operation, answer)


def check_settings_are_read_back(case: Case) -> None:
    """Every setting is sent once and asked back; what differs is told."""
    for operation, value in _settings(case):
        one = case.definition.operations[operation]
        rig = Rig(case).ready()
        rig.set(operation, value)
        demand(_sent_once(rig, operation), f"{operation} sent {rig.far_end.heard}")
        if one.read_back is None:
            continue
        question = rig.text(one.read_back.query)
        demand(question in rig.far_end.heard, f"{operation} was not read back")
        _check_difference_is_told(case, operation, value, question)


def check_a_setting_is_never_repeated(case: Case) -> None:
    """When its read-back is not answered, the setting has still been sent once only."""
    for operation, value in _settings(case):
        one = case.definition.operations[operation]
        if one.read_back is None:
            continue
        rig = Rig(case).ready()
        rig.far_end.overrides[rig.text(one.read_back.query)] = b""
        expect(partial(rig.set, operation, value), _MISFIT)
        demand(_sent_once(rig, operation), f"{operation} sent {rig.far_end.heard}")


def check_impossible_values_are_not_sent(case: Case) -> None:
    """NaN, infinities and values beyond the range are refused, and nothing goes out."""
    for operation, value in _settings(case):
        if value is None:
            continue
        impossible = [math.nan, math.inf, -math.inf]
        capability = case.definition.capabilities.get(operation)
        if capability is not None:
            span = capability.high - capability.low
            impossible += [capability.high + span, capability.low - span]
        for wrong in impossible:
            rig = Rig(case).ready()
            try:
                rig.set(operation, wrong)
            except (ValueError, InstrumentError):
                demand(not rig.far_end.heard, f"{operation} {wrong} sent {rig.far_end.heard}")
            else:
                raise FindingError(f"{operation} {wrong} was not refused")


def check_the_error_queue_is_drained_within_its_bound(case: Case) -> None:
    """An instrument that never runs out of errors is asked a bounded number of times."""
    rule = case.definition.errors
    if rule is None:
        return
    rig = Rig(case).ready()
    rig.far_end.mirror.complain("-113", "Undefined header")
    entry = rig.far_end.mirror.respond(rule.query) or ""
    rig.far_end.overrides[rule.query] = rig.far_end.said(rule.query, entry)
    rig.driver.errors()
    asked = rig.far_end.heard.count(rule.query)
    demand(asked == rule.drain_at_most, f"it was asked {asked} times")


def check_a_lost_link_is_told_and_left_behind(case: Case) -> None:
    """A broken wire is LINK_LOST, closing it is quiet, and the next use opens a new session."""
    for operation in case.examples:
        if case.definition.operations[operation].streamed:
            continue
        rig = Rig(case).ready()
        rig.wire.faults.append(OSError("no such device"))
        expect(partial(rig.ask, operation), {FaultKind.LINK_LOST})
        rig.far_end.heard.clear()
        rig.ask(operation)
        demand(rig.far_end.heard[:1] == rig.asked_first, "identity was not asked again")
        rig.driver.close()
        rig.driver.close()


CHECKS: tuple[Callable[[Case], None], ...] = (
    check_identity_is_asked_before_anything_else,
    check_a_stranger_is_told_nothing_but_off,
    check_another_instrument_is_noticed,
    check_off_comes_first_twice_and_asks_nobody,
    check_off_opens_a_new_session_when_the_old_one_is_dead,
    check_answers_are_understood,
    check_an_answer_that_does_not_fit_poisons_the_session,
    check_late_answers_never_answer_the_next_question,
    check_no_value_is_never_a_number,
    check_settings_are_read_back,
    check_a_setting_is_never_repeated,
    check_impossible_values_are_not_sent,
    check_the_error_queue_is_drained_within_its_bound,
    check_a_lost_link_is_told_and_left_behind,
)


def _before_a_stranger(case: Case) -> Rig:
    """A rig at whose far end somebody else answers."""
    rig = Rig(case)
    pattern = case.definition.identity.pattern
    rig.far_end.overrides[rig.identity] = unlike(rig, rig.identity, pattern)
    return rig


def _check_poisoned_by(case: Case, operation: str, question: str, wrong: bytes) -> None:
    rig = Rig(case).ready()
    rig.far_end.overrides[question] = wrong
    expect(lambda: rig.ask(operation), _MISFIT, f"{operation} took {wrong[:40]!r}")
    before = rig.wire.sessions
    rig.far_end.overrides.clear()
    rig.far_end.heard.clear()
    rig.ask(operation)
    renewed = rig.wire.sessions > before and rig.far_end.heard[:1] == rig.asked_first
    demand(renewed, f"the session was used again after {wrong[:40]!r}")


def _check_invalid(case: Case, operation: str, answer: str) -> None:
    rig = Rig(case).ready()
    rig.override(operation, answer)
    expect(lambda: rig.ask(operation), {FaultKind.INVALID_READING}, f"{answer!r} was taken")


def _check_difference_is_told(
    case: Case, operation: str, value: float | None, question: str
) -> None:
    rig = Rig(case).ready()
    if value is None and OPERATIONS[operation].expect is None:
        back = case.definition.operations[operation].read_back
        rig.far_end.overrides[question] = unlike(rig, question, back.pattern if back else "")
    behind, one = rig.far_end.behind, case.definition.operations[operation]
    behind.lies, behind.is_on = True, one.only_while_off  # it says that it is off
    kinds = {FaultKind.SETTING_DIFFERS, FaultKind.OUTPUT_DIFFERS}
    expect(lambda: rig.set(operation, value), kinds, f"{operation} took another state")
    demand(_sent_once(rig, operation), f"{operation} was sent again")


def _perform(rig: Rig, operation: str, value: float | None) -> Reading:
    asks = rig.definition.operations[operation].send is None
    return rig.ask(operation) if asks else rig.set(operation, value)


def _settings(case: Case) -> list[tuple[str, float | None]]:
    found: list[tuple[str, float | None]] = []
    for name, one in case.definition.operations.items():
        if one.send is not None:
            found.append((name, None if OPERATIONS[name].value is None else _possible(case, name)))
    return found


def _possible(case: Case, name: str) -> float:
    """A value of its range."""
    able = case.definition.capabilities.get(name)
    return 1.0 if able is None else min(max(able.low, 1.0), able.high)


def _uses(case: Case) -> list[tuple[str, float | None]]:
    return [*_settings(case), *((name, None) for name in case.examples)]


def _sent_once(rig: Rig, operation: str) -> bool:
    send = matcher(rig.text(rig.definition.operations[operation].send or ""))
    asked = {one.read_back.query for one in rig.definition.operations.values() if one.read_back}
    sent = [line for line in rig.far_end.heard if line not in asked]
    return len(sent) == 1 and send.fullmatch(sent[0]) is not None


def _was_told_off(rig: Rig) -> bool:
    safe = list(rig.definition.session.safe)
    is_bare_sent = LINE_ENDS[rig.definition.link.line_end] and not rig.definition.link.speaks_modbus
    bare = [""] if is_bare_sent else []
    return rig.far_end.heard == ([*bare, *safe, *safe] if safe else [])


def _with(case: Case, operation: str, key: str, text: str) -> str | None:
    """The example with that text in place of a number, if the definition reads it there."""
    one = case.definition.operations[operation]
    pattern, answer = re.compile(one.pattern or "", re.ASCII), case.examples[operation].answer
    match = pattern.fullmatch(answer)
    if match is None:
        return None
    group = key if key in pattern.groupindex else f"{key}_{case.channel}"
    start, end = match.span(group)
    changed = pattern.fullmatch(answer[:start] + text + answer[end:])
    if changed is None or changed[group] != text or not _can_come(case, operation, changed[0]):
        return None
    if one.checksum is None:
        return changed[0]
    at, to = changed.span("checksum")
    return changed[0][:at] + digits_of(one.checksum, changed["checked"]) + changed[0][to:]


def _can_come(case: Case, operation: str, answer: str) -> bool:
    """Whether it can stand in the registers that are asked."""
    try:
        Rig(case).replies(operation, answer)
    except ValueError:
        return False
    return True

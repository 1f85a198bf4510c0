"""A lost session of what drives nothing is opened anew; attacks on what that might let through."""

import pytest

from drivers.instruments.bench import WiredBench
from drivers.instruments.lane import SESSIONS_TO_LOSE
from sequencer.clocks import VirtualClock
from sequencer.interlocks.panel import make_panel
from sequencer.ports import ProtectionBounds
from sequencer.vocabulary.commands import RESTING, Command
from sequencer.vocabulary.faults import FaultKind, InstrumentError
from sequencer.vocabulary.intent import Intent, State
from tests.builders import CHANNELS, LIMITS
from tests.drivers.instruments.scripted import DEFINITIONS
from tests.drivers.instruments.standing import CHARGE, DISCHARGE, REST, SECOND_NS, kinds

CONNECTED = Command(RESTING, connected=True)
REOPENED = FaultKind.REOPENED


def garbled(line, text):
    """A garble of one reply to that question."""
    left = [text]
    return lambda asked, said: left.pop() if asked == line and left else said


@pytest.mark.parametrize("name", ["dmm", "logger", "eload"])
def test_a_lost_session_of_what_drives_nothing_is_replaced(rig, scripted, name):
    """Told, opened anew, told; never at fault for it, and its readings are young again."""
    rig.ready(CHARGE).ticks(3)
    scripted[name].drop()
    samples = rig.ticks(4)
    told = [kinds(one) for one in samples]
    found = [(kind, culprit) for sample in told for kind, culprit, _ in sample]
    assert found == [(FaultKind.AWAITED, name), (REOPENED, name)]
    last = samples[-1]
    ages_s = [
        (last.at_ns - read_ns) / SECOND_NS
        for read_ns in (last.voltage_at_ns, last.surface_at_ns, last.load_at_ns)
    ]
    assert max(ages_s) <= 2.0
    assert scripted.circuit.supply_on


def test_a_meter_that_boots_for_two_seconds_ends_nothing(rig, scripted):
    """Identity and the opening words of its definition come first in the new session."""
    rig.ready(CHARGE).ticks(2)
    scripted["dmm"].lines.clear()
    scripted["dmm"].garble = lambda line, said: "" if line == "*IDN?" else said
    scripted["dmm"].drop()
    samples = rig.ticks(2)
    scripted["dmm"].garble = lambda line, said: said
    samples += rig.ticks(2)
    assert [kinds(one)[0][0] for one in samples[:3]] == [
        FaultKind.AWAITED,
        FaultKind.AWAITED,
        REOPENED,
    ]
    opening = DEFINITIONS["dmm"].session.on_open
    lines = scripted["dmm"].lines
    opened = lines.index(opening[0])
    assert lines[opened - 1] == "*IDN?"
    assert tuple(lines[opened : opened + len(opening)]) == tuple(opening)


@pytest.mark.parametrize("command", [CHARGE, DISCHARGE])
def test_a_driving_instrument_that_loses_its_session_ends_the_night(rig, scripted, command):
    """At once, as before; it is told nothing in the new session but its own questions."""
    name = "psu" if command is CHARGE else "eload"
    rig.ready(command).ticks(2)
    scripted[name].drop()
    assert (FaultKind.LINK_LOST, name) in [one[:2] for one in kinds(rig.tick())]
    assert rig.bench.make_safe().is_off
    assert (scripted.circuit.supply_on, scripted.circuit.load_on) == (False, False)


def test_the_contactor_that_holds_the_cell_counts_as_driving(rig, scripted):
    """Its lost session is no matter of age, and its contact is not moved by a new one."""
    rig.ready(CHARGE).ticks(2)
    scripted["breaker"].drop()
    found = [one for sample in rig.ticks(3) for one in kinds(sample)]
    assert (FaultKind.LINK_LOST, "breaker", "contactor_closed") in found
    assert "OPEN" not in scripted["breaker"].lines
    assert scripted.circuit.closed


# -- attacks


def test_an_idle_output_that_came_on_meanwhile_goes_off_before_anything_is_asked(rig, scripted):
    """A load that somebody switched on while its link was gone: off, then who it is."""
    rig.ready(CONNECTED).ticks(3)
    scripted.circuit.load_on, scripted.circuit.load_set = True, 2.0
    scripted["eload"].lines.clear()
    scripted["eload"].drop()
    rig.ticks(4)
    lines = scripted["eload"].lines
    assert lines[: lines.index("*IDN?") + 1][-4:] == ["", "INP OFF", "INP OFF", "*IDN?"]
    assert not scripted.circuit.load_on


def test_a_driving_output_is_never_switched_by_a_new_session(rig, scripted):
    """One reply that does not fit is borne, as before: settings compared, none sent."""
    rig.ready(CHARGE).ticks(2)
    scripted["psu"].garble = garbled("MEAS:VOLT?;:MEAS:CURR?;:OUTP?", "half")
    samples = rig.ticks(3)
    assert [kinds(one) for one in samples] == [
        [(FaultKind.POISONED, "psu", "supply_a")],
        [(REOPENED, "psu", "")],
        [],
    ]
    assert [one for one in scripted["psu"].lines if "?" not in one] == ["*CLS"]
    assert scripted.circuit.supply_on


def test_a_setting_that_an_idle_instrument_lost_is_told_and_not_sent_again(rig, scripted):
    """It rebooted: the load's own undervoltage cut-out is gone. Nothing repeats it blindly."""
    rig.ready().bench.protect(ProtectionBounds(4.25, 2.0, 2.5, 5.0))
    rig.bench.apply(CHARGE)
    rig.ticks(2)
    scripted.circuit.undervoltage = 0.0
    scripted["eload"].drop()
    found = [kind for sample in rig.ticks(4) for kind, *_ in kinds(sample)]
    assert FaultKind.SETTING_DIFFERS in found
    assert scripted.circuit.undervoltage == 0.0


def test_a_reading_from_before_is_never_new(rig, scripted):
    """While the session is gone, value and time stay; afterwards both are the new session's."""
    before = rig.ready(CHARGE).ticks(2)[-1]
    scripted["dmm"].garble = lambda line, said: "" if line == "*IDN?" else "+9.9990E+00"
    scripted["dmm"].drop()
    for sample in rig.ticks(2):
        assert (sample.voltage_v, sample.voltage_at_ns) == (before.voltage_v, before.voltage_at_ns)
    scripted["dmm"].garble = lambda line, said: said
    after = rig.tick()
    assert after.voltage_at_ns == after.at_ns
    assert after.voltage_v == 3.75


def test_a_late_answer_of_the_old_session_is_no_answer_in_the_new_one(hasty, scripted):
    """Replies one late: the identity that comes first in each session shows it; no value of it is
    taken, and the reading grows old until it trips."""
    standing = hasty().ready(CHARGE)
    before = standing.tick()
    scripted["dmm"].hold = True
    scripted.servers["dmm"].garble = lambda line, said: said.replace("3.7", "3.1")
    samples = standing.ticks(5)
    assert {(one.voltage_v, one.voltage_at_ns) for one in samples} == {
        (before.voltage_v, before.voltage_at_ns)
    }
    panel = make_panel(LIMITS, CHANNELS)
    intent = Intent(State.CHARGING, CHARGE.drive, standing.clock.now_ns(), connected=True)
    reasons = [rule.judge(samples[-1], intent) for rule in panel.rules if rule.id == "reading old"]
    assert reasons == ["voltage reading is 5.0 s old"]


def test_sessions_are_counted_and_capped(rig, scripted):
    """Three in one run; the fourth loss is LINK_LOST, whoever it is."""
    rig.ready(CHARGE).ticks(1)
    opened = scripted["logger"].opened
    told = []
    for _ in range(SESSIONS_TO_LOSE + 1):
        scripted["logger"].drop()
        told += [fault for sample in rig.ticks(3) for fault in sample.faults]
    reopened = [one.detail for one in told if one.kind is REOPENED]
    assert reopened == [f"{n} of the 3 that may be lost in one run" for n in (1, 2, 3)]
    assert told[-1].kind is FaultKind.LINK_LOST
    assert told[-1].detail == "3 sessions were lost, no more are opened"
    assert scripted["logger"].opened == opened + SESSIONS_TO_LOSE


def test_a_look_at_who_is_there_loses_no_session(rig, scripted):
    """A person who goes on after each of many pauses makes new sessions, and none of the three
    that may be lost is spent, or told as lost."""
    rig.ready(CHARGE).ticks(2)
    rig.bench.apply(REST)
    rig.ticks(2)
    for _ in range(6):
        assert len(rig.bench.identify()) == len(DEFINITIONS)
        assert [fault for sample in rig.ticks(3) for fault in kinds(sample)] == []
    scripted["dmm"].drop()
    (found,) = (
        fault for sample in rig.ticks(4) for fault in sample.faults if fault.kind is REOPENED
    )
    assert found.detail == "1 of the 3 that may be lost in one run"


def test_a_link_that_is_gone_for_good_is_given_up(rig, scripted):
    """A dead logger: AWAITED while its age may still be borne, then LINK_LOST."""
    rig.ready(CONNECTED).ticks(1)
    scripted["logger"].die()
    found = [kinds(one)[0][0] for one in rig.ticks(14)]
    assert found[:10] == [FaultKind.AWAITED] * 10
    assert found[-1] is FaultKind.LINK_LOST


def test_a_lost_idle_session_is_found_at_the_off_command(rig, scripted):
    """Turning round: the load lost its session a moment ago. It is opened anew, off first, and
    only then does the supply go on."""
    rig.ready(CONNECTED).ticks(2)
    scripted["eload"].drop()
    scripted["eload"].lines.clear()
    rig.bench.apply(CHARGE)
    assert scripted["eload"].lines[:4] == ["", "INP OFF", "INP OFF", "*IDN?"]
    assert scripted.circuit.supply_on


def test_an_idle_output_that_cannot_be_asked_keeps_the_other_off(rig, scripted):
    """Break before make: who is not proven off lets nobody drive."""
    rig.ready(CONNECTED).ticks(2)
    scripted["eload"].die()
    with pytest.raises(InstrumentError, match="eload"):
        rig.bench.apply(CHARGE)
    assert not scripted.circuit.supply_on


def test_a_question_that_the_link_lets_ask_again_meets_a_new_session_like_any_other(scripted):
    """Of an idle load that came on meanwhile: off first, then who it is, then the question."""
    link = DEFINITIONS["eload"].link.model_copy(update={"read_retries": 1})
    definition = DEFINITIONS["eload"].model_copy(update={"link": link})
    clock = VirtualClock(SECOND_NS)
    bench = WiredBench(scripted.document(), {**DEFINITIONS, "eload": definition}, clock)
    bench.identify()
    bench.apply(CONNECTED)
    scripted.circuit.load_on = True
    measure = "MEAS:VOLT?;:MEAS:CURR?;:INP?"
    scripted["eload"].garble = garbled(measure, "half")
    scripted["eload"].lines.clear()
    clock.wait_until(2 * SECOND_NS)
    bench.read(2 * SECOND_NS, 0, SECOND_NS)
    bench.close()
    lines = [one for one in scripted["eload"].lines if one]
    assert lines[:4] == [measure, "INP OFF", "INP OFF", "*IDN?"]
    assert measure in lines[4:]
    assert not scripted.circuit.load_on


# -- who is there


@pytest.mark.parametrize("noise", ["Loopb", "\x00\x7f", "Loopback,Meter,M1,1.9"])
@pytest.mark.parametrize(("name", "asked"), [("dmm", "*IDN?"), ("psu", "*IDN?"), ("logger", "ID?")])
def test_a_garbled_identity_is_asked_again_in_a_new_session(rig, scripted, name, asked, noise):
    """Once is noise, of whatever form; the night goes on, whoever it is."""
    rig.ready(CHARGE).ticks(2)
    opened = scripted[name].opened
    scripted[name].garble = garbled(asked, noise)
    samples = rig.ticks(35)
    found = [fault for sample in samples for fault in sample.faults if fault.culprit == name]
    # A computer that is busy with other tests may be late by half a second of real time.
    faults = [one for one in found if FaultKind.BUSY.value not in (one.kind.value, one.detail[:14])]
    wanted = FaultKind.POISONED if name == "psu" else FaultKind.AWAITED
    assert [one.kind for one in faults] == [wanted, REOPENED], faults
    assert scripted[name].opened == opened + 1
    panel = make_panel(LIMITS, CHANNELS)
    for rule in panel.rules:
        if rule.id in ("instrument fault", "link failing"):
            intent = Intent(State.CHARGING, CHARGE.drive, SECOND_NS, connected=True)
            assert not any(rule.judge(one, intent) for one in samples)


def test_an_identity_that_stays_garbled_is_never_called_a_change(rig, scripted):
    """It is told as what it is, and not believed: no reading comes from there."""
    before = rig.ready(CHARGE).ticks(2)[-1]
    scripted["dmm"].garble = lambda line, said: "#" if line == "*IDN?" else said
    scripted["dmm"].drop()
    samples = rig.ticks(6)
    found = {kind for sample in samples for kind, *_ in kinds(sample)}
    assert FaultKind.IDENTITY_CHANGED not in found
    assert samples[-1].voltage_at_ns == before.voltage_at_ns


def test_the_words_of_a_change_name_both(rig, scripted):
    """Who answers, and who was here."""
    rig.ready(CHARGE).ticks(2)
    scripted["dmm"].garble = lambda line, said: "Loopback,Meter,M9,1.0" if "IDN" in line else said
    scripted["dmm"].drop()
    faults = [fault for sample in rig.ticks(4) for fault in sample.faults]
    (change,) = {one for one in faults if one.kind is FaultKind.IDENTITY_CHANGED}
    said = "'Loopback,Meter,M9,1.0' answers, 'Loopback,Meter,M1,1.0' was here; "
    assert change.detail.startswith(said)
    assert change.detail.endswith("expected 'Loopback,Meter,M1,1.0'")

"""A session that misbehaved is never used again; off goes first and asks nobody."""

import pytest

from drivers.instruments.instrument import Instrument
from drivers.simulated_wire import PretendedInstrument
from drivers.transports.memory import MemoryTransport
from sequencer.documents.definition import InstrumentDefinition
from sequencer.vocabulary.faults import FaultKind, InstrumentError
from tests.drivers.definitions import ANSWERS, EXAMPLES, definition, raw

MEASURE = "MEAS:VOLT?;:MEAS:CURR?;:OUTP?"


class Stand:
    """An instrument over memory; ``pauses`` holds what it would have waited."""

    def __init__(self, name="generic-scpi-supply", of=None, serial_number=None):
        of = definition(name) if of is None else of
        examples = {key: one.answer for key, one in EXAMPLES[name].items()}
        self.far_end = PretendedInstrument(of, {**ANSWERS, **examples})
        self.wire = MemoryTransport("supply", of.link, self.far_end.respond)
        self.pauses: list[float] = []
        self.one = Instrument("supply", of, self.wire, serial_number, self.pauses.append)

    def refused(self, *arguments):
        """The kind of fault with which an operation fails."""
        with pytest.raises(InstrumentError) as raised:
            self.one.perform(*arguments)
        return raised.value.kind


def altered(change):
    """The shipped supply with its text altered."""
    data = raw("generic-scpi-supply")
    change(data)
    return InstrumentDefinition.model_validate(data)


def test_a_whole_session_byte_for_byte():
    """Identity, opening commands, settings each with its read-back, a measurement, the end."""
    rig = Stand()
    rig.one.perform("set voltage", 4.2)
    rig.one.perform("output on")
    rig.one.perform("measure")
    rig.one.errors()
    rig.one.off()
    rig.one.close()
    assert b"".join(rig.wire.sent).decode().split("\n") == [
        "*IDN?", "*CLS",
        "VOLT 4.200", "VOLT?",
        "OUTP ON", "OUTP?",
        "MEAS:VOLT?;:MEAS:CURR?;:OUTP?",
        "SYST:ERR?",
        "", "OUTP OFF", "OUTP OFF", "",
    ]  # fmt: skip


def test_a_late_reply_never_answers_the_next_question():
    """Silence, then the late reply: new session, identity again, and the right answer."""
    rig = Stand()
    rig.one.identify()
    rig.far_end.overrides[MEASURE] = b""
    assert rig.refused("measure") is FaultKind.NO_REPLY
    rig.far_end.overrides[MEASURE] = b"4.2;0.5;1\n"
    rig.far_end.heard.clear()
    assert rig.one.perform("measure") == {"voltage": 4.2, "current": 0.5, "output": True}
    assert rig.far_end.heard == ["*IDN?", "*CLS", MEASURE]
    assert rig.wire.sessions == 2


def test_no_value_leaves_the_session_as_it_is():
    """9.91E37 is an answer."""
    rig = Stand()
    rig.far_end.overrides[MEASURE] = b"4.2;9.91E37;1\n"
    assert rig.refused("measure") is FaultKind.INVALID_READING
    rig.far_end.overrides.clear()
    rig.one.perform("measure")
    assert rig.wire.sessions == 1


def test_the_wanted_serial_number_is_wanted():
    """Supply and load swapped, or another of the same make."""
    rig = Stand(serial_number="SN7")
    assert not rig.one.identify().matches
    assert rig.refused("output on") is FaultKind.IDENTITY_CHANGED
    assert "OUTP ON" not in rig.far_end.heard
    assert Stand(serial_number="SN1001").one.identify().matches


def test_another_instrument_in_a_later_session_is_told():
    """The port was renamed, or the plugs were changed."""
    rig = Stand()
    rig.one.perform("measure")
    rig.one.close()
    rig.far_end.overrides["*IDN?"] = b"Pretended,Model 1,SN2002,1.0\n"
    assert rig.refused("measure") is FaultKind.IDENTITY_CHANGED


def test_nothing_is_tried_again_without_the_one_who_counts_sessions():
    """Neither a question nor a setting, whatever the link allows: a lost session is told first."""
    rig = Stand(of=altered(lambda data: data["link"].update({"read retries": "1"})))
    rig.one.identify()
    rig.far_end.heard.clear()
    for use in (("measure",), ("set voltage", 1.0)):
        rig.wire.faults.append(OSError("glitch"))
        assert rig.refused(*use) is FaultKind.LINK_LOST
        assert rig.far_end.heard == []
        rig.one.identify()
        rig.far_end.heard.clear()


def test_noise_in_place_of_an_identity_is_no_other_instrument():
    """It is believed no more, and the session is closed; a well-formed other one is a change."""
    for answer, kind in (
        (b"Prete\x00\xff\n", FaultKind.POISONED),
        (b"Prete\n", FaultKind.POISONED),
        (b"Pretended,Model 1,SN2002,1.0\n", FaultKind.IDENTITY_CHANGED),
    ):
        rig = Stand()
        rig.one.perform("measure")
        rig.one.close()
        rig.far_end.overrides["*IDN?"] = answer
        rig.far_end.heard.clear()
        assert rig.refused("measure") is kind
        assert not rig.wire.is_open
        assert rig.far_end.heard == ["*IDN?"]


def test_a_slow_contact_is_looked_at_until_it_has_settled():
    """Feedback that comes late is waited for within the settling time, not beyond."""
    rig = Stand("generic-line-contactor")
    rig.one.identify()
    respond, looks = rig.far_end.respond, []

    def slow(data):
        looks.append(data)
        return b"OPEN\n" if data == b"STATE?\n" and looks.count(data) < 3 else respond(data)

    rig.wire._respond = slow
    assert rig.one.perform("close") == {"read-back": True}
    assert looks == [b"CLOSE\n", b"STATE?\n", b"STATE?\n", b"STATE?\n"]
    assert rig.pauses == pytest.approx([0.01, 0.01])


def test_a_contact_that_does_not_move_is_told_after_its_settling_time():
    """Commanded once, looked at often, then OUTPUT_DIFFERS."""
    rig = Stand("generic-line-contactor")
    rig.one.identify()
    rig.far_end.overrides["STATE?"] = b"OPEN\n"
    rig.far_end.heard.clear()
    assert rig.refused("close") is FaultKind.OUTPUT_DIFFERS
    assert rig.far_end.heard.count("CLOSE") == 1
    assert sum(rig.pauses) == pytest.approx(0.05)


def test_a_setting_that_reads_back_at_once_waits_for_nothing():
    """Settling is a bound, not a pause."""
    rig = Stand()
    rig.one.perform("output on")
    assert rig.pauses == []


class StandingClock:
    """A clock that stands still but for what is added to it."""

    def __init__(self, monkeypatch):
        self.now = 1000.0
        monkeypatch.setattr("drivers.instruments.instrument.monotonic", lambda: self.now)


def test_a_gap_lies_between_all_commands_questions_too(monkeypatch):
    """Whatever is sent too fast is lost by some instruments; *off* least of all may be."""
    link = {"gap": "20 ms", "kinds": ["socket"]}
    StandingClock(monkeypatch)
    rig = Stand(of=altered(lambda data: data["link"].update(link)))
    rig.one.perform("measure")
    assert len(rig.pauses) == 2  # before *CLS and before the question
    rig.one.off()
    assert rig.pauses == pytest.approx([0.02] * 5)  # before the line end and twice off


@pytest.mark.parametrize("acknowledged", [False, True])
def test_a_gap_counts_from_when_a_command_was_sent(monkeypatch, acknowledged):
    """Where this process stood still before it wrote, for longer than the gap: told, asked and
    off. It counted from before, and the next command came too soon."""
    data = raw("generic-scpi-supply")
    data["link"] |= {"gap": "20 ms", "kinds": ["socket"]}
    if acknowledged:
        data["link"]["acknowledgement"] = "OK"
    rig = Stand(of=InstrumentDefinition.model_validate(data))
    if acknowledged:
        rig.far_end.overrides |= {"*CLS": b"OK\n", "OUTP OFF": b"OK\n"}
    send, watch = MemoryTransport._send, StandingClock(monkeypatch)

    def late(self, sent):
        watch.now += 0.03
        send(self, sent)

    monkeypatch.setattr(MemoryTransport, "_send", late)
    rig.one.perform("measure")
    rig.one.off()
    assert rig.pauses == pytest.approx([0.02] * 5)


def test_a_gap_on_a_serial_line_begins_when_the_last_character_has_left(monkeypatch):
    """Eight characters take 10 ms at 9,600 baud: handing them over is not sending them."""
    StandingClock(monkeypatch)
    rig = Stand(of=altered(lambda data: data["link"].update({"gap": "20 ms"})))
    rig.one.perform("measure")
    assert rig.pauses[1] == pytest.approx(0.02 + 5 * 12 / 9600)  # "*CLS" and its end


def test_commands_are_acknowledged_where_the_link_says_so():
    """And what is no acknowledgement is poison."""
    data = raw("generic-scpi-supply")
    data["link"]["acknowledgement"] = "OK"
    of = InstrumentDefinition.model_validate(data)
    rig = Stand(of=of)
    rig.far_end.overrides |= {"*CLS": b"OK\n", "OUTP ON": b"OK\n", "OUTP?": b"1\n"}
    assert rig.one.perform("output on") == {"read-back": True}
    rig.far_end.overrides["OUTP ON"] = b"ERR\n"
    assert rig.refused("output on") is FaultKind.POISONED


@pytest.mark.parametrize(
    ("reply", "sessions"), [(b"OK\n", 1), (b"", 1), (b"what?\n", 1), (b"OK\nOK\n", 1)]
)
def test_off_takes_its_acknowledgements_and_leaves_none_behind(reply, sessions):
    """Off was sent twice whatever comes back for it, and nothing of that is a later answer."""
    data = raw("generic-scpi-supply")
    data["link"]["acknowledgement"] = "OK"
    rig = Stand(of=InstrumentDefinition.model_validate(data))
    rig.far_end.overrides |= {"*CLS": b"OK\n", "OUTP OFF": reply}
    rig.one.identify()
    rig.one.off()
    assert rig.far_end.heard[-3:] == ["", "OUTP OFF", "OUTP OFF"]
    assert rig.one.is_ready is (reply.startswith(b"OK"))
    assert rig.one.perform("measure")["voltage"] == 4.1234
    assert rig.wire.sessions == sessions


def test_off_without_acknowledgements_keeps_the_session():
    """The proof that follows needs no new one."""
    rig = Stand()
    rig.one.identify()
    rig.one.off()
    rig.one.perform("measure")
    assert (rig.wire.sessions, rig.one.is_ready) == (1, True)


def test_off_is_sent_even_to_a_stranger_and_on_a_dead_session():
    """Identity gates what is believed, never off."""
    rig = Stand()
    rig.far_end.overrides["*IDN?"] = b"someone else\n"
    rig.one.off()
    assert rig.far_end.heard == ["", "OUTP OFF", "OUTP OFF"]
    rig.wire.faults.append(OSError("dropped"))
    rig.far_end.heard.clear()
    rig.one.off()
    assert rig.far_end.heard == ["", "OUTP OFF", "OUTP OFF"]
    assert rig.wire.sessions == 2


def test_off_that_no_session_takes_is_told():
    """The caller escalates."""
    rig = Stand()
    rig.one.identify()
    rig.wire.faults.extend([OSError("dropped"), OSError("dropped")])
    with pytest.raises(InstrumentError) as raised:
        rig.one.off()
    assert raised.value.kind is FaultKind.LINK_LOST
    assert not rig.wire.is_open


def test_off_has_nothing_to_say_to_a_meter():
    """It has no output; nothing is sent."""
    rig = Stand("generic-scpi-multimeter")
    rig.one.off()
    assert rig.wire.sent == []


def test_what_waited_in_a_fresh_session_is_dropped():
    """A greeting, or what another owner asked for."""
    rig = Stand()
    greeting, connect = b"welcome\n", rig.wire._connect

    def greeted():
        connect()
        rig.wire.push(greeting)

    rig.wire._connect = greeted  # type: ignore[method-assign]
    assert rig.one.identify().matches


def test_errors_are_emptied_and_told():
    """All that is not fine, until a fine one."""
    rig = Stand()
    replies = iter([b'-222,"Data out of range"\n', b'+7,"Own trouble"\n', b'+0,"No error"\n'])
    respond = rig.far_end.respond
    rig.wire._respond = lambda data: next(replies) if data == b"SYST:ERR?\n" else respond(data)
    told = [(one.code, one.text) for one in rig.one.errors()]
    assert told == [("-222", "Data out of range"), ("7", "Own trouble")]
    assert Stand("generic-line-contactor").one.errors() == []


def test_parting_sends_the_closing_commands_to_a_known_instrument_only():
    """A dead link is no reason to raise."""
    of = altered(lambda data: data["session"].update({"on close": ["SYST:LOC"]}))
    rig = Stand(of=of)
    rig.one.part()
    assert rig.wire.sent == []
    rig.one.identify()
    rig.one.part()
    assert rig.wire.sent[-1] == b"SYST:LOC\n"
    rig.one.identify()
    rig.wire.faults.append(OSError("dropped"))
    rig.one.part()
    assert not rig.wire.is_open

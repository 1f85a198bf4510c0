"""A session that misbehaved is never used again; off goes first and asks nobody."""

import pytest

from drivers.instruments.instrument import Instrument
from drivers.partner import Partner
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
        self.partner = Partner(of, {**ANSWERS, **examples})
        self.wire = MemoryTransport("supply", of.link, self.partner.respond)
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
    stand = Stand()
    stand.one.perform("set voltage", 4.2)
    stand.one.perform("output on")
    stand.one.perform("measure")
    stand.one.errors()
    stand.one.off()
    stand.one.close()
    assert b"".join(stand.wire.sent).decode().split("\n") == [
        "*IDN?", "*CLS",
        "VOLT 4.200", "VOLT?",
        "OUTP ON", "OUTP?",
        "MEAS:VOLT?;:MEAS:CURR?;:OUTP?",
        "SYST:ERR?",
        "", "OUTP OFF", "OUTP OFF", "",
    ]  # fmt: skip


def test_a_late_reply_never_answers_the_next_question():
    """Silence, then the late reply: new session, identity again, and the right answer."""
    stand = Stand()
    stand.one.identify()
    stand.partner.overrides[MEASURE] = b""
    assert stand.refused("measure") is FaultKind.NO_REPLY
    stand.partner.overrides[MEASURE] = b"4.2;0.5;1\n"
    stand.partner.heard.clear()
    assert stand.one.perform("measure") == {"voltage": 4.2, "current": 0.5, "output": True}
    assert stand.partner.heard == ["*IDN?", "*CLS", MEASURE]
    assert stand.wire.sessions == 2


def test_no_value_leaves_the_session_as_it_is():
    """9.91E37 is an answer."""
    stand = Stand()
    stand.partner.overrides[MEASURE] = b"4.2;9.91E37;1\n"
    assert stand.refused("measure") is FaultKind.INVALID_READING
    stand.partner.overrides.clear()
    stand.one.perform("measure")
    assert stand.wire.sessions == 1


def test_the_wanted_serial_number_is_wanted():
    """Supply and load swapped, or another of the same make."""
    stand = Stand(serial_number="SN7")
    assert not stand.one.identify().matches
    assert stand.refused("output on") is FaultKind.IDENTITY_CHANGED
    assert "OUTP ON" not in stand.partner.heard
    assert Stand(serial_number="SN1001").one.identify().matches


def test_another_instrument_in_a_later_session_is_told():
    """The port was renamed, or the plugs were changed."""
    stand = Stand()
    stand.one.perform("measure")
    stand.one.close()
    stand.partner.overrides["*IDN?"] = b"Pretended,Model 1,SN2002,1.0\n"
    assert stand.refused("measure") is FaultKind.IDENTITY_CHANGED


def test_nothing_is_tried_again_behind_the_back_of_who_counts_sessions():
    """Neither a question nor a setting, whatever the link allows: a lost session is told first."""
    stand = Stand(of=altered(lambda data: data["link"].update({"read retries": "1"})))
    stand.one.identify()
    stand.partner.heard.clear()
    for use in (("measure",), ("set voltage", 1.0)):
        stand.wire.faults.append(OSError("glitch"))
        assert stand.refused(*use) is FaultKind.LINK_LOST
        assert stand.partner.heard == []
        stand.one.identify()
        stand.partner.heard.clear()


def test_noise_in_place_of_an_identity_is_no_other_instrument():
    """It is believed no more, and the session is closed; a well-formed other one is a change."""
    for answer, kind in (
        (b"Prete\x00\xff\n", FaultKind.POISONED),
        (b"Prete\n", FaultKind.POISONED),
        (b"Pretended,Model 1,SN2002,1.0\n", FaultKind.IDENTITY_CHANGED),
    ):
        stand = Stand()
        stand.one.perform("measure")
        stand.one.close()
        stand.partner.overrides["*IDN?"] = answer
        stand.partner.heard.clear()
        assert stand.refused("measure") is kind
        assert not stand.wire.is_open
        assert stand.partner.heard == ["*IDN?"]


def test_a_slow_contact_is_looked_at_until_it_has_settled():
    """Feedback that comes late is waited for within the settling time, not beyond."""
    stand = Stand("generic-line-contactor")
    stand.one.identify()
    respond, looks = stand.partner.respond, []

    def slow(data):
        looks.append(data)
        return b"OPEN\n" if data == b"STATE?\n" and looks.count(data) < 3 else respond(data)

    stand.wire._respond = slow
    assert stand.one.perform("close") == {"read-back": True}
    assert looks == [b"CLOSE\n", b"STATE?\n", b"STATE?\n", b"STATE?\n"]
    assert stand.pauses == pytest.approx([0.01, 0.01])


def test_a_contact_that_does_not_move_is_told_after_its_settling_time():
    """Commanded once, looked at often, then OUTPUT_DIFFERS."""
    stand = Stand("generic-line-contactor")
    stand.one.identify()
    stand.partner.overrides["STATE?"] = b"OPEN\n"
    stand.partner.heard.clear()
    assert stand.refused("close") is FaultKind.OUTPUT_DIFFERS
    assert stand.partner.heard.count("CLOSE") == 1
    assert sum(stand.pauses) == pytest.approx(0.05)


def test_a_setting_that_reads_back_at_once_waits_for_nothing():
    """Settling is a bound, not a pause."""
    stand = Stand()
    stand.one.perform("output on")
    assert stand.pauses == []


def test_gaps_follow_commands_and_not_questions():
    """Commands sent too fast are lost by some instruments."""
    stand = Stand(of=altered(lambda data: data["link"].update({"gap": "20 ms"})))
    stand.one.perform("measure")
    assert stand.pauses == [0.02]  # after *CLS
    stand.one.off()
    assert stand.pauses == [0.02] * 3


def test_commands_are_acknowledged_where_the_link_says_so():
    """And what is no acknowledgement is poison."""
    data = raw("generic-scpi-supply")
    data["link"]["acknowledgement"] = "OK"
    of = InstrumentDefinition.model_validate(data)
    stand = Stand(of=of)
    stand.partner.overrides |= {"*CLS": b"OK\n", "OUTP ON": b"OK\n", "OUTP?": b"1\n"}
    assert stand.one.perform("output on") == {"read-back": True}
    stand.partner.overrides["OUTP ON"] = b"ERR\n"
    assert stand.refused("output on") is FaultKind.POISONED


@pytest.mark.parametrize(
    ("reply", "sessions"), [(b"OK\n", 1), (b"", 1), (b"what?\n", 1), (b"OK\nOK\n", 1)]
)
def test_off_takes_its_acknowledgements_and_leaves_none_behind(reply, sessions):
    """Off was sent twice whatever comes back for it, and nothing of that is a later answer."""
    data = raw("generic-scpi-supply")
    data["link"]["acknowledgement"] = "OK"
    stand = Stand(of=InstrumentDefinition.model_validate(data))
    stand.partner.overrides |= {"*CLS": b"OK\n", "OUTP OFF": reply}
    stand.one.identify()
    stand.one.off()
    assert stand.partner.heard[-3:] == ["", "OUTP OFF", "OUTP OFF"]
    assert stand.one.is_ready is (reply.startswith(b"OK"))
    assert stand.one.perform("measure")["voltage"] == 4.1234
    assert stand.wire.sessions == sessions


def test_off_without_acknowledgements_keeps_the_session():
    """The proof that follows needs no new one."""
    stand = Stand()
    stand.one.identify()
    stand.one.off()
    stand.one.perform("measure")
    assert (stand.wire.sessions, stand.one.is_ready) == (1, True)


def test_off_is_sent_even_to_a_stranger_and_on_a_dead_session():
    """Identity gates what is believed, never off."""
    stand = Stand()
    stand.partner.overrides["*IDN?"] = b"someone else\n"
    stand.one.off()
    assert stand.partner.heard == ["", "OUTP OFF", "OUTP OFF"]
    stand.wire.faults.append(OSError("dropped"))
    stand.partner.heard.clear()
    stand.one.off()
    assert stand.partner.heard == ["", "OUTP OFF", "OUTP OFF"]
    assert stand.wire.sessions == 2


def test_off_that_no_session_takes_is_told():
    """The caller escalates."""
    stand = Stand()
    stand.one.identify()
    stand.wire.faults.extend([OSError("dropped"), OSError("dropped")])
    with pytest.raises(InstrumentError) as raised:
        stand.one.off()
    assert raised.value.kind is FaultKind.LINK_LOST
    assert not stand.wire.is_open


def test_off_has_nothing_to_say_to_a_meter():
    """It has no output; nothing is sent."""
    stand = Stand("generic-scpi-multimeter")
    stand.one.off()
    assert stand.wire.sent == []


def test_what_waited_in_a_fresh_session_is_dropped():
    """A greeting, or what another owner asked for."""
    stand = Stand()
    greeting, connect = b"welcome\n", stand.wire._connect

    def greeted():
        connect()
        stand.wire.push(greeting)

    stand.wire._connect = greeted  # type: ignore[method-assign]
    assert stand.one.identify().matches


def test_errors_are_emptied_and_told():
    """All that is not fine, until a fine one."""
    stand = Stand()
    replies = iter([b'-222,"Data out of range"\n', b'+7,"Own trouble"\n', b'+0,"No error"\n'])
    respond = stand.partner.respond
    stand.wire._respond = lambda data: next(replies) if data == b"SYST:ERR?\n" else respond(data)
    told = [(one.code, one.text) for one in stand.one.errors()]
    assert told == [("-222", "Data out of range"), ("7", "Own trouble")]
    assert Stand("generic-line-contactor").one.errors() == []


def test_parting_sends_the_closing_commands_to_a_known_instrument_only():
    """A dead link is no reason to raise."""
    of = altered(lambda data: data["session"].update({"on close": ["SYST:LOC"]}))
    stand = Stand(of=of)
    stand.one.part()
    assert stand.wire.sent == []
    stand.one.identify()
    stand.one.part()
    assert stand.wire.sent[-1] == b"SYST:LOC\n"
    stand.one.identify()
    stand.wire.faults.append(OSError("dropped"))
    stand.one.part()
    assert not stand.wire.is_open

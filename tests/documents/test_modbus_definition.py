"""What is wrong in the definition of what speaks Modbus is told before a byte is sent."""

from pathlib import Path

import pytest

from drivers.registry import definition_path
from sequencer.documents.definition import InstrumentDefinition
from sequencer.source.loading import load_text
from sequencer.vocabulary.faults import DocumentError

CHARGER = Path(__file__).parents[1] / "instruments/definitions/zumbrel-m10.yaml"
RELAY = Path(definition_path("generic-modbus-relay"))
TEXT = CHARGER.read_text(encoding="utf-8")


def told(old, new):
    """What is said of the charger's definition with that change."""
    assert old in TEXT
    with pytest.raises(DocumentError) as raised:
        load_text(TEXT.replace(old, new, 1), "it.yaml", InstrumentDefinition)
    return [str(one) for one in raised.value.faults]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("  unit: 7\n", "", ":9:1: link: the dialect modbus needs a unit, and no other has one"),
        ("dialect: modbus", "dialect: line", "the dialect modbus needs a unit"),
        ("unit: 7", "unit: 0", "unit '0'"),
        ("unit: 7", "unit: 248", "unit '248'"),
        ("parity: even", "line end: LF", "line end 'LF': a unit speaks Modbus"),
        ("parity: even", "acknowledgement: ok", "acknowledgement 'ok': a unit speaks Modbus"),
        ("[serial, socket]", "[serial, visa]", "Modbus needs a socket or a serial port"),
        ('"write coil 0 = 0"]', '"coil 0"]', "sets nothing"),
        ('send: "write holding 1 = {value}"', 'send: "holding {value}"', "sets nothing"),
        ('query: "holding 1"', 'query: "write holding 1 = 1"', "writes where a query stands"),
        ('query: "input 22"', 'query: "SYST:ERR?"', "is no request to registers"),
        ("input 0, 1 uint32 ABCD, 3", "input 0, 1 uint32, 3", "uint32 needs order"),
        ("input 16 float32 CDAB", "input 16 float32 CDBA", "one of ('ABCD'"),
        ("write coil 1 = 1", "write coil 70000 = 1", "addresses end at 65535"),
    ],
)
def test_what_is_wrong_is_told_with_its_place(old, new, words):
    """One fault each, with the line that it stands on."""
    found = told(old, new)
    assert any(words in one for one in found), found
    assert all(one.startswith("it.yaml:") for one in found)


def test_every_request_is_looked_at():
    """Two wrong ones are told at once."""
    wrong = TEXT.replace('"holding 0"', '"holdings 0"').replace('"holding 2"', '"holding two"')
    with pytest.raises(DocumentError) as raised:
        load_text(wrong, "it.yaml", InstrumentDefinition)
    assert len(raised.value.faults) == 2


def test_a_contact_is_not_asked_by_what_it_was_told():
    """A welded contact would look open: in the question, and in the read-back of a command."""
    text, old, new = RELAY.read_text(encoding="utf-8"), '"discrete 0"', '"coil 0"'
    for place in (text.index(old), text.rindex(old)):
        wrong = text[:place] + text[place:].replace(old, new, 1)
        with pytest.raises(DocumentError) as raised:
            load_text(wrong, "it.yaml", InstrumentDefinition)
        (found,) = map(str, raised.value.faults)
        assert "coil 0 is what is told: ask for the contact itself" in found


def test_what_energises_is_sent_where_it_belongs_alone():
    """One coil further, and clearing a fault would switch on; so would opening a session."""
    (found,) = told('"write coil 1 = 1"', '"write coil 0 = 1"')
    assert "clear protection" in found or "send" in found
    assert "is the one of output on: it energises" in found
    (found,) = told('["write holding 3 = 0"]', '["write coil 0 = 1"]')
    assert "is the one of output on: it energises" in found

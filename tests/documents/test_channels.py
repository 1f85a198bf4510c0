"""Channels of a box and devices on a bus: what a definition must say, and what becomes of it."""

from typing import Any

import pytest
from pydantic import ValidationError

from sequencer.documents.bench import BenchDocument
from sequencer.documents.channels import at_channel, is_by_channel, names_channel
from sequencer.documents.definition import InstrumentDefinition
from tests.drivers.definitions import raw


def supply() -> dict[str, Any]:
    """A supply that knows no channel, with one safe command and no queue of errors."""
    given = raw("generic-scpi-supply")
    given.pop("errors", None)
    return given | {"session": {"safe": [given["operations"]["output off"]["send"]]}}


def by_channel(**changed: Any) -> dict[str, Any]:
    """A supply whose every line names the channel."""
    given = supply()
    texts = {"send", "query"}

    def named(value: Any, key: str = "") -> Any:
        if isinstance(value, dict):
            return {one: named(held, one) for one, held in value.items()}
        return f"@{{channel}} {value}" if key in texts and isinstance(value, str) else value

    given["operations"] = named(given["operations"])
    given["session"] = {"safe": ["@{channel} " + given["session"]["safe"][0]]}
    return given | changed


def told(given: dict[str, Any]) -> str:
    """What is wrong with it; empty if nothing."""
    try:
        InstrumentDefinition.model_validate(given)
    except ValidationError as error:
        return str(error)
    return ""


def test_every_line_is_of_one_channel_once_it_is_known():
    """Also what makes safe, and what replies must look like; no other text changes."""
    given = by_channel()
    given["operations"]["measure"]["pattern"] = (
        "@{channel} " + given["operations"]["measure"]["pattern"]
    )
    definition = InstrumentDefinition.model_validate(given)
    assert is_by_channel(definition)
    assert names_channel(definition)
    two = at_channel(definition, 2)
    assert two.session.safe == (definition.session.safe[0].replace("{channel}", "2"),)
    assert str(two.operations["measure"].pattern).startswith("@2 ")
    assert "{channel}" not in two.model_dump_json()
    assert two.identity == definition.identity
    plain = InstrumentDefinition.model_validate(supply())
    assert not names_channel(plain)
    assert at_channel(plain, 2) == plain


def test_select_goes_in_one_piece_with_the_line_after_it():
    """So that no other channel's line comes between."""
    given = supply()
    given["session"] = {"select": "CHAN {channel}", **given["session"]}
    two = at_channel(InstrumentDefinition.model_validate(given), 2)
    safe = given["session"]["safe"][0]
    assert two.session.safe[0] == f"CHAN 2\n{safe}"
    assert str(two.operations["measure"].query).startswith("CHAN 2\n")
    assert str(two.operations["measure"].pattern) == given["operations"]["measure"]["pattern"]


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"session": {"safe": ["OUTP OFF"]}}, "names no {channel}: it may concern another"),
        ({"session": {"safe": ["@{channel} OUTP OFF", "*RST"]}}, "concerns the whole box"),
        ({"session": {"safe": ["@{channel} OUTP OFF"], "on open": ["*rst"]}}, "the whole box"),
        ({"errors": {"query": "ERR?", "pattern": "(?P<code>[0-9]+)"}}, "names no {channel}"),
    ],
)
def test_what_would_concern_another_channel_is_refused(changed, words):
    """Its owner may be another run."""
    assert words in told(by_channel(**changed))


@pytest.mark.parametrize(
    ("select", "link", "words"),
    [
        ("CHAN 1", {}, "must take {channel}"),
        ("CHAN {channel}", {"gap": "10 ms"}, "goes in one piece with the line after it"),
        ("CHAN {channel}", {"acknowledgement": "OK"}, "goes in one piece"),
    ],
)
def test_select_is_refused_where_it_could_be_parted_from_its_line(select, link, words):
    """Or where it chooses nothing."""
    given = supply()
    given["session"] = {"select": select, **given["session"]}
    given["link"] = given["link"] | link
    assert words in told(given)


def bench(*instruments: dict[str, str]) -> str:
    """What is wrong with a bench of these; empty if nothing."""
    named = {f"i{n}": {"definition": "x"} | one for n, one in enumerate(instruments)}
    wiring = {"voltage": {"by": "i0"}}
    try:
        BenchDocument.model_validate({"bench": "b", "instruments": named, "wiring": wiring})
    except ValidationError as error:
        return str(error)
    return ""


AT = {"address": "tcp:192.0.2.1:5025"}


@pytest.mark.parametrize(
    ("instruments", "words"),
    [
        ([AT | {"channel": "1"}, AT | {"channel": "2"}, AT | {"channel": "3"}], ""),
        ([AT | {"channel": "1"}, AT | {"channel": "1"}], "the address and the channel of i0 too"),
        ([AT, AT | {"channel": "1"}], "is the address of i0 too"),
        ([AT | {"channel": "1"}, AT], "is the address of i0 too"),
        ([AT | {"channel": "256"}], "less than or equal to 255"),
        ([{"address": "serial:COM3"}], ""),
    ],
)
def test_one_address_has_one_owner_or_one_a_channel(instruments, words):
    """Whoever has the whole address has each channel of it."""
    found = bench(*instruments)
    assert words in found
    assert bool(found) is bool(words)

"""The word that was meant: another spelling, a synonym of the trade, a misspelling."""

import json
from collections.abc import Iterator
from typing import Any

import pytest

from sequencer.source.schemas.generation import KINDS, schema_text
from sequencer.vocabulary.near import SYNONYMS, closest

SENSE = ("two-wire", "four-wire")
SUPPLY_KEYS = ("definition", "address", "channel", "serial number", "negative")


@pytest.mark.parametrize(
    ("written", "names", "meant"),
    [
        ("4-wire", SENSE, "four-wire"),
        ("four wire", SENSE, "four-wire"),
        ("4wire", SENSE, "four-wire"),
        ("Four-Wire", SENSE, "four-wire"),
        ("2-wire", SENSE, "two-wire"),
        ("Kelvin", SENSE, "four-wire"),
        ("tow-wire", SENSE, "two-wire"),
        ("3-wire", SENSE, ""),
        ("", SENSE, ""),
        ("earthed", ("isolated", "earth", "joined by link"), "earth"),
        ("floating", ("isolated", "earth", "joined by link"), "isolated"),
        ("USB", ("isolated", "earth", "joined by link"), "joined by link"),
        ("LiFePO4", ("NMC", "NCA", "LCO", "LMO", "LFP", "LTO"), "LFP"),
        (r"\r\n", ("LF", "CRLF", "CR"), "CRLF"),
        ("+", ("positive", "negative", "both"), "positive"),
        ("Serial_Number", SUPPLY_KEYS, "serial number"),
        ("port", SUPPLY_KEYS, "address"),
        ("adress", SUPPLY_KEYS, "address"),
        ("supply 2", ("supply 1", "load"), ""),
    ],
)
def test_the_word_that_was_meant(written, names, meant):
    """Or none, where no guess is better than the list of all: never another number."""
    assert closest(written, names) == meant


def words_of(node: Any) -> Iterator[str]:
    """Every key and every fixed word that a schema allows."""
    if isinstance(node, dict):
        yield from node.get("properties", ())
        yield from (one for one in node.get("enum", ()) if isinstance(one, str))
        yield from [node["const"]] if isinstance(node.get("const"), str) else ()
        for inside in node.values():
            yield from words_of(inside)
    elif isinstance(node, list):
        for inside in node:
            yield from words_of(inside)


def test_every_word_with_synonyms_is_one_that_documents_know():
    """A key that is renamed takes its synonyms along."""
    known = {word for kind in KINDS for word in words_of(json.loads(schema_text(kind)))}
    assert set(SYNONYMS) <= known

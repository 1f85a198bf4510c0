"""Documents without what identifies: the same to whoever reads them, or it is said."""

import hashlib

import pytest

from sequencer.documents.bench import BenchDocument
from sequencer.publishing.published_documents import PublishedDocuments
from sequencer.recording.scrubbing import Scrubber, secrets_of
from sequencer.source.loading import load_text
from sequencer.vocabulary.faults import DocumentError

ADDRESS = "TCPIP0::psu-4.hill.example::5025::SOCKET"
BENCH = f"""\
bench: hill desk
instruments:
  supply: {{definition: generic-scpi-supply, address: "{ADDRESS}"}}
  load: {{definition: generic-scpi-load, address: "TCPIP0::load.hill.example::5025::SOCKET"}}
wiring: {{charge: supply, discharge: load, lead resistance: 40 mOhm,
         voltage: {{by: load, sense: four-wire}}}}
"""


def manifest(text=BENCH, role="bench"):
    """A manifest with one document, by a named person, of instruments at known addresses."""
    sha256 = hashlib.sha256(text.encode()).hexdigest()
    one = {"role": role, "path": "/home/hedda/desk.yaml", "text": text, "sha256": sha256}
    return {"who": "hedda", "addresses": {"supply": ADDRESS}, "documents": [one]}


def published(told):
    """The documents of that manifest as they go out."""
    return PublishedDocuments(told, Scrubber(secrets_of(told, [], ("hill-pc", "hedda"), [])))


def test_an_address_goes_and_every_number_stays():
    """The freed text still is the same bench: lead resistance, wiring and sense; its hash is of
    what is published, and the original's stands beside it."""
    told = manifest()
    (one,) = published(told).listed
    assert ADDRESS not in one["text"]
    assert "hedda" not in str(one)
    before, after = (
        load_text(text, "bench", BenchDocument).document for text in (BENCH, one["text"])
    )
    assert after.wiring == before.wiring
    assert one["sha256"] == hashlib.sha256(one["text"].encode()).hexdigest()
    assert one["original_sha256"] == told["documents"][0]["sha256"]


def test_without_a_scrubber_documents_go_out_as_they_are():
    """Somebody asked for identity to be kept."""
    told = manifest()
    made = PublishedDocuments(told, None)
    assert (made.listed, made.told) == (told["documents"], [])


@pytest.mark.parametrize(
    ("secret", "what"),
    [("generic-scpi-load", "a name of a kind"), ("40", "a number"), ("four-wire", "a choice")],
)
def test_what_the_document_needs_is_never_lost_in_silence(secret, what):
    """A person called like a word of the document: either the word stays, or it is said that the
    document says something else now."""
    told = manifest() | {"who": secret}
    made = PublishedDocuments(told, Scrubber(secrets_of(told, [], ("hill-pc", secret), [])))
    same = load_text(BENCH, "bench", BenchDocument).document.wiring
    try:
        after = load_text(made.listed[0]["text"], "bench", BenchDocument).document.wiring
    except DocumentError:
        after = None
    assert after == same or made.told, what


def test_a_faulty_document_is_told():
    """It could not be read before either: nobody can say that it says the same."""
    made = published(manifest(text=f"bench: [ {ADDRESS}\n"))
    assert made.told == ["the bench document says something else without what identifies"]

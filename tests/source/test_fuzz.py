"""Spoilt documents: whatever is done to a shipped document, only faults with places come out.

``NIGHTBENCH_FUZZ_RUNS`` sets the number of mutations (2,000 without it; the full campaign is
100,000). Seeded: the same number gives the same mutations.
"""

import os
import random
from pathlib import Path

import pytest

from sequencer.source.loading import load
from sequencer.source.schemas.generation import KINDS
from sequencer.vocabulary.faults import DocumentError
from tests.house.tree import ROOT
from tests.source import samples
from tests.source.shipped import documents, kind_of

RUNS = int(os.environ.get("NIGHTBENCH_FUZZ_RUNS", "2000"))
PARTS = 8
FOREIGN = ("Input should", "Value error", "Field required", "Extra inputs", "pydantic", "Assert")
"""Wording of the library that judges; a person reads ours."""
TOKENS = (
    "",
    " ",
    "\n",
    "\t",
    ":",
    ": ",
    "- ",
    "#",
    "[",
    "]",
    "{",
    "}",
    "&a ",
    "*a",
    "!!python/object:os.system ",
    "<<: ",
    "? ",
    "| ",
    "> ",
    "%",
    "@",
    "'",
    '"',
    "\\",
    "---\n",
    "...\n",
    "~",
    "null",
    "on",
    "no",
    "nan",
    ".inf",
    "1e99",
    "-1",
    "0",
    "1:30",
    "4.2",
    "9" * 20,
    "é",
    "\u2028",
    "\x00",
    "\ufeff",
    "\U0001f50b",
    " V",
    " Ah",
    "each rate",
    "recommended",
    "parameter pause",
    "part: settle",
)


def originals() -> list[tuple[str, str]]:
    """Kind and text of every document to spoil."""
    shipped = [(kind_of(path), (ROOT / path).read_text(encoding="utf-8")) for path in documents()]
    return [
        *shipped,
        ("cell", samples.CELL),
        ("profile", samples.PARTS),
        ("bench", samples.BENCH),
        ("specimen", samples.SPECIMEN),
        ("simulated-cell", samples.TRUTH),
        ("profile", samples.PROFILE),
    ]


def spoil(text: str, chance: random.Random, others: list[tuple[str, str]]) -> bytes:
    """One to four mutations of characters, tokens, lines or bytes."""
    for _ in range(chance.randint(1, 4)):
        lines = text.split("\n")
        at, to = sorted((chance.randrange(len(text) + 1), chance.randrange(len(text) + 1)))
        row = chance.randrange(len(lines))
        match chance.randrange(8):
            case 0:
                text = text[:at] + chance.choice(TOKENS) + text[at:]
            case 1:
                text = text[:at] + text[min(to, at + 20) :]
            case 2:
                text = "\n".join([*lines[:row], lines[row], *lines[row:]])
            case 3:
                text = "\n".join([*lines[:row], *lines[row + 1 :]])
            case 4:
                text = "\n".join(
                    [
                        *lines[:row],
                        chance.choice([" ", "  ", "   "]) + lines[row],
                        *lines[row + 1 :],
                    ]
                )
            case 5:
                key, colon, _ = lines[row].partition(": ")
                text = "\n".join(
                    [*lines[:row], key + colon + chance.choice(TOKENS), *lines[row + 1 :]]
                )
            case 6:
                donor = chance.choice(others)[1].split("\n")
                text = "\n".join([*lines[:row], chance.choice(donor), *lines[row:]])
            case _:
                text = text[:at]
    raw = bytearray(text.encode("utf-8", "surrogatepass"))
    if raw and chance.random() < 0.05:
        raw[chance.randrange(len(raw))] = chance.randrange(256)
    return bytes(raw)


@pytest.mark.parametrize("part", range(PARTS))
def test_spoilt_documents_only_ever_give_faults(part, tmp_path: Path):
    """No traceback, no wording of the library, every fault on one line with its place."""
    texts = originals()
    path = tmp_path / "spoilt.yaml"
    refused = 0
    for number in range(part, RUNS, PARTS):
        chance = random.Random(number)
        kind, text = chance.choice(texts)
        path.write_bytes(spoil(text, chance, texts))
        try:
            load(path, KINDS[kind])
        except DocumentError as error:
            refused += 1
            for fault in error.faults:
                assert "\n" not in fault.message, number
                assert fault.message.isprintable(), number
                assert not any(word in str(fault) for word in FOREIGN), (number, str(fault))
                assert fault.line >= 1, number
                assert len(fault.message) < 600, number
    assert refused > RUNS / PARTS / 2

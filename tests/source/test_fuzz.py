"""A sample of the campaign of mutations: each is refused with a place, or runs as its plan says.

``NIGHTBENCH_FUZZ_RUNS`` sets the number of mutations (2,000 without it; the full campaign is
100,000). Seeded: the same number gives the same mutations.
"""

import os
import random

import pytest

from sequencer.assembly import child
from sequencer.assembly.run_result import RunResult
from sequencer.vocabulary.verdict import Exit
from tests.source.campaign import EVERY_STEP, Campaign
from tests.source.mutations import changed, respelt, spoilt

RUNS = int(os.environ.get("NIGHTBENCH_FUZZ_RUNS", "2000"))
PARTS = 4


@pytest.mark.parametrize("part", range(PARTS))
def test_fuzzed_documents_are_refused_with_a_place_or_run_as_they_say(part, tmp_path):
    """No traceback, no wording of the library, nothing energised, no plan beyond its cell."""
    campaign, failures = Campaign(tmp_path), list[str]()
    campaign.run(range(part, RUNS, PARTS), failures.append)
    assert campaign.failed == [], failures
    counted = campaign.counted
    judged = sum(counted.values()) - counted["rehearsed"]
    assert judged == len(range(part, RUNS, PARTS))
    for way in ("spoilt, refused", "spoilt, read", "changed, refused", "changed, read"):
        assert counted[way] > judged / 50, counted
    assert counted["respelt, read"] > counted["respelt, refused"], counted


@pytest.mark.parametrize(
    ("last", "why"),
    [
        (RunResult(Exit.BUG, ["Traceback"], {}), "Traceback"),
        (RunResult(Exit.REFUSED, ["no"], {}), "no"),
        (RunResult(Exit.USAGE, ["no"], {"errors": ["no"]}), "without a place"),
        (RunResult(Exit.USAGE, ["x:0:0: no"], {"faults": [{"line": 0}]}), "x:0:0: no"),
        (RunResult(Exit.USAGE, ["x:1:1: Input should"], {"faults": [{"line": 1}]}), "Input should"),
        (RunResult(Exit.USAGE, ["x:1:1: a\nb"], {"faults": [{"line": 1}]}), "a\\nb"),
    ],
)
def test_the_campaign_notices_another_ending(last, why, monkeypatch, tmp_path):
    """A bug, a refusal without its place, another's words, two lines in one."""
    monkeypatch.setattr(child, "told", lambda _run: last)
    campaign, failures = Campaign(tmp_path), list[str]()
    campaign.run(range(3), failures.append)
    assert campaign.failed == [0, 1, 2]
    assert all(why in one.replace("\n", "\\n") for one in failures)


@pytest.mark.parametrize("mutate", [spoilt, changed])
def test_a_mutation_mutates_and_is_the_same_again(mutate):
    """Nearly every one is another text, and a seed gives one text."""
    made = [mutate(EVERY_STEP, random.Random(n), [EVERY_STEP]) for n in range(200)]
    assert made == [mutate(EVERY_STEP, random.Random(n), [EVERY_STEP]) for n in range(200)]
    assert sum(one != EVERY_STEP.encode() for one in made) > 180
    assert len(set(made)) > 150


def test_another_spelling_is_another_text():
    """Comments, quotes, blanks and line ends."""
    made = {respelt(EVERY_STEP, random.Random(n)) for n in range(100)}
    assert len(made) > 50
    assert any(b"\r\n" in one for one in made)
    assert any(b"# a comment" in one for one in made)

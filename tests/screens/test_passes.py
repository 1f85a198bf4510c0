"""Which pass of a loop this is: on the board and in the lines."""

from pathlib import Path
from types import SimpleNamespace

from sequencer.screens.telling import pass_words
from tests.screens.console import seen
from tests.screens.invented_night import SENTENCE, START, begin, charge

LOOPS = [
    {"pass": 3, "times": 40, "until": ["the voltage has fallen to 3.000 V"]},
    {"pass": 2, "times": 5, "until": ["its steps have taken 2 h", "1.000 Ah have been put in"]},
]
SAID = [
    "pass 3 of at most 40, until the voltage has fallen to 3.000 V; pass 2 of at most 5, until its",
    "steps have taken 2 h or until 1.000 Ah have been put in",
]


def in_loops():
    """The charge, within two loops."""
    run = begin(Path("run"))
    charge(run)
    entry = {"step": 2, "state": "charging", "sentence": SENTENCE, "words": "CC-CV charge"}
    run.note("state", {**entry, "at_ns": START.bench_ns + 60_000_000_000, "loops": LOOPS})
    return run


def test_the_board_tells_the_pass_and_what_ends_the_loop():
    """Of every loop around the step."""
    in_loops()
    told = " ".join(seen(Path("run"), once=True))
    assert "pass 3 of at most 40, until the voltage has fallen to 3.000 V; pass 2 of at most 5" in (
        " ".join(told.split())
    )


def test_a_step_outside_of_loops_tells_no_pass():
    """And nor does a record that does not know of loops."""

    for step in ({"loops": []}, {}):
        assert pass_words(SimpleNamespace(step=step)) == ""


def test_the_lines_tell_each_pass_as_it_ends():
    """In the journal's own words."""
    run = in_loops()
    run.note("pass ended", {"at_ns": START.bench_ns + 661_000_000_000, "reason": "pass 3 of 40"})
    assert any(line.endswith("pass 3 of 40") for line in seen(Path("run"), plain=True, alive=False))

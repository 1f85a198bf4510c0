"""What a person sees in a small window, and how small numbers are told."""

from pathlib import Path

import pytest

from sequencer.screens.telling import readings_of
from sequencer.vocabulary.sample import Sample
from tests.recording.invented import SECOND
from tests.screens.console import seen
from tests.screens.invented_night import START, TRIP, begin, charge, finish


@pytest.mark.parametrize("height", [8, 12, 16, 24])
def test_a_small_window_keeps_readings_outputs_and_the_way_to_end(height):
    """What matters least is left out; what a person must see in an emergency is not."""
    run = begin(Path("run"))
    charge(run)
    lines = seen(Path("run"), once=True, height=height, terminal=True)
    text = "\n".join(lines)
    assert len(lines) < height or height == 8
    for needed in ("CHARGING", "voltage   4.1321 V", "outputs  supply on", "nightbench abort run"):
        assert needed in text, needed
    assert ("ends at termination" in text) == (height >= 12)


@pytest.mark.parametrize(("width", "height"), [(40, 12), (40, 14), (60, 12)])
def test_a_narrow_window_gives_up_the_room_before_the_outputs(width, height):
    """Beside each reading stands how far its limit is; where that breaks into many lines, the
    window holds the readings, the outputs and the way to end the run instead."""
    run = begin(Path("run"))
    charge(run)
    lines = seen(Path("run"), once=True, width=width, height=height, terminal=True)
    assert len(lines) < height
    text = " ".join(" ".join(lines).split())
    for needed in ("CHARGING", "voltage 4.1321 V", "contactor", "nightbench abort run"):
        assert needed in text, needed


def test_the_likely_end_stands_beside_the_latest_until_it_is_past():
    """After eleven minutes of two likely hours; and of ten likely minutes."""
    run = begin(Path("run"), likely_s=7200)
    charge(run)
    told = next(one for one in seen(Path("run"), once=True, width=120) if "elapsed" in one)
    assert told.endswith("likely end Thu 10:53, in 1 h 49 min; at the latest Fri 12:40, in 1 d 3 h")
    late = begin(Path("late"), likely_s=600)
    charge(late)
    told = next(one for one in seen(Path("late"), once=True, width=120) if "elapsed" in one)
    assert "likely" not in told
    assert told.endswith("at the latest Fri 12:40, in 1 d 3 h")


def test_what_rounds_to_nothing_has_no_sign():
    """A reading some microseconds younger than its row, and a current next to nothing."""
    at_ns = START.bench_ns + SECOND
    sample = Sample(
        at_ns, voltage_v=3.6, voltage_at_ns=at_ns + 40_000_000, current_a=-1e-5,
        current_at_ns=at_ns, surface_c=-0.04, surface_at_ns=at_ns,
    )  # fmt: skip
    told = readings_of(sample, {})
    assert [(one.value, one.age) for one in told] == [
        ("3.6000 V", "0.0 s old"),
        ("+0.0000 A", "0.0 s old"),
        ("0.0 degC", "0.0 s old"),
    ]


def test_plain_lines_on_a_terminal_break_between_words():
    """A narrow terminal: every line is whole words."""
    run = begin(Path("run"))
    charge(run)
    finish(run, "tripped", 5, trip=TRIP)
    words = {word for line in seen(Path("run"), plain=True, width=200) for word in line.split()}
    narrow = seen(Path("run"), plain=True, width=40, terminal=True)
    assert all(len(line) <= 40 for line in narrow)
    assert {word for line in narrow for word in line.split()} <= words

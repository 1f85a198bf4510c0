"""``check`` says once what repeats, and nothing is lost by it."""

from hypothesis import given
from hypothesis import strategies as st

from sequencer.commands.folding import fold
from tests.cli.places import CELL, ROOT

LOOPED = """\
profile: Seventy cycles
steps:
  - {step: rest, for: 1 min}
  - step: repeat
    times: 70
    steps:
      - {step: charge, current: 0.3 C, voltage: recommended, termination current: 0.1 C}
      - {step: rest, for: 10 min}
      - {step: discharge, current: 1 C, cut-off voltage: recommended}
      - {step: rest, for: 20 min}
  - {step: rest, for: 2 min}
"""


@given(st.lists(st.sampled_from("abc"), max_size=60))
def test_the_blocks_are_the_whole_list(texts):
    """Unfolded, they are what was given, in order."""
    unfolded = []
    for block in fold(texts.__getitem__, 0, len(texts)):
        assert block.first == len(unfolded)
        unfolded += texts[block.first : block.first + block.length] * block.times
    assert unfolded == texts


def test_a_loop_between_two_rests():
    """One step, a block of two done three times, one step; two equal neighbours fold nothing."""
    assert list(fold("rcdcdcds".__getitem__, 0, 8)) == [(0, 1, 1), (1, 2, 3), (7, 1, 1)]
    assert list(fold("rr".__getitem__, 0, 2)) == [(0, 1, 1), (1, 1, 1)]


def test_a_looped_profile_is_said_in_a_few_lines(ask, tmp_path):
    """282 steps of which six differ: each is said once, with how often it is done."""
    profile = tmp_path / "looped.yaml"
    profile.write_text(LOOPED, encoding="utf-8")
    told = ask("check", profile, "--cell", CELL)
    lines = told.out.splitlines()
    assert "282 steps" in lines[0]
    assert len(lines) < 30
    assert "   these 4 steps, 70 times in all: up to step 281" in lines
    assert any(line.startswith("282. Rest for 2 min") for line in lines)
    assert not any("more step" in line for line in lines)
    assert len(ask("check", profile, "--cell", CELL, "--json").data["steps"]) == 200


def test_a_loop_in_a_loop_is_said_once(ask):
    """The shipped cycle life, 349 steps: a reference, a cycle, the reference behind twenty of them,
    and how often each is done. The rest of the first reference is no part of the cycles."""
    told = ask("check", ROOT / "profiles/cycle-life.yaml", "--cell", CELL)
    lines = told.out.splitlines()
    inner = lines.index("   these 4 steps, 20 times in all: up to step 84")
    outer = lines.index("   these 84 steps, at most 4 times in all: up to step 340")
    numbers = [int(one.partition(".")[0]) for one in lines if one[0].isdigit() and ". " in one[:5]]
    assert inner < outer
    assert numbers == [*range(1, 9), 85, 86, 87, 88, *range(341, 350)]
    assert not any("more step" in line for line in lines)

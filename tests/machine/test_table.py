"""The table itself: its shape, its rules, and the picture in DEVELOPERS.md."""

from pathlib import Path

import pytest

from sequencer.machine.table import TABLE, Event, IllegalEventError, after, picture
from sequencer.vocabulary.intent import DRIVING, FINAL, State

ROOT = Path(__file__).parents[2]


def test_every_state_is_in_the_table_and_final_states_have_no_exits():
    """Nothing is forgotten, and what is over is over."""
    assert set(TABLE) == set(State)
    assert {state for state, ways in TABLE.items() if not ways} == set(FINAL)


def test_a_driving_state_never_leads_to_the_other_one():
    """Break before make is a property of the table."""
    for state in DRIVING:
        assert (DRIVING - {state}).isdisjoint(TABLE[state].values())


def test_every_state_that_is_not_over_or_ending_can_trip():
    """A trip is possible always."""
    for state in set(State) - FINAL - {State.MAKING_SAFE}:
        assert TABLE[state][Event.TRIP] is State.MAKING_SAFE


def test_every_state_can_be_reached_and_left_for_a_final_one():
    """No dead end and no orphan."""
    reached, frontier = {State.CHECKING}, [State.CHECKING]
    while frontier:
        for target in TABLE[frontier.pop()].values():
            if target not in reached:
                reached.add(target)
                frontier.append(target)
    assert reached == set(State)


@pytest.mark.parametrize("state", list(State))
@pytest.mark.parametrize("event", list(Event))
def test_an_illegal_event_raises_and_says_so(state: State, event: Event):
    """Outside the table nothing happens but an error with both names."""
    if event in TABLE[state]:
        assert after(state, event) is TABLE[state][event]
    else:
        with pytest.raises(IllegalEventError) as told:
            after(state, event)
        assert str(told.value) == f"{event.value} is not possible while {state.value}"
        assert (told.value.state, told.value.event) == (state, event)


def test_the_picture_in_the_guide_is_the_table():
    """DEVELOPERS.md shows the diagram that the table prints."""
    assert f"```mermaid\n{picture()}\n```" in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")

"""The transition table of a run. Every picture of the states is printed from it.

Outputs may be on only in CHARGING and DISCHARGING, and neither leads to the other: the way between
them is RESTING or CHANGEOVER, and an output goes on from there only when off has been measured.
Final states have no exits.
"""

from enum import Enum

from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.verdict import Ending


class Event(Enum):
    """What may happen to a run."""

    CHECKED = "checked"
    REFUSE = "refuse"
    BEGIN_REST = "begin rest"
    BEGIN_CHARGE = "begin charge"
    BEGIN_DISCHARGE = "begin discharge"
    SWITCH_OFF = "switch off"
    FINISH = "finish"
    PAUSE = "pause"
    CONTINUE = "continue"
    TRIP = "trip"
    PROVEN_DONE = "off proven, done"
    PROVEN_ABORTED = "off proven, aborted"
    PROVEN_TRIPPED = "off proven, tripped"
    PROVEN_FAULTED = "off proven, fault"
    NOT_PROVEN = "off not proven"


BEGIN = {
    Direction.REST: Event.BEGIN_REST,
    Direction.CHARGE: Event.BEGIN_CHARGE,
    Direction.DISCHARGE: Event.BEGIN_DISCHARGE,
}
"""What begins with a step, by which way charge flows in it."""
PROVEN = {
    Ending.DONE: Event.PROVEN_DONE,
    Ending.ABORTED: Event.PROVEN_ABORTED,
    Ending.TRIPPED: Event.PROVEN_TRIPPED,
    Ending.FAULTED: Event.PROVEN_FAULTED,
}
"""What the proof of off makes of each ending."""
ENDINGS = {
    State.DONE: Ending.DONE,
    State.ABORTED: Ending.ABORTED,
    State.TRIPPED: Ending.TRIPPED,
    State.FAULTED: Ending.FAULTED,
}
"""The ending that a final state stands for."""

_S, _E = State, Event
_ANYTIME = {_E.TRIP: _S.MAKING_SAFE}
_WHILE_RUNNING = {**_ANYTIME, _E.PAUSE: _S.PAUSED, _E.FINISH: _S.FINISHING}

TABLE: dict[State, dict[Event, State]] = {
    _S.CHECKING: {**_ANYTIME, _E.CHECKED: _S.CHANGEOVER, _E.REFUSE: _S.REFUSED},
    _S.CHANGEOVER: {
        **_WHILE_RUNNING,
        _E.BEGIN_REST: _S.RESTING,
        _E.BEGIN_CHARGE: _S.CHARGING,
        _E.BEGIN_DISCHARGE: _S.DISCHARGING,
    },
    _S.RESTING: {
        **_WHILE_RUNNING,
        _E.BEGIN_REST: _S.RESTING,
        _E.BEGIN_CHARGE: _S.CHARGING,
        _E.BEGIN_DISCHARGE: _S.DISCHARGING,
        _E.SWITCH_OFF: _S.CHANGEOVER,
    },
    _S.CHARGING: {
        **_WHILE_RUNNING,
        _E.BEGIN_REST: _S.RESTING,
        _E.BEGIN_CHARGE: _S.CHARGING,
        _E.SWITCH_OFF: _S.CHANGEOVER,
    },
    _S.DISCHARGING: {
        **_WHILE_RUNNING,
        _E.BEGIN_REST: _S.RESTING,
        _E.BEGIN_DISCHARGE: _S.DISCHARGING,
        _E.SWITCH_OFF: _S.CHANGEOVER,
    },
    _S.PAUSED: {**_ANYTIME, _E.CONTINUE: _S.CHANGEOVER},
    _S.FINISHING: {**_ANYTIME, _E.PROVEN_DONE: _S.DONE},
    _S.MAKING_SAFE: {
        _E.PROVEN_ABORTED: _S.ABORTED,
        _E.PROVEN_TRIPPED: _S.TRIPPED,
        _E.PROVEN_FAULTED: _S.FAULTED,
        _E.NOT_PROVEN: _S.UNPROVEN,
    },
    _S.DONE: {},
    _S.ABORTED: {},
    _S.TRIPPED: {},
    _S.FAULTED: {},
    _S.UNPROVEN: {},
    _S.REFUSED: {},
}


class IllegalEventError(RuntimeError):
    """Ours: an event that the table does not allow in this state; nothing has changed."""

    def __init__(self, state: State, event: Event) -> None:
        self.state, self.event = state, event
        super().__init__(f"{event.value} is not possible while {state.value}")


def after(state: State, event: Event) -> State:
    """The state that ``event`` leads to.

    Raises:
        IllegalEventError: the table has no such way.
    """
    try:
        return TABLE[state][event]
    except KeyError:
        raise IllegalEventError(state, event) from None


def picture() -> str:
    """The table as a Mermaid state diagram, for DEVELOPERS.md."""
    lines = ["stateDiagram-v2", f"    [*] --> {_node(State.CHECKING)}"]
    for state, ways in TABLE.items():
        for event, target in ways.items():
            lines.append(f"    {_node(state)} --> {_node(target)}: {event.value}")
        if not ways:
            lines.append(f"    {_node(state)} --> [*]")
    return "\n".join(lines)


def _node(state: State) -> str:
    return state.name.lower()

"""Instruments that are not who they were: asked before anything goes on after a pause.

What is found is a fault in the sample, so that a replay finds it too.
"""

from collections.abc import Callable, Sequence

from sequencer.ports import Identity
from sequencer.vocabulary.faults import Fault, FaultKind, RefusedError


def changed_instruments(
    known: Sequence[Identity], ask: Callable[[], Sequence[Identity]]
) -> list[Fault]:
    """Who of those that ``ask`` finds is not who was ``known``, and who does not answer. What else
    an answer holds (a reading, where an instrument has no identity) may differ."""
    before = {(one.instrument, one.who) for one in known}
    try:
        now = ask()
    except RefusedError as refusal:
        return [Fault(FaultKind.NO_REPLY, "bench", "", one) for one in refusal.reasons]
    return [
        Fault(FaultKind.IDENTITY_CHANGED, one.instrument, "", f"{one.raw or one.model} answers")
        for one in now
        if (one.instrument, one.who) not in before
    ]

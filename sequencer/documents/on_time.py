"""A load's own timer: it ends its current by itself so long after it was switched on.

What a definition must say of it. Whether it does so is for the proof test to measure.
"""

from collections.abc import Iterator, Mapping

from sequencer.documents.capability import Capability
from sequencer.documents.operation import Operation
from sequencer.documents.operations import ON_TIME
from sequencer.documents.rules import Broken


def misfits_of_on_time(
    kind: str, operations: Mapping[str, Operation], capabilities: Mapping[str, Capability]
) -> Iterator[Broken]:
    """A load alone has one; how long it may be is known, and 0 s takes it off."""
    if ON_TIME not in operations:
        return
    able = capabilities.get(ON_TIME)
    if kind != "load":
        yield f"only a load ends its current by itself, not a {kind}", ("operations", ON_TIME)
    elif able is None:
        yield f"the operation {ON_TIME} needs the capability {ON_TIME}", ("capabilities",)
    elif able.low != 0.0:
        rule = "must begin at 0 s, which takes the timer off"
        yield rule, ("capabilities", ON_TIME, "ranges", 0, "low")

"""How long a round of questions to one instrument may take, from its definition. Pure."""

from collections.abc import Iterable

from sequencer.documents.definition import InstrumentDefinition

OVERDUE_S = 0.5
"""Real time after which a round still under way is told as a fault, where the definition does not
say that the instrument is slower."""
_MORE = 1.25
"""A slow instrument may take so many times what its definition says."""


def overdue_s(definition: InstrumentDefinition, operations: Iterable[str]) -> float:
    """Real time after which a round of these questions is told as a fault; the look at identity,
    settings and errors that may follow counts too."""
    words = 1 + (definition.errors is not None)
    for name in operations:
        asked = definition.operations[name]
        words += 1 + len(asked.then_query) + (asked.select is not None)
    words += sum(one.read_back is not None for one in definition.operations.values())
    return max(OVERDUE_S, _MORE * words * definition.link.exchange_s)

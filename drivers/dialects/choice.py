"""Which dialect a definition names."""

from drivers.dialects.base import Dialect
from drivers.dialects.line import LineDialect
from drivers.dialects.scpi import ScpiDialect
from sequencer.documents.definition import InstrumentDefinition

DIALECTS = {"scpi": ScpiDialect, "line": LineDialect, "modbus": LineDialect}
"""Modbus is lines too: the link puts each into its frame."""


def dialect_for(definition: InstrumentDefinition, culprit: str) -> Dialect:
    """The dialect of an instrument that is called ``culprit`` in the bench document."""
    return DIALECTS[definition.dialect](definition, culprit)

"""Fault documents made in one line."""

from sequencer.documents.faults import FaultDocument


def fault(**keys: str) -> FaultDocument:
    """A fault document from its keys, with ``_`` for a space and ``for_`` for for."""
    texts = {key.rstrip("_").replace("_", " "): text for key, text in keys.items()}
    return FaultDocument.model_validate({"fault": "a test", **texts})

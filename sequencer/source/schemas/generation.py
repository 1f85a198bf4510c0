"""Makes the schemas: JSON Schema 2020-12, kept to the keywords that draft-07 editors know.

Owns the list of kinds of documents. A schema only helps while writing: the models judge.
"""

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from sequencer.documents.bench import BenchDocument
from sequencer.documents.cell import CellDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.faults import FaultDocument
from sequencer.documents.product_use import UseDocument
from sequencer.documents.profile import ProfileDocument
from sequencer.documents.simulation import SimulatedCellDocument
from sequencer.documents.specimen import SpecimenDocument

FOLDER = Path(__file__).parent

KINDS: dict[str, type[BaseModel]] = {
    "profile": ProfileDocument,
    "cell": CellDocument,
    "specimen": SpecimenDocument,
    "use": UseDocument,
    "bench": BenchDocument,
    "definition": InstrumentDefinition,
    "simulated-cell": SimulatedCellDocument,
    "faults": FaultDocument,
}
"""Every kind of document that a person writes, by the name of its schema."""

_NUMERIC = re.compile(r"[0-9]+(\.[0-9]+)?")
_QUANTITY = re.compile(r"\^(\[\+-\]\?[^\n]*)\$(?=\"[,\n])")
"""A quantity's pattern: in a profile it may also be a parameter."""
_DROPPED = frozenset({"default", "discriminator", "title"})
"""A default stands in inside units, which no document is written in; the others say nothing."""


def schema_path(kind: str) -> Path:
    """Where the schema of a kind lies."""
    return FOLDER / f"{kind}.schema.json"


def schema_text(kind: str) -> str:
    """The schema of a kind as it is written to disk."""
    schema = _plain(KINDS[kind].model_json_schema(by_alias=True))
    head = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"nightbench {kind}",
    }
    text = json.dumps(head | schema, indent=1, ensure_ascii=False) + "\n"
    return _QUANTITY.sub(r"^(parameter .+|\1)$", text) if kind == "profile" else text


def write_all() -> None:
    """Write every schema, in place."""
    for kind in KINDS:
        schema_path(kind).write_text(schema_text(kind), encoding="utf-8")


def _plain(schema: dict[str, Any]) -> dict[str, Any]:
    """One schema object without what editors should not see, and its parts likewise."""
    kept = {key: value for key, value in schema.items() if key not in _DROPPED}
    if kept.get("type") == "string" and not kept.keys() & {"pattern", "enum", "const", "format"}:
        # A bare 12 or true is text when we read it; to an editor it is a number or a boolean.
        kept["type"] = ["string", "number", "boolean"]
    words = kept.pop("const", None)
    words = [words] if words is not None else kept.get("enum")
    if words is not None:
        numbers = [json.loads(word) for word in words if _NUMERIC.fullmatch(str(word))]
        kept["enum"] = [*words, *numbers]
        kept.pop("type", None)
    for key, part in _PARTS.items():
        if key in kept:
            kept[key] = part(kept[key])
    if len(kept.get("anyOf", ())) == 1:
        kept |= kept.pop("anyOf")[0]
    return kept


def _plain_items(value: Any) -> Any:
    return _plain(value) if isinstance(value, dict) else value


def _plain_each(value: Any) -> Any:
    return {name: _plain(one) for name, one in value.items()}


def _plain_list(value: Any) -> Any:
    # What may be left out is left out: nobody writes an empty value.
    return [_plain(one) for one in value if one != {"type": "null"}]


_PARTS: dict[str, Callable[[Any], Any]] = {
    "properties": _plain_each,
    "$defs": _plain_each,
    "items": _plain_items,
    "additionalProperties": _plain_items,
    "anyOf": _plain_list,
    "oneOf": _plain_list,
    "allOf": _plain_list,
}

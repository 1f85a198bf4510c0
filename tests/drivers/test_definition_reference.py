"""The reference of definitions names all that a definition may hold, and its example runs."""

import re
import typing
from pathlib import Path

from pydantic import BaseModel

from drivers.registry import definition_path
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.operations import CAPABILITIES, OPERATIONS

REFERENCE = Path(definition_path("generic-scpi-supply")).with_name("README.md")


def keys_of(model: type[BaseModel], seen: set[type] | None = None) -> set[str]:
    """Every key of a model and of the models within."""
    seen = set() if seen is None else seen
    found: set[str] = set()
    if model in seen:
        return found
    seen.add(model)
    for field in model.model_fields.values():
        found.add(str(field.alias))
        for inner in models_in(field.annotation):
            found |= keys_of(inner, seen)
    return found


def models_in(annotation: object) -> list[type[BaseModel]]:
    """Models anywhere within an annotation."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [one for part in typing.get_args(annotation) for one in models_in(part)]


def test_every_key_and_every_name_is_in_the_reference():
    """What is not said there cannot be found by who needs it."""
    text = REFERENCE.read_text(encoding="utf-8")
    named = set(re.findall(r"`([^`]+)`", text.replace("\n", " ")))
    assert (keys_of(InstrumentDefinition) | set(OPERATIONS) | set(CAPABILITIES)) - named == set()


def test_the_example_runs(capsys):
    """It conforms."""
    code = re.search(r"```python\n(.*?)```", REFERENCE.read_text(encoding="utf-8"), re.DOTALL)
    assert code is not None
    exec(compile(code[1], str(REFERENCE), "exec"), {})
    assert capsys.readouterr().out == "conforms\n"

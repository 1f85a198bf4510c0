"""Every word of the language stands in the reference where it belongs, and is used in an example.

Both are taken from the models, so a key that is added is missed here at once.
"""

import re
from collections.abc import Iterator
from enum import Enum
from functools import cache
from inspect import get_annotations
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import pytest
from pydantic import BaseModel

from sequencer.documents.profile import ProfileDocument
from sequencer.documents.symbolic_values import Form, SymbolicValue, Tightened
from sequencer.source.loading import load, load_text
from sequencer.source.schemas.generation import KINDS
from tests.profiles.test_reference import COOL, EXAMPLES, ROOT, TEXT, indented, models

CHAPTERS = {
    "profile": "The profile",
    "cell": "The cell document",
    "specimen": "The specimen",
    "use": "The use document",
    "bench": "The bench document",
    "definition": "An instrument definition of your own",
    "simulated-cell": "The simulated cell",
    "faults": "Faults",
}
COMMON = ("step", "label", "at most", "sampling")
"""What every step may have: a table of its own says these."""
SHIPPED = ("profiles", "sim_configs", "drivers/definitions")
FAULT_KINDS = "sim_configs/faults/README.md"
"""The kinds of faults have a table of their own, to which their chapter points."""


def parted(text: str, level: int) -> dict[str, str]:
    """The parts of a page under the headings of that level."""
    head = "#" * level
    found = re.finditer(
        rf"^{head} (.+?)\n(.*?)(?=^#{{1,{level}}} |\Z)", text, re.DOTALL | re.MULTILINE
    )
    return {one[1]: one[2] for one in found}


@cache
def chapter(kind: str) -> str:
    """What the reference says of a kind of document."""
    text = parted(TEXT, 2)[CHAPTERS[kind]]
    if kind != "faults":
        return text
    assert f"](../{FAULT_KINDS.rpartition('/')[0]})" in text
    return text + (ROOT / FAULT_KINDS).read_text(encoding="utf-8")


def fixed(annotation: Any) -> Iterator[str]:
    """The words that may stand as a value."""
    if get_origin(annotation) is Literal:
        yield from map(str, get_args(annotation))
    elif isinstance(annotation, type) and issubclass(annotation, Enum):
        yield from (one.value for one in annotation)
    else:
        for part in get_args(annotation):
            yield from fixed(part)


def test_every_kind_of_document_has_its_chapter():
    """A kind that is added needs one."""
    assert sorted(CHAPTERS) == sorted(KINDS)


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_key_and_every_word_stands_in_the_chapter_of_its_document(kind):
    """A key that only another document's chapter says is missed too; so is a word that may stand
    as a value."""
    said, missing = chapter(kind).replace("\n", " "), []
    for model in sorted(models(KINDS[kind], set()), key=lambda one: one.__name__):
        for field in model.model_fields.values():
            words = [str(field.alias), *(fixed(field.annotation) if field.alias != "step" else ())]
            missing += [f"{model.__name__}: {word}" for word in words if f"`{word}`" not in said]
    assert missing == []


def left_out(kind: str) -> Iterator[tuple[str, str]]:
    """The keys of the tables of a chapter that say what holds when one is left out, and what."""
    for block in re.findall(r"(?:^\|.*\n)+", chapter(kind), re.MULTILINE):
        head, _, *rows = [row.strip("|").split(" | ") for row in block.splitlines()]
        if "left out" in head[-1]:
            yield from ((key, row[-1]) for row in rows for key in re.findall(r"`([^`]+)`", row[0]))


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_what_the_tables_call_needed_is_what_the_models_need(kind):
    """And a key that a table has is one that there is."""
    needs: dict[str, set[bool]] = {}
    for model in models(KINDS[kind], set()):
        for field in model.model_fields.values():
            needs.setdefault(str(field.alias), set()).add(field.is_required())
    told = [(key, cell.strip().startswith("needed")) for key, cell in left_out(kind)]
    assert [key for key, is_needed in told if is_needed not in needs.get(key, ())] == []


def steps() -> dict[str, type[BaseModel]]:
    """Every kind of step by its tag."""
    return {
        get_args(one.model_fields["step"].annotation)[0]: one
        for one in models(ProfileDocument, set())
        if "step" in one.model_fields
    }


@pytest.mark.parametrize("tag", sorted(steps()))
def test_every_key_of_a_step_stands_under_its_heading(tag):
    """But for those that every step may have."""
    keys = [str(field.alias) for field in steps()[tag].model_fields.values()]
    said = parted(TEXT, 4)[tag]
    assert [key for key in keys if key not in COMMON and f"`{key}`" not in said] == []


Used = tuple[str, str]
"""The model that a key is declared in, and its name there."""


def walked(value: Any) -> Iterator[Used | str]:
    """The keys that a document gives, those of what it is made of too; and the words and forms that
    stand in place of a quantity."""
    if isinstance(value, BaseModel):
        for name in type(value).model_fields:
            if name in value.model_fields_set:
                yield declared(type(value), name)
            yield from walked(getattr(value, name))
    elif isinstance(value, dict):
        yield from (found for one in value.values() for found in walked(one))
    elif isinstance(value, tuple | list):
        yield from (found for one in value for found in walked(one))
    elif isinstance(value, SymbolicValue):
        yield value.value
    elif isinstance(value, Tightened):
        form = Form.SHARE if not value.added_v else Form.PLUS if value.added_v > 0.0 else Form.LESS
        yield form.value


def declared(model: type[BaseModel], name: str) -> Used:
    """The key, and where it is declared: what all steps have in common needs one example."""
    owners = [one for one in model.__mro__ if name in get_annotations(one)]
    is_common = "step" in model.model_fields and name.replace("_", " ") in COMMON
    return "every step" if is_common else owners[-1].__name__, name


def documents() -> Iterator[BaseModel]:
    """The examples of the reference, and what ships to be copied."""
    for what, text in EXAMPLES:
        if what.startswith("document: "):
            yield load_text(text, "README.md", KINDS[what.removeprefix("document: ")]).document
        elif what == "steps":
            whole = f"profile: x\nlimits:\n  {COOL}\nsteps:\n{indented(text)}"
            yield load_text(whole, "README.md", ProfileDocument, ROOT / "profiles").document
        else:
            rest = f"profile: x\n{what}:\n{indented(text)}steps:\n  - {{step: rest, for: 1 min}}\n"
            yield load_text(rest, "README.md", ProfileDocument).document
    firsts = {str(next(iter(one.model_fields.values())).alias): one for one in KINDS.values()}
    for path in [file for folder in SHIPPED for file in sorted((ROOT / folder).rglob("*.yaml"))]:
        model = firsts.get(first_key(path))
        if model is not None:
            yield load(path, model).document


def first_key(path: Path) -> str:
    """By which the kind of a document is known."""
    lines = path.read_text(encoding="utf-8").splitlines()
    return next(line for line in lines if line and line[0].isalpha()).partition(":")[0]


@cache
def used() -> frozenset[Used | str]:
    """What the examples use."""
    return frozenset(found for document in documents() for found in walked(document))


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_key_is_used_in_an_example(kind):
    """In the reference, or in what ships."""
    keys = {
        (declared(model, name), str(field.alias))
        for model in models(KINDS[kind], set())
        for name, field in model.model_fields.items()
    }
    assert sorted(f"{key[0]}: {alias}" for key, alias in keys if key not in used()) == []


def test_every_form_of_a_value_is_used_in_an_example():
    """The words that stand for one, and the two ways to tighten it."""
    assert {one.value for one in (*SymbolicValue, *Form)} - used() == set()

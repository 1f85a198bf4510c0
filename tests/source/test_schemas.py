"""JSON Schemas: the committed are the generated, and every shipped document fits its own."""

import json
import re
from typing import Any

import jsonschema
import pytest
import yaml

from sequencer.source.loading import load
from sequencer.source.schemas import generation
from sequencer.source.schemas.copying import copy_schemas
from sequencer.source.schemas.generation import FOLDER, KINDS, schema_path, schema_text
from tests.house.tree import ROOT
from tests.source import samples
from tests.source.shipped import documents, kind_of, schema_of

# Keywords with the same meaning in draft-07 and in 2020-12; ``$defs`` is reached by pointer only.
KEYWORDS = {
    "$defs",
    "$ref",
    "$schema",
    "additionalProperties",
    "anyOf",
    "description",
    "enum",
    "exclusiveMinimum",
    "exclusiveMaximum",
    "format",
    "items",
    "maxItems",
    "maxLength",
    "maxProperties",
    "maximum",
    "minItems",
    "minLength",
    "minProperties",
    "minimum",
    "oneOf",
    "pattern",
    "properties",
    "propertyNames",
    "required",
    "title",
    "type",
}


def as_an_editor_reads(node: Any) -> Any:
    """A YAML 1.2 core document as editors type it: 12 is a number, ``yes`` is text."""
    if isinstance(node, yaml.MappingNode):
        return {as_an_editor_reads(key): as_an_editor_reads(value) for key, value in node.value}
    if isinstance(node, yaml.SequenceNode):
        return [as_an_editor_reads(one) for one in node.value]
    text: str = node.value
    if node.style in ("'", '"', "|", ">"):
        return text
    if re.fullmatch(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?", text):
        return int(text) if re.fullmatch(r"[-+]?[0-9]+", text) else float(text)
    return {"true": True, "false": False, "null": None, "~": None, "": None}.get(text, text)


def keywords(schema: Any) -> set[str]:
    """Every keyword that a schema uses, names of properties left out."""
    if isinstance(schema, list):
        return set().union(*map(keywords, schema), set())
    if not isinstance(schema, dict):
        return set()
    found = set(schema)
    for key, value in schema.items():
        inner = value.values() if key in ("properties", "$defs") else [value]
        if key not in ("enum", "required"):
            found = found.union(*map(keywords, inner))
    return found


@pytest.mark.parametrize("kind", KINDS)
def test_the_committed_schema_is_the_generated_one(kind):
    """After a change to a model, ``python -m sequencer.source.schemas`` writes them anew."""
    assert json.loads(schema_path(kind).read_text(encoding="utf-8")) == json.loads(
        schema_text(kind)
    )


def test_all_schemas_are_written_anew(tmp_path, monkeypatch):
    """The command leaves one file for each kind."""
    monkeypatch.setattr(generation, "FOLDER", tmp_path)
    generation.write_all()
    assert {path.name for path in tmp_path.iterdir()} == {f"{kind}.schema.json" for kind in KINDS}


def test_no_schema_is_left_over():
    """Each committed schema belongs to a kind that exists."""
    assert {path.name for path in FOLDER.glob("*.json")} == {schema_path(k).name for k in KINDS}


@pytest.mark.parametrize("kind", KINDS)
def test_a_schema_is_one_that_both_drafts_know(kind):
    """Valid against the meta-schemas of 2020-12 and of draft-07, and no keyword of only one."""
    schema = json.loads(schema_text(kind))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft7Validator.check_schema(schema)
    assert keywords(schema) - KEYWORDS == set()


@pytest.mark.parametrize("path", documents(), ids=str)
def test_every_shipped_document_names_its_schema_and_fits_it(path):
    """An editor finds the schema by the first line, and underlines nothing."""
    kind, schema = kind_of(path), schema_of(path)
    assert schema is not None
    assert schema.resolve() == schema_path(kind)
    value = as_an_editor_reads(yaml.compose((ROOT / path).read_text(encoding="utf-8")))
    loaded = json.loads(schema.read_text(encoding="utf-8"))
    for validator in (jsonschema.Draft202012Validator, jsonschema.Draft7Validator):
        assert list(validator(loaded).iter_errors(value)) == []


@pytest.mark.parametrize("path", documents(), ids=str)
def test_every_shipped_document_loads(path):
    """Each document in the tree is read without a fault."""
    load(ROOT / path, KINDS[kind_of(path)])


def test_there_are_documents_to_judge():
    """The two tests above are not empty."""
    assert {kind_of(path) for path in documents()} >= {"profile", "cell", "bench", "definition"}


@pytest.mark.parametrize(
    ("kind", "text", "old", "new"),
    [
        ("cell", samples.CELL, "charge voltage: 4.2 V", "charge voltage: 4.2"),
        ("cell", samples.CELL, "chemistry: NMC", "chemistry: XYZ"),
        ("cell", samples.CELL, "storage voltage", "storage volts"),
        ("bench", samples.BENCH, "place: surface", "place: roof"),
        ("simulated-cell", samples.TRUTH, "50 J/K", "50 J"),
        ("specimen", samples.SPECIMEN, "of: bare", "of: naked"),
        ("profile", samples.PROFILE, "step: rest", "step: pause"),
    ],
)
def test_a_schema_underlines_what_is_wrong(kind, text, old, new):
    """The sound document fits; spoil one thing, and the editor shows it."""
    validator = jsonschema.Draft202012Validator(json.loads(schema_text(kind)))
    assert list(validator.iter_errors(as_an_editor_reads(yaml.compose(text)))) == []
    spoilt = text.replace(old, new, 1)
    assert list(validator.iter_errors(as_an_editor_reads(yaml.compose(spoilt)))) != []


def test_copied_documents_find_their_schemas(tmp_path):
    """What is copied out of an installed nightbench is completed by an editor there too."""
    for path in documents():
        copy = tmp_path / path
        copy.parent.mkdir(parents=True, exist_ok=True)
        copy.write_bytes((ROOT / path).read_bytes())
    copy_schemas(tmp_path)
    for path in documents():
        schema = schema_of(tmp_path / path)
        assert schema is not None
        assert schema.resolve() == tmp_path / "schemas" / schema_path(kind_of(path)).name
        assert schema.is_file()
        rest = (tmp_path / path).read_text(encoding="utf-8").partition("\n")[2]
        assert rest == (ROOT / path).read_text(encoding="utf-8").partition("\n")[2]

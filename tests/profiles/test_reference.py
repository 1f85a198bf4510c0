"""profiles/README.md, executed: every example is read and planned, every key and unit is in it."""

import re
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from sequencer.documents.cell import CellDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.operations import CAPABILITIES, OPERATIONS
from sequencer.documents.profile import ProfileDocument
from sequencer.documents.step_base import LONGEST_LIST
from sequencer.documents.symbolic_values import SymbolicValue
from sequencer.plan import bounds
from sequencer.plan.against_cell import find_breaches
from sequencer.plan.breach import MOST_DIFFERENT, MOST_STEPS
from sequencer.plan.limits import WARMING_C_PER_S
from sequencer.plan.make import make_plan
from sequencer.plan.sentences import explain
from sequencer.run_documents.recommended_values import recommended_values
from sequencer.source.loading import load, load_text
from sequencer.source.schemas.generation import KINDS
from sequencer.vocabulary.quantities import UNITS

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "profiles/README.md").read_text(encoding="utf-8")
EXAMPLE = re.compile(r"<!-- (?P<what>[a-z: -]+) -->\n```yaml\n(?P<yaml>.*?)```", re.DOTALL)
EXAMPLES = [(match["what"], match["yaml"]) for match in EXAMPLE.finditer(TEXT)]
FIRST_CELL = next(text for what, text in EXAMPLES if what == "document: cell")
CELL = load_text(FIRST_CELL, "README.md", CellDocument).document
COOL = "charge temperature: {low: 12 degC, high: 40 degC}"


def indented(text):
    """The lines of a YAML fragment, as the value of a key."""
    return "".join(f"  {line}\n" for line in text.splitlines())


def planned(text):
    """The plan of a whole profile's text, which breaks no rule."""
    made = load_text(text, "README.md", ProfileDocument, ROOT / "profiles").document
    assert find_breaches(made, CELL) == []
    return make_plan(made, CELL)


def test_every_yaml_block_says_what_it_is():
    """So that none goes untested."""
    assert len(EXAMPLES) == TEXT.count("```yaml") > 15


@pytest.mark.parametrize(("what", "text"), EXAMPLES)
def test_every_example_is_read_and_planned(what, text):
    """Whole documents by their model; steps, limits and sampling within a profile of their own."""
    head, rest = "profile: example\n", "steps:\n  - {step: rest, for: 1 min}\n"
    if what.startswith("document: "):
        kind = what.removeprefix("document: ")
        assert load_text(text, "README.md", KINDS[kind]).document
        plan = planned(text) if kind == "profile" else [None]
    elif what == "steps":
        plan = planned(f"{head}limits:\n  {COOL}\nsteps:\n{indented(text)}")
    else:
        plan = planned(f"{head}{what}:\n{indented(text)}{rest}")
    assert len(plan) > 0


def models(kind: type[BaseModel], seen: set[type[BaseModel]]) -> set[type[BaseModel]]:
    """A model and all that it is made of."""
    if kind not in seen:
        seen.add(kind)
        for field in kind.model_fields.values():
            for inner in _inner(field.annotation):
                models(inner, seen)
    return seen


def _inner(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [one for part in get_args(annotation) for one in _inner(part)]


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_key_of_every_document_is_in_the_reference(kind):
    """Written as a key is: `like this`."""
    keys = {
        str(field.alias)
        for model in models(KINDS[kind], set())
        for field in model.model_fields.values()
    }
    assert sorted(key for key in keys if f"`{key}`" not in TEXT) == []


def test_every_step_word_and_operation_is_in_the_reference():
    """The tags of steps as headings, the words that stand for values, the names of operations."""
    steps = re.findall(r"^#### (.+)$", TEXT, re.MULTILINE)
    tags = models(ProfileDocument, set())
    known = {
        get_args(m.model_fields["step"].annotation)[0] for m in tags if "step" in m.model_fields
    }
    assert set(steps) == known
    words = [word.value for word in SymbolicValue] + [*OPERATIONS, *CAPABILITIES]
    assert [word for word in words if f"`{word}`" not in TEXT] == []


def test_every_unit_is_in_the_reference():
    """Slopes by their pattern; every other one by itself."""
    units = {
        unit
        for dimension, units in UNITS.items()
        for unit in units
        if "slope" not in dimension.value
    }
    assert sorted(unit for unit in units if f"`{unit}`" not in TEXT) == []


def test_the_numbers_that_the_reference_states_are_the_ones_that_hold():
    """A default that moves must move here too."""
    assert f"{bounds.CAPACITY_MARGIN * 100:.0f} % of the rated capacity" in TEXT
    assert f"{WARMING_C_PER_S * 60:g} K/min (common practice)" in TEXT
    assert f"{bounds.SLOWEST_TAPER_S / 60:g} min × ln(" in TEXT
    assert f"{bounds.CHANGEOVER_S:g} s a step for changing over" in TEXT
    assert f"{MOST_STEPS:,}\nsteps" in TEXT
    assert f"more than {MOST_DIFFERENT:,} different ones" in TEXT
    assert f"at most {LONGEST_LIST} values" in TEXT


def test_the_two_lines_shown_are_the_ones_that_check_says():
    """For the shipped overnight profile and the demonstration cell."""
    made = load(ROOT / "profiles/overnight-rates.yaml", ProfileDocument).document
    plan = make_plan(made, load(ROOT / "profiles/cells/lamp-pouch.yaml", CellDocument).document)
    sentence, beneath = explain(plan[1]._replace(label=""), plan.limits)
    assert f"```text\n{sentence}\n{beneath}\n```" in TEXT


def test_the_value_shown_by_the_recommended_one_is_what_check_says():
    """For the example above it and the demonstration cell; the profile's line is made up."""
    text = next(text for what, text in EXAMPLES if "50 % of recommended" in text)
    profile = load_text(f"profile: x\nsteps:\n{indented(text)}", "profile.yaml", ProfileDocument)
    cell = load(ROOT / "profiles/cells/lamp-pouch.yaml", CellDocument)
    one = recommended_values(profile, cell)[0]
    source = one.source.removeprefix(f"{ROOT}/profiles/")
    assert f"{one.place}: {one.said} is {one.value} ({source})" in TEXT


def test_what_is_said_of_a_refusal_is_what_is_refused():
    """Place, rule, value and culprit of the example; the line is the cell document's own."""
    cell = load(ROOT / "profiles/cells/lamp-pouch.yaml", CellDocument)
    step = "{step: charge, voltage: 4.30 V, termination current: 0.1 A}"
    text = f"profile: x\nlimits: {{{COOL}}}\nsteps: [{step}]\n"
    (breach,) = find_breaches(load_text(text, "x", ProfileDocument).document, cell.document)
    assert breach.culprit is not None
    line = cell.place(*breach.culprit[1])[1]
    assert f": {breach.message} (cells/lamp-pouch.yaml:{line})" in TEXT


def test_links_lead_somewhere():
    """Within the page, or to a file that is there."""
    anchors = {
        re.sub(r"[^a-z0-9 -]", "", head.lower()).replace(" ", "-")
        for head in re.findall(r"^#+ (.+)$", TEXT, re.MULTILINE)
    }
    targets = re.findall(r"\]\(([^)]+)\)", re.sub(r"`[^`\n]*`", "", TEXT))
    broken = [
        target
        for target in targets
        if not (
            target[1:] in anchors
            if target.startswith("#")
            else (ROOT / "profiles" / target).exists()
        )
    ]
    assert broken == []


def test_the_definition_shown_is_of_a_kind_that_needs_no_more():
    """It is shortened, and still whole."""
    text = next(text for what, text in EXAMPLES if what == "document: definition")
    made = load_text(text, "README.md", InstrumentDefinition).document
    assert made.capability("measure voltage").ranges[0].offset == pytest.approx(0.0004)

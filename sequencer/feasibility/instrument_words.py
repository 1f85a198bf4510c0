"""An instrument definition in words: what it can, which layer of safety it offers, what is missing.

A layer is something that ends a fault without this computer, or that proves off. What is lost
without one is said, because a night may be refused for it later.
"""

from collections.abc import Iterator

from sequencer.documents.capability import Range, difference_of
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.operations import CAPABILITIES, DISABLE, FLAG_GROUPS
from sequencer.documents.texts import groups_of
from sequencer.vocabulary.quantities import UNITS

_LOST = {
    "set over-voltage": "nothing but this computer ends an over-voltage",
    "set over-current": "nothing but this computer ends an over-current",
    "set under-voltage": "a load that goes on when this computer dies empties the cell",
    "clear protection": "a protection that has tripped must be cleared at the panel",
    "set watchdog": "it goes on when this computer falls silent",
    "set on-time": "a burst that a cell stands for seconds only is refused",
}
"""What is lost without an operation."""
_LAYERS = {
    "supply": ("set over-voltage", "set over-current", "clear protection", "set watchdog"),
    "load": (
        "set under-voltage",
        "set over-current",
        "clear protection",
        "set watchdog",
        "set on-time",
    ),
    "contactor": ("set watchdog",),
}
"""The operations that make layers of safety, by kind; thermometers and meters have none."""


def words_of(one: InstrumentDefinition) -> list[str]:
    """Lines for a person."""
    return [*_what(one), *_abilities(one), *_off(one), *_layers(one), *_missing(one)]


def _what(one: InstrumentDefinition) -> Iterator[str]:
    unit = "" if one.link.unit is None else f", as Modbus unit {one.link.unit}"
    kinds = f"{' or '.join(one.link.kinds)}{unit}"
    yield f"{one.definition}: a {one.kind}, spoken to by {kinds}; verified: {one.verified}"
    tells = one.identity.tells
    query = one.identity.query
    yield "who is there: " + ("nothing is asked" if query is None else f"{query!r} tells {tells}")
    if not one.identity.tells_which_one and one.kind in DISABLE:
        yield "  lost: another one that answers alike is taken for it; a person must stay"
    slowest = one.link.slowest_answer
    takes = "quick, for no 'slowest answer' is stated" if slowest is None else f"{slowest:g} s"
    yield f"no answer within {one.link.read_time_out:g} s is a fault; an ordinary one: {takes}"


def _abilities(one: InstrumentDefinition) -> Iterator[str]:
    for name in CAPABILITIES:
        able = one.capabilities.get(name)
        if able is None:
            continue
        unit, step = (
            next(iter(UNITS[kind])) for kind in (able.dimension, difference_of(able.dimension))
        )
        for held in able.ranges:
            yield f"{name}: {_range(held, unit, step)}"
        yield f"  source: {able.source}"


def _range(held: Range, unit: str, step_unit: str) -> str:
    error = " + ".join(
        part
        for part in (
            f"{held.gain * 100:.3g} %" if held.gain else "",
            f"{held.offset:.3g} {step_unit}" if held.offset else "",
        )
        if part
    )
    step = f"{held.resolution.value:g} {step_unit}"
    within = f", within {error}" if error else ", without a stated error"
    return f"{held.low.value:g} to {held.high.value:g} {unit} in steps of {step}{within}"


def _off(one: InstrumentDefinition) -> Iterator[str]:
    disable = DISABLE.get(one.kind)
    if disable is None:
        return
    yield f"off: {', '.join(repr(text) for text in one.session.safe)}, twice, and on a new session"
    back = one.operations[disable].read_back
    question = next(
        (
            name
            for name, asked in one.operations.items()
            if asked.query is not None and set(FLAG_GROUPS) & groups_of(asked.pattern or "")
        ),
        None,
    )
    if back is None and question is None:
        yield "  lost: it never says whether it is off: off is known by its current alone"
    isolates = one.traits.off_isolates
    yield f"  off isolates {isolates}; {one.traits.leakage_when_off:g} A may flow all the same"
    yield f"  when mains returns it comes back {one.traits.power_up_state}"


def _layers(one: InstrumentDefinition) -> Iterator[str]:
    traits = one.traits
    for is_so, words in (
        (traits.latching_undervoltage_cut_out, "a cut-out that ends a discharge and stays off"),
        (traits.communication_watchdog, "a watchdog that ends it when nobody speaks to it"),
        (traits.blocks_reverse_current, "no current flows back into it"),
    ):
        if is_so:
            yield f"layer: {words}"
    for name in _LAYERS.get(one.kind, ()):
        if name in one.operations:
            yield f"layer: {name}"


def _missing(one: InstrumentDefinition) -> Iterator[str]:
    for name in _LAYERS.get(one.kind, ()):
        if name not in one.operations:
            yield f"missing: the operation {name}: {_LOST[name]}"
    if one.errors is None:
        yield "missing: errors: what it complains of is not heard"
    if one.calibration is None:
        yield "missing: calibration: nobody has compared it with something better"
    if one.verified == "untested":
        yield "missing: verified: try it, with 'nightbench bench try'"

"""Rules that a profile can break without any cell: words out of place, endings, sheer number."""

from collections.abc import Iterator, Sequence

from pydantic import BaseModel

from sequencer.documents.profile import ForEach, Part, ProfileDocument, Repeated, Step
from sequencer.documents.rules import UNKNOWN, known
from sequencer.documents.symbolic_values import SymbolicValue
from sequencer.plan.breach import MOST_DIFFERENT, MOST_STEPS, Breach
from sequencer.plan.kinds import kind_of, nested_steps
from sequencer.plan.scope import RECOMMENDED, Path
from sequencer.vocabulary import units

_NOTHING: frozenset[SymbolicValue] = frozenset()


def breaches_within(profile: ProfileDocument) -> list[Breach]:
    """What is wrong with the profile by itself, beyond what its model judges."""
    found = [
        known(_misplaced(profile.steps, ("steps",), _NOTHING)),
        known(_unfinished(profile)),
        known(_too_many(profile)),
        known(_too_little_time(profile)),
    ]
    return [breach for breaches in found for breach in breaches]


def count_steps(steps: Sequence[Step], *, once: bool = False) -> int:
    """How many planned steps these make, worked out without making them; ``once``: without
    repeating."""
    return sum(_count(step, once=once) for step in steps)


def _count(step: Step, *, once: bool) -> int:
    nested = nested_steps(step)
    if nested is not None:
        return (1 if once else nested.passes) * nested.values * count_steps(nested.steps, once=once)
    kind = kind_of(step)
    count, between = kind.count(step), int(kind.between_s is not None)
    passes = kind.passes(step) if kind.passes is not None else 1
    return count + between if once else passes * (count + between) - between


def _too_many(profile: ProfileDocument) -> Iterator[Breach]:
    count = count_steps(profile.steps)
    if count > MOST_STEPS:
        yield Breach("profile", ("steps",), f"{count:,} steps are more than {MOST_STEPS:,}")
    different = count_steps(profile.steps, once=True)
    if different > MOST_DIFFERENT:
        message = f"{different:,} different steps are more than {MOST_DIFFERENT:,}"
        yield Breach("profile", ("steps",), message)


def _too_little_time(profile: ProfileDocument) -> Iterator[Breach]:
    total, least = profile.limits.total_time, least_time(profile.steps)
    if total is not None and least > total:
        message = (
            f"total time {units.duration(total)} is less than the {units.duration(least)} that "
            "rests and pulses alone take"
        )
        yield Breach("profile", ("limits", "total time"), message)


def least_time(steps: Sequence[Step]) -> float:
    """How long these take at least (s): what is timed and cannot end earlier for good reason."""
    return sum(map(_least_time_of, steps))


def _least_time_of(step: Step) -> float:
    nested = nested_steps(step)
    if nested is not None:
        return nested.least_passes * nested.values * least_time(nested.steps)
    kind = kind_of(step)
    between_s = kind.between_s(step) if kind.between_s is not None else 0.0
    passes = kind.passes(step) if kind.passes is not None else 1
    return passes * (kind.least_s(step) + between_s) - between_s


def _unfinished(profile: ProfileDocument) -> Iterator[Breach]:
    for path, step in all_steps(profile.steps, ("steps",)):
        if kind_of(step).is_last and path != ("steps", len(profile.steps) - 1):
            yield Breach("profile", path, f"'{step.step}' must be the last step")


def all_steps(steps: Sequence[Step], path: Path) -> Iterator[tuple[Path, Step]]:
    """Every step, also those within others, with its place."""
    for number, step in enumerate(steps):
        at = (*path, number)
        yield at, step
        nested = nested_steps(step)
        if nested is not None:
            yield from all_steps(nested.steps, (*at, "steps"))


def _misplaced(
    steps: Sequence[Step], path: Path, allowed: frozenset[SymbolicValue]
) -> Iterator[Breach]:
    for number, step in enumerate(steps):
        at = (*path, number)
        if isinstance(step, Repeated | Part):
            yield from known(_misplaced(step.steps, (*at, "steps"), allowed))
        elif isinstance(step, ForEach):
            yield from known(_misplaced_in(step, at, allowed))
        else:
            yield from known(_without_value(step, at, allowed))


def _misplaced_in(step: ForEach, path: Path, allowed: frozenset[SymbolicValue]) -> Iterator[Breach]:
    key, word, values = step.given()
    for number, value in enumerate(values):
        if isinstance(value, SymbolicValue) and value not in RECOMMENDED:
            message = f"'{value.value}' cannot stand in the list that gives it its values"
            yield Breach("profile", (*path, key, number), message)
    yield from known(_unused(step, word, (*path, key)))
    yield from known(_misplaced(step.steps, (*path, "steps"), allowed | {word}))


def _unused(step: ForEach, word: SymbolicValue, path: Path) -> Iterator[Breach]:
    inner = all_steps(step.steps, ())
    if word not in {one for _, within in inner for one, _ in _words(within, ())}:
        yield Breach("profile", path, f"no step within says '{word.value}'")


def _without_value(step: Step, path: Path, allowed: frozenset[SymbolicValue]) -> Iterator[Breach]:
    for word, at in _words(step, path):
        if word is not UNKNOWN and word not in allowed:
            lists = {SymbolicValue.EACH_RATE: "rates", SymbolicValue.EACH_CURRENT: "currents"}
            wanted = lists.get(word, "cut-offs")
            message = f"'{word.value}' stands outside a 'for each' with a list of '{wanted}'"
            yield Breach("profile", at, message)


def _words(model: object, path: Path) -> Iterator[tuple[SymbolicValue, Path]]:
    """The ``each ...`` words in a step's own keys and levels, with their places.

    What is ``UNKNOWN`` may be one, and is given as such.
    """
    if isinstance(model, Repeated | ForEach | Part):
        return
    if not isinstance(model, BaseModel):
        yield UNKNOWN, path
        return
    for name, field in type(model).model_fields.items():
        value, at = getattr(model, name), (*path, str(field.alias))
        if value is UNKNOWN or (isinstance(value, SymbolicValue) and value not in RECOMMENDED):
            yield value, at
        elif isinstance(value, tuple):
            for number, level in enumerate(value):
                if level is UNKNOWN or isinstance(level, BaseModel):
                    yield from _words(level, (*at, number))

"""Findings about time: a bound of the author's that a healthy step would run into, and readings
of one instrument that are not of one instant."""

from collections.abc import Iterator

from sequencer.documents.operations import STAGE_S
from sequencer.feasibility.finding import Ability, Finding, graded
from sequencer.feasibility.situation import Situation
from sequencer.plan.step import PlannedStep, StopKind
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction

_ASKED = ("measure", "measure voltage", "measure current", "state")
_COUNTED = (StopKind.TIME, StopKind.CHARGE, StopKind.ENERGY)


def findings(situation: Situation) -> Iterator[Finding]:
    """Steps that end by voltage or taper and were given less time than a whole cell takes."""
    for step in situation.steps:
        if step.bound_is_derived or not _ends_by_the_cell(step):
            continue
        least_a = step.drive.least_a(situation.limits.full_v)
        whole_s = situation.limits.rated_ah / least_a * 3600.0
        if step.bound_s < whole_s:
            amps, whole = units.amps(least_a), units.duration(whole_s)
            told = (
                f"a whole cell takes {whole} at {amps}, and after {units.duration(step.bound_s)} "
                "the step trips, which ends the run."
            )
            subject = f"{step.place}, at most {units.duration(step.bound_s)}"
            advice = "Leave 'at most' out, or end the step with 'for'."
            yield Finding(Ability.BARELY, subject, told, advice)

    yield from _readings_apart(situation)
    yield from _slow_commands(situation)
    yield from _shared_ports(situation)


def _shared_ports(situation: Situation) -> Iterator[Finding]:
    """Those at one port are asked one after the other: their times add up, and one that is silent
    keeps the others waiting."""
    ports: dict[str, list[str]] = {}
    for name, one in situation.bench.instruments.items():
        if one.channel is not None:
            ports.setdefault(one.address, []).append(name)
    period_s = min((step.sampling.fast_ns for step in situation.steps), default=0) / 1e9
    for names in ports.values():
        links = [situation.definitions[name].link for name in names]
        round_s = sum(_round_s(situation, name) for name in names)
        silent_s = 2.0 * max(link.read_time_out for link in links)
        is_told = all(link.slowest_answer for link in links)
        takes = f"up to {units.duration(round_s)}" if is_told else "nobody knows how long"
        told = (
            f"one port, asked in turns: a round takes {takes} and readings"
            f" are due every {units.duration(period_s)}; one that is silent keeps the port for"
            f" {units.duration(silent_s)}. What other runs ask there comes on top."
        )
        ability = graded(round_s / period_s if period_s else 0.0, 0.5, 1.0)
        if not is_told:
            told += " How long an answer takes is not said for all of them ('slowest answer')."
            ability = max(ability, Ability.BARELY, key=list(Ability).index)
        advice = "" if ability is Ability.CAN else "Sample less often, or give each its own port."
        yield Finding(ability, ", ".join(names), told, advice)


def _round_s(situation: Situation, name: str) -> float:
    """All that may be asked of it in one tick (s)."""
    definition, roles = situation.definitions[name], situation.bench.wiring.names()
    places = [role for role, held in roles.items() if held == name]
    sensors = sum(role.startswith("sensors") for role in places)
    asked = {"measure temperature": sensors, **dict.fromkeys(_ASKED, 1)}
    words = sum(
        times * (1 + len(one.then_query) + (one.select is not None))
        for operation, times in asked.items()
        if (one := definition.operations.get(operation)) is not None
    )
    return words * definition.link.exchange_s


def _slow_commands(situation: Situation) -> Iterator[Finding]:
    """Whoever drives sets, reads back and switches on within one stage: nothing is judged then."""
    for direction in (Direction.CHARGE, Direction.DISCHARGE):
        name, definition = situation.driver(direction)
        needed = ("set voltage", "set current", "output on")[direction is not Direction.CHARGE :]
        link = definition.link if definition is not None else None
        each_s = link.exchange_s + link.gap if link is not None and link.slowest_answer else 0.0
        takes_s = len(needed) * each_s
        if takes_s > STAGE_S:
            told = (
                f"setting, reading back and switching on take up to {units.duration(takes_s)}, and"
                f" {units.duration(STAGE_S)} is the longest that nothing may be judged for."
            )
            yield Finding(Ability.CANNOT, name, told, "It is too slow to drive a cell here.")


def _readings_apart(situation: Situation) -> Iterator[Finding]:
    """Voltage and current that are asked for one after the other: a resistance made of them is of
    two instants, and so is a power."""
    for direction in (Direction.CHARGE, Direction.DISCHARGE):
        name, definition = situation.driver(direction)
        count = 1 + len(definition.operations["measure"].then_query) if definition else 1
        if definition is not None and count > 1:
            longest = units.duration(count * definition.link.read_time_out)
            told = (
                f"voltage, current and output come from {count} questions, one after the other,"
                f" and are up to {longest} apart."
            )
            advice = "Let a meter measure the voltage where the current changes fast."
            yield Finding(Ability.BARELY, str(name), told, advice)


def _ends_by_the_cell(step: PlannedStep) -> bool:
    driven = step.direction is not Direction.REST
    return driven and not any(stop.kind in _COUNTED for stop in step.stops)

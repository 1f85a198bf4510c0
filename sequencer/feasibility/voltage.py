"""Findings about voltage: room to the limits, what leads take, what a load can still draw."""

from collections.abc import Iterator, Sequence

from sequencer.documents.cell import UNUSUAL_V
from sequencer.documents.definition import OperatingPoint
from sequencer.feasibility.finding import Ability, Finding, graded
from sequencer.feasibility.measuring_channels import channel
from sequencer.feasibility.situation import Situation
from sequencer.plan import sentences
from sequencer.plan.step import PlannedStep, StopKind
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction, Held

LEAD_DROP_V = 0.010
"""A drop that moves the crossing to constant voltage noticeably (common practice)."""
LOAD_ROOM_V = 0.1
GOOD_SHARE = 0.02
POOR_SHARE = 0.2
"""Of a pulse's voltage step that one count of the meter may be."""


def findings(situation: Situation) -> Iterator[Finding]:
    """Ceiling, leads, load, pulses, sampling."""
    yield from _ceiling(situation)
    yield from _sense(situation)
    yield from _lead_drop(situation)
    yield from _out_of_reach(situation)
    yield from _minimum_voltage(situation)
    yield from _held_at_cell(situation)
    yield from _pulses(situation)
    yield from _fast(situation)


def _ceiling(situation: Situation) -> Iterator[Finding]:
    steps = situation.driving(Direction.CHARGE)
    name, definition = situation.driver(Direction.CHARGE)
    if not steps or definition is None:
        return
    most = max(step.drive.voltage_v for step in steps)
    room = situation.limits.ceiling_v - most
    setting = channel(situation.definitions, name, "set voltage").error_at(most)
    reading = situation.channels.voltage.error_at(most)
    limit = units.volts(situation.limits.ceiling_v)
    subject = f"charging to {units.volts(most)} under a limit of {limit}"
    told = (
        f"{units.millivolts(room)} of room; {name} sets within {units.millivolts(setting)} and the "
        f"cell voltage is read within {units.millivolts(reading)}"
    )
    if room > 2.0 * (setting + reading):
        yield Finding(Ability.CAN, subject, f"{told}.")
        return
    advice = "Charge to a lower voltage, or adjust the supply against the meter."
    yield Finding(Ability.BARELY, subject, f"{told}: hardly more than both need.", advice)


def _sense(situation: Situation) -> Iterator[Finding]:
    wiring = situation.bench.wiring
    if wiring.voltage.sense == "two-wire":
        ohm = wiring.lead_resistance
        worst = max((step.drive.current_a for step in situation.steps), default=0.0)
        words_ = (
            f"{wiring.voltage.by} measures at the ends of the leads: up to "
            f"{units.millivolts(worst * ohm)} of every voltage under current is the leads'."
        )
        advice = "Take a second pair of wires to the cell's tabs."
        yield Finding(Ability.BARELY, "cell voltage, two-wire", words_, advice)
    yield from _one_instrument_two_senses(situation, "supply", wiring.charge, wiring.supply_sense)
    yield from _one_instrument_two_senses(situation, "load", wiring.discharge, wiring.load_sense)
    if wiring.lead_resistance == 0.0:
        words_ = "no lead resistance is given, so that nothing can be allowed for."
        advice = "Measure it and write 'lead resistance' into the bench's wiring."
        yield Finding(Ability.BARELY, "leads", words_, advice)


def _one_instrument_two_senses(
    situation: Situation, kind: str, name: str | None, own: str
) -> Iterator[Finding]:
    """Supply or load as the voltmeter, with its sense said to reach the cell in one place only."""
    measured = situation.bench.wiring.voltage.sense
    if name != situation.bench.wiring.voltage.by or own == measured:
        return
    told = (
        f"as the voltmeter {name} is {measured}, as the {kind} it is {own} (also where the wiring "
        "leaves it out): if both are the same wires, what the leads take is counted wrongly."
    )
    advice = f"Write '{kind} sense: {measured}', or 'sense: {own}' beside 'voltage'."
    yield Finding(Ability.BARELY, f"sense wires of {name}", told, advice)


def _lead_drop(situation: Situation) -> Iterator[Finding]:
    charges = situation.driving(Direction.CHARGE)
    steps = [step for step in charges if step.drive.held is Held.VOLTAGE]
    if not steps or situation.channels.supply_senses_cell:
        return
    worst = max(steps, key=lambda step: step.drive.current_a)
    drop = worst.drive.current_a * situation.channels.lead_ohm
    if drop < LEAD_DROP_V:
        return
    crossing = units.measured_volts(worst.drive.voltage_v - drop)
    told = (
        f"{units.millivolts(drop)} are lost at {units.amps(worst.drive.current_a)}: the supply "
        f"crosses over when the cell is at {crossing}, and constant voltage takes longer."
    )
    advice = "Use the supply's sense terminals, or shorter and thicker leads."
    yield Finding(Ability.BARELY, "lead drop while charging", told, advice)


def _out_of_reach(situation: Situation) -> Iterator[Finding]:
    """CC charges whose voltage the supply may never bring to the cell: it crosses over before."""
    name, _ = situation.driver(Direction.CHARGE)
    setting = channel(situation.definitions, name, "set voltage")
    ohm = 0.0 if situation.channels.supply_senses_cell else situation.channels.lead_ohm
    rises = situation.limits.full_v > UNUSUAL_V  # little by little: each ends by crossing over
    for step in situation.driving(Direction.CHARGE):
        wanted = _sole_voltage(step)
        reach = step.drive.voltage_v - step.drive.current_a * ohm
        reach -= setting.error_at(step.drive.voltage_v)
        if wanted is None or wanted <= reach or (rises and wanted >= step.drive.voltage_v):
            continue
        told = (
            f"{name} may cross over once the cell is at {units.volts(reach)}: the step then ends "
            "there, when the current has fallen to 90 %."
        )
        subject = f"charging until {units.volts(wanted)}"
        yield Finding(Ability.BARELY, subject, told, "Hold the voltage (CC-CV), or ask for less.")


def _sole_voltage(step: PlannedStep) -> float | None:
    """The voltage of a CC charge that nothing else was asked to end."""
    kinds = {stop.kind: stop.value for stop in step.stops}
    others = {StopKind.TIME, StopKind.CHARGE, StopKind.ENERGY} & kinds.keys()
    return None if others else kinds.get(StopKind.VOLTAGE_ABOVE)


def minimum_voltage(points: Sequence[OperatingPoint], amps: float) -> float:
    """The lowest voltage (V) at which a load draws ``amps``: straight lines through the points, and
    proportional beyond the last."""
    before = (0.0, 0.0)
    for point in sorted(points, key=lambda one: one.at_current):
        here = (point.at_current, point.voltage)
        if amps <= here[0]:
            span = here[0] - before[0]
            share = (amps - before[0]) / span if span > 0.0 else 1.0
            return before[1] + share * (here[1] - before[1])
        before = here
    return before[1] * amps / before[0] if before[0] > 0.0 else before[1]


def _minimum_voltage(situation: Situation) -> Iterator[Finding]:
    name, definition = situation.driver(Direction.DISCHARGE)
    steps = situation.driving(Direction.DISCHARGE)
    if definition is None or not steps:
        return
    points = definition.traits.minimum_operating_voltage

    def room(step: PlannedStep) -> float:
        drop = step.drive.current_a * situation.channels.lead_ohm
        return step.drive.voltage_v - drop - minimum_voltage(points, step.drive.current_a)

    worst = min(steps, key=room)
    amps, cut_off = units.amps(worst.drive.current_a), units.volts(worst.drive.voltage_v)
    subject = f"discharging at {amps} down to {cut_off}"
    needs = units.measured_volts(minimum_voltage(points, worst.drive.current_a))
    drop = units.millivolts(worst.drive.current_a * situation.channels.lead_ohm)
    told = f"{name} needs {needs} at its terminals, the leads take {drop}"
    if room(worst) >= LOAD_ROOM_V:
        yield Finding(Ability.CAN, subject, f"{told}.")
        return
    ability = Ability.BARELY if room(worst) > 0.0 else Ability.CANNOT
    happens = "the current falls short before the cut-off, and the step ends load-limited."
    yield Finding(ability, subject, f"{told}: {happens}", "Discharge slower, or shorten the leads.")


def _held_at_cell(situation: Situation) -> Iterator[Finding]:
    """What the load sees of a power or a resistance that is held at the cell: less by the leads."""
    name, _ = situation.driver(Direction.DISCHARGE)
    for step in situation.driving(Direction.DISCHARGE):
        drive, ohm = step.drive, situation.channels.lead_ohm
        if drive.held not in (Held.POWER, Held.RESISTANCE):
            continue
        watts = drive.most_w(situation.limits.full_v)
        told = (
            f"held at the cell by a current that is set anew after each sample: of up to"
            f" {units.watts(watts)} the leads take up to {units.watts(drive.current_a**2 * ohm)},"
            f" and {name} sees what is left."
        )
        subject = f"{step.words} at {sentences.current(drive, situation.limits.rated_ah)}"
        yield Finding(Ability.CAN, subject, told)


def _pulses(situation: Situation) -> Iterator[Finding]:
    pulses = [step for step in situation.steps if step.words.endswith("pulse")]
    ohm = situation.cell.expected_resistance
    if not pulses or not situation.channels.voltage.present:
        return
    if ohm is None:
        told = "the cell document gives no expected resistance: the voltage step is unknown."
        yield Finding(Ability.BARELY, "pulses", told, "Add 'expected resistance' to it.")
        return
    least = min(step.drive.current_a for step in pulses)
    count = situation.channels.voltage.resolution
    ability = graded(count / (least * ohm), GOOD_SHARE, POOR_SHARE)
    told = (
        f"the voltage steps by about {units.millivolts(least * ohm)}, one count of the meter is "
        f"{units.millivolts(count)}."
    )
    advice = "" if ability is Ability.CAN else "Use larger pulses, or a finer range of the meter."
    yield Finding(ability, f"pulses of {units.amps(least)}", told, advice)


def _fast(situation: Situation) -> Iterator[Finding]:
    asked_ns = min((step.sampling.fast_ns for step in situation.steps), default=1_000_000_000)
    slowest = max(_intervals(situation), key=lambda one: one[0], default=(0.0, ""))
    if slowest[0] * 1e9 <= asked_ns:
        return
    told = (
        f"the profile asks for a sample every {asked_ns / 1e6:g} ms, {slowest[1]} has a new value "
        f"every {slowest[0] * 1e3:g} ms: what comes late keeps its own time."
    )
    yield Finding(Ability.BARELY, "fast sampling", told, "Ask for no more than it gives.")


def _intervals(situation: Situation) -> Iterator[tuple[float, str]]:
    wiring = situation.bench.wiring
    for name, capability in (
        (wiring.voltage.by, "measure voltage"),
        (situation.ammeter(Direction.CHARGE)[0], "measure current"),
        (situation.ammeter(Direction.DISCHARGE)[0], "measure current"),
    ):
        definition = situation.definitions.get(name)
        if definition is not None and capability in definition.capabilities:
            yield definition.capability(capability).fastest_interval, name

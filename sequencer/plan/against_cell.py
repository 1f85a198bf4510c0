"""Rules between a profile and the cell document: nothing beyond a limit is ever planned."""

from collections.abc import Iterator, Sequence
from functools import partial
from math import ceil, isfinite
from typing import NamedTuple

from sequencer.documents.cell import CellDocument
from sequencer.documents.profile import ProfileDocument, Step
from sequencer.documents.rules import UNKNOWN, known, sought
from sequencer.documents.sampling_rule import SamplingRule
from sequencer.plan import awaited_warmth, foreseen_charge, residual, sentences, unusual_voltage
from sequencer.plan.bounds import CAPACITY_MARGIN
from sequencer.plan.breach import LONGEST_S, Breach, Place, once_each
from sequencer.plan.draft import Draft
from sequencer.plan.draft_tree import Drafted, all_drafts, drafted, opening, walk, walk_whole
from sequencer.plan.kinds import NestedSteps, kind_of, nested_steps
from sequencer.plan.likely import likely_s
from sequencer.plan.limit_checks import breaches_of_limits
from sequencer.plan.limits import plan_limits
from sequencer.plan.loops import LoopEnd, LoopEndKind
from sequencer.plan.make import make_plan
from sequencer.plan.plan import Plan
from sequencer.plan.planned_soc import breaches_of_table
from sequencer.plan.scope import Path, Scope
from sequencer.plan.step import TEMPERATURES, PlanLimits, StopKind
from sequencer.plan.tree import reaches
from sequencer.plan.within import all_steps, breaches_within, least_time
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.intent import RESIDUAL


def find_breaches(profile: ProfileDocument, cell: CellDocument) -> list[Breach]:
    """Every rule that the profile breaks, by itself or against the cell; empty when it may be
    planned. Of documents with faults, what is ``UNKNOWN`` in them is passed over."""
    found = breaches_within(profile)
    if any(one.path == ("steps",) for one in found):
        return found  # so many steps are not looked at one by one
    judge = _Judge(profile, cell, plan_limits(profile, cell, 0.0))
    found += [*breaches_of_limits(profile, cell), *known(_too_long(profile, cell))]
    for draft in all_drafts(profile, cell):
        found += judge.judge(draft)
    found += known(_of_waits(profile, cell, judge.limits))
    told = {one.path for one in found}
    found += (one for one in known(_of_table(profile, cell)) if one.path not in told)
    found += known(_of_kinds(profile, cell))
    found += known(foreseen_charge.breaches(profile, cell))
    found += known(_unusual(profile, cell))
    found += known(_of_loops(profile.steps, opening(profile, cell), ("steps",)))
    return once_each(found)


def _of_waits(profile: ProfileDocument, cell: CellDocument, limits: PlanLimits) -> Iterator[Breach]:
    is_own = profile.limits.charge_temperature is not None
    yield from awaited_warmth.breaches(all_drafts(profile, cell), limits, is_own=is_own)


def _of_table(profile: ProfileDocument, cell: CellDocument) -> Iterator[Breach]:
    """All or nothing: behind a step that is not known nobody knows how full the cell is."""
    yield from breaches_of_table(profile, cell)


def _unusual(profile: ProfileDocument, cell: CellDocument) -> Iterator[Breach]:
    if unusual_voltage.is_unusual(cell):
        yield from unusual_voltage.breaches(all_drafts(profile, cell), cell)


def _of_kinds(profile: ProfileDocument, cell: CellDocument) -> Iterator[Breach]:
    """The rules of each kind of step for itself."""
    scope = opening(profile, cell)
    for path, step in all_steps(profile.steps, ("steps",)):
        yield from known(kind_of(step).breaks(step, scope, path))


def _of_loops(steps: Sequence[Step], scope: Scope, path: Path) -> Iterator[Breach]:
    """Every condition of a loop can come, and not in every pass."""
    for number, step in enumerate(steps):
        nested = nested_steps(step)
        if nested is None:
            continue
        at = (*path, number)
        for inner in known(nested.scopes(scope, at)):
            ends = _ends(nested, scope)
            held = drafted(nested.steps, inner, (*at, "steps"), SamplingRule()) if ends else ()
            for end in ends:
                yield from known(_of_end(end, held, (*at, "until", end.kind.value)))
            yield from known(_of_loops(nested.steps, inner, (*at, "steps")))


def _of_end(end: LoopEnd, held: Drafted, path: Path) -> Iterator[Breach]:
    """That a step is missing is told where all are known."""
    if end.kind is LoopEndKind.CAPACITY:
        mains = [one.step.direction for one in walk_whole(held) if one.action.is_main]
        last = max((n for n, way in enumerate(mains) if way is Direction.DISCHARGE), default=-1)
        if Direction.CHARGE not in mains[: max(last, 0)]:
            message = (
                "a pass has no capacity: it needs a charge, and behind it a discharge (no pulse) "
                "to its cut-off"
            )
            yield Breach("profile", path, message)
    if end.kind is LoopEndKind.CUT_OFF_VOLTAGE:
        falls = partial(_falls_to, end)
        reaching, said = [*filter(falls, walk(held))], units.volts_brief(end.value)
        if not reaching and not any(map(falls, walk_whole(held))):
            yield Breach("profile", path, f"no discharge within the loop falls to {said}")
        for one in reaching:
            if all(reaches(stop, end) for stop in one.step.stops):
                message = (
                    f"{one.step.words} ({one.step.place}) falls to {said} in every pass, so that "
                    "the loop ends in the first one: give that step another stop too"
                )
                yield Breach("profile", path, message)


def _falls_to(end: LoopEnd, one: Draft) -> bool:
    return any(reaches(stop, end) for stop in one.step.stops)


def _ends(nested: NestedSteps, scope: Scope) -> tuple[LoopEnd, ...]:
    """The conditions of a loop; none where they are ``UNKNOWN``."""
    ends = sought(lambda: nested.ends(scope))
    return () if ends is UNKNOWN else ends


def _too_long(profile: ProfileDocument, cell: CellDocument) -> Iterator[Breach]:
    given = profile.limits.total_time
    if given is None:
        plan = make_plan(profile, cell)
        total = plan.limits.total_time_s
        hint = _shorter(plan) if total > LONGEST_S >= least_time(profile.steps) else ""
    else:
        total, hint = given, ""
    if total > LONGEST_S:
        path: Path = ("steps",) if given is None else ("limits", "total time")
        message = f"total time {units.duration(total)} is above the most of 30 d{hint}"
        yield Breach("profile", path, message)


def _shorter(plan: Plan) -> str:
    """What to write where the sum of all bounds is too long: a total time, at which the run trips.
    Neither a plan that is too long to be walked through nor one with a step that may last as long
    is estimated."""
    steps = [plan[number] for number in range(min(len(plan), MOST_ESTIMATED + 1))]
    if len(steps) > MOST_ESTIMATED or max(one.bound_s for one in steps) > LONGEST_S:
        return "; give 'limits: total time'"
    some = likely_s(steps, plan.limits.rated_ah)
    if some > LONGEST_S:
        return f", and it will likely take {units.duration(some)}: repeat less, and run it again"
    most = min(LONGEST_S, 86_400.0 * ceil(TIME_ROOM * some / 86_400.0))
    return (
        f" (the sum of the steps' time bounds); it will likely take {units.duration(some)}: write"
        f" 'limits: {{total time: {units.duration(most)}}}', at which it trips"
    )


MOST_ESTIMATED = 5_000
"""Steps of a plan that is walked through for an estimate."""
TIME_ROOM = 1.25
"""By so much a total time that is advised is longer than the estimate (our choice)."""


class _Judge(NamedTuple):
    """Judges one draft after another."""

    profile: ProfileDocument
    cell: CellDocument
    limits: PlanLimits

    def judge(self, draft: Draft) -> Iterator[Breach]:
        """Everything that this step breaks."""
        yield from known(self._temperature(draft))
        if draft.step.direction is Direction.REST:
            return
        yield from known(self._current(draft))
        yield from known(self._charge(draft))
        yield from known(self._termination(draft))
        if draft.step.direction is Direction.CHARGE:
            yield from known(self._charge_voltage(draft))
        else:
            yield from known(self._cut_off(draft))

    def _limit(self, key: str, *, own: bool) -> Place:
        return ("profile", ("limits", key)) if own else ("cell", ("absolute", key))

    def _charge_voltage(self, draft: Draft) -> Iterator[Breach]:
        volts = _stop(draft, StopKind.VOLTAGE_ABOVE, draft.step.drive.voltage_v)
        said = f"charge voltage {units.volts_brief(volts)}"
        absolute, normal = self.cell.absolute.charge_voltage, self.cell.recommended
        key = "charge voltage"
        if volts > absolute:
            rule = f"is above the cell's absolute limit of {units.volts_brief(absolute)}"
            yield self._breach(draft, "voltage", f"{said} {rule}", self._limit(key, own=False))
        elif volts > self.limits.ceiling_v:
            rule = f"is above the profile's own limit of {units.volts_brief(self.limits.ceiling_v)}"
            yield self._breach(draft, "voltage", f"{said} {rule}", self._limit(key, own=True))
        elif volts > normal.charge_voltage:
            most = units.volts_brief(normal.charge_voltage)
            rule = f"is above the cell's recommended {most}, where normal steps end"
            yield self._breach(draft, "voltage", f"{said} {rule}", ("cell", ("recommended", key)))
        elif volts <= normal.cut_off_voltage:
            least = units.volts_brief(normal.cut_off_voltage)
            rule = f"is not above the cell's recommended cut-off of {least}"
            culprit: Place = ("cell", ("recommended", "cut-off voltage"))
            if "voltage" not in draft.action.wrote and volts == self.limits.ceiling_v:
                culprit = self._limit(key, own=True)
            yield self._breach(draft, "voltage", f"{said} {rule}", culprit)

    def _cut_off(self, draft: Draft) -> Iterator[Breach]:
        volts = draft.step.drive.voltage_v
        said = f"cut-off {units.volts_brief(volts)}"
        absolute, normal = self.cell.absolute.cut_off_voltage, self.cell.recommended
        key, floor = "cut-off voltage", self.limits.floor_v
        if volts < absolute:
            rule = f"is below the cell's absolute limit of {units.volts_brief(absolute)}"
            yield self._breach(draft, "cut-off", f"{said} {rule}", self._limit(key, own=False))
        elif draft.step.words == RESIDUAL:
            at = draft.place_of("cut-off")
            yield from residual.breaches_of_cut_off(volts, at, self.cell, self.limits)
        elif volts < (lowest := self.cell.recommended_cut_off(draft.step.drive.current_at)):
            least = units.volts_brief(lowest)
            rule = f"is below the cell's recommended {least}, where normal steps end"
            if len(normal.cut_offs) > 1:
                rule += f" at {units.amps(draft.step.drive.current_a)}"
            yield self._breach(draft, "cut-off", f"{said} {rule}", ("cell", ("recommended", key)))
        elif volts <= floor:
            whose = "profile's own" if floor > absolute else "cell's absolute"
            least = units.volts_brief(floor)
            rule = f"is not above the {whose} limit of {least}, which would trip first"
            culprit = self._limit(key, own=floor > absolute)
            yield self._breach(draft, "cut-off", f"{said} {rule}", culprit)
        elif volts >= normal.charge_voltage:
            most = units.volts_brief(normal.charge_voltage)
            rule = f"is not below the cell's recommended charge voltage of {most}"
            culprit = ("cell", ("recommended", "charge voltage"))
            yield self._breach(draft, "cut-off", f"{said} {rule}", culprit)

    def _current(self, draft: Draft) -> Iterator[Breach]:
        direction, amps = draft.step.direction, draft.step.drive.current_a
        charging = direction is Direction.CHARGE
        limits, cells = self.limits, self.cell.absolute_a(direction)
        most = limits.charge_current_a if charging else limits.discharge_current_a
        if not amps > most:
            return
        own = amps <= cells
        whose = "profile's own" if own else "cell's absolute"
        kind = "pulse" if "pulse" in draft.step.words else direction.value
        rule = f"is above the {whose} limit of {units.amps(most if own else cells)}"
        culprit = self._limit(f"{direction.value} current", own=own)
        said = f"{kind} current {sentences.most(draft.step.drive)} {rule}"
        yield self._breach(draft, "current", said, culprit)

    def _termination(self, draft: Draft) -> Iterator[Breach]:
        amps = min(draft.step.drive.current_a, draft.step.drive.table_a)
        last = _stop(draft, StopKind.CURRENT_BELOW, 0.0)
        if last < amps:
            return
        current = f"{draft.step.direction.value} current"
        lowest = "lowest " if draft.step.drive.table else ""
        said = f"termination current {units.amps(last)} is not below the {lowest}{current}"
        culprit: Place = ("cell", ("recommended", current))
        if "current" in draft.action.wrote:
            culprit = ("profile", draft.place_of("current"))
        yield self._breach(draft, "termination current", f"{said} of {units.amps(amps)}", culprit)

    def _charge(self, draft: Draft) -> Iterator[Breach]:
        limits, charging = self.limits, draft.step.direction is Direction.CHARGE
        most = limits.charge_in_ah if charging else limits.charge_out_ah
        given = _stop(draft, StopKind.CHARGE, 0.0)
        if not given > most:
            return
        key = "charge in" if charging else "charge out"
        own = most < self.cell.rated_capacity * CAPACITY_MARGIN
        culprit: Place = ("profile", ("limits", key)) if own else ("cell", ("rated capacity",))
        said = f"charge {units.amp_hours(given)} is above the limit of {units.amp_hours(most)}"
        what = "" if own else f", {units.percent(CAPACITY_MARGIN)} of the rated capacity"
        yield self._breach(draft, "charge", said + what, culprit)

    def _temperature(self, draft: Draft) -> Iterator[Breach]:
        limits, charging = self.limits, draft.step.direction is Direction.CHARGE
        low = limits.charge_low_c if charging else limits.discharge_low_c
        high = limits.charge_high_c if charging else limits.discharge_high_c
        stops = (stop for stop in draft.step.stops if stop.kind in TEMPERATURES)
        edges = (one for stop in stops for one in (stop.value, stop.most) if isfinite(one))
        for celsius in edges:
            if low < celsius < high:
                continue
            window = f"{units.degrees(low)} and {units.degrees(high)}"
            said = f"temperature {units.degrees(celsius)} is not between the limits of {window}"
            key = "charge temperature" if charging else "discharge temperature"
            own = key.replace(" ", "_")
            is_own = getattr(self.profile.limits, own) is not None
            yield self._breach(draft, "temperature", said, self._limit(key, own=is_own))

    def _breach(self, draft: Draft, what: str, message: str, culprit: Place) -> Breach:
        return Breach("profile", draft.place_of(what), message, culprit)


def _stop(draft: Draft, kind: StopKind, otherwise: float) -> float:
    return next((stop.value for stop in draft.step.stops if stop.kind is kind), otherwise)

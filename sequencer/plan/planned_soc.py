"""The state of charge through the steps of a plan, and the maker's table of currents over it.

Where the state of charge is not known it is taken to be anywhere: a range is wide until a full
charge or a full discharge narrows it, and the tightest row that it touches counts. The interlock
*current by state of charge* follows the same rule (``soc_range``) while the plan runs.
"""

from typing import Final, NamedTuple

from sequencer.documents.cell import CellDocument
from sequencer.documents.profile import ProfileDocument
from sequencer.plan.breach import Breach
from sequencer.plan.counted_charge import fills, most_moved
from sequencer.plan.draft import Draft
from sequencer.plan.draft_tree import Drafted, DraftedStep, draft_tree
from sequencer.plan.kinds import kind_of
from sequencer.plan.limits import plan_limits
from sequencer.plan.soc_range import ANYWHERE, SLOW, SocRange
from sequencer.plan.step import SLOPES, TEMPERATURES, VOLTAGES, PlanLimits, StopKind
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.remembering import remembered

MOST_PASSES: Final = 100
"""Of a loop without a rest, so many passes at most are looked at for what adds up."""
_EARLY = (StopKind.ENERGY, *TEMPERATURES, *SLOPES)


def breaches_of_table(profile: ProfileDocument, cell: CellDocument) -> list[Breach]:
    """Every step whose current is above a row of the maker's table that it may come to stand in."""
    return _followed(profile, cell).found


def remarks_on_table(profile: ProfileDocument, cell: CellDocument) -> list[str]:
    """Between which currents each step will be that follows the table, and from what state of
    charge it is counted."""
    return _followed(profile, cell).told


def drafts_with_soc(profile: ProfileDocument, cell: CellDocument) -> list[tuple[Draft, SocRange]]:
    """Of a cell that states a burst, every step in its order, with the range of charge that it may
    take place in; what is repeated stands there twice, or so often that bursts without anything
    between them add up."""
    return _followed(profile, cell).placed


@remembered
def _followed(profile: ProfileDocument, cell: CellDocument) -> "_Follower":
    follower = _Follower(cell, plan_limits(profile, cell, 0.0), [], [], [])
    if cell.current_limits or cell.absolute.burst is not None:
        follower.follow(draft_tree(profile, cell), ANYWHERE)
    return follower


class _Follower(NamedTuple):
    """Follows the state of charge through the steps; notes what is broken and where each takes
    place, and tells what follows the table."""

    cell: CellDocument
    limits: PlanLimits
    found: list[Breach]
    told: list[str]
    placed: list[tuple[Draft, SocRange]]

    def follow(self, steps: Drafted, soc: SocRange) -> SocRange:
        """The range after the steps."""
        for one in steps:
            soc = self._step(one, soc)
        return soc

    def _step(self, one: DraftedStep, soc: SocRange) -> SocRange:
        nested = one.nested
        if nested is not None:
            soc, begun = soc if nested.passes == 1 else ANYWHERE, len(self.placed)
            for body in one.bodies:
                soc = self.follow(body, soc)
            self._again(begun, nested.passes)
            return ANYWHERE if nested.may_break_off else soc
        kind = kind_of(one.step)
        times = kind.passes(one.step) if kind.passes is not None else 1
        for draft in one.drafts:
            soc = self._draft(draft, soc, times)
        return soc

    def _again(self, begun: int, passes: int) -> None:
        """What was placed since ``begun`` follows itself."""
        if self.cell.absolute.burst is None:
            return
        body = self.placed[begun:]
        rests = any(draft.step.direction is Direction.REST for draft, _ in body)
        self.placed.extend(body * (min(passes, 2 if rests else MOST_PASSES) - 1))

    def _draft(self, draft: Draft, before: SocRange, times: int) -> SocRange:
        if draft.step.direction is Direction.REST:
            self.placed.append((draft, before))
            return before
        during, after = soc_through(draft, before, self.limits, times)
        self.placed.append((draft, during))
        if draft.step.drive.table:
            self.told.append(self._range(draft, before, during))
        else:
            self._check(draft, during)
        return after

    def _range(self, draft: Draft, before: SocRange, during: SocRange) -> str:
        """What a step that follows the table may be set to."""
        step, window = draft.step, self.limits.window_c(draft.step.direction)
        least_a = self.cell.ceiling(step.direction, during, window).current_a
        span = units.amps(step.drive.current_a)
        if least_a < step.drive.current_a:
            span = f"{units.amps(least_a)} to {span}"
        told = (
            f"{step.place}: {step.words} follows the cell's table ({span}): always the lowest row"
            " anywhere within what is known of state of charge and temperature"
        )
        if not any(row.soc_from > 0.0 or row.soc_to < 1.0 for row in step.drive.table):
            return told
        if before == ANYWHERE:
            return (
                f"{told}; nothing before it leaves the cell known to be full or empty: every"
                " state of charge counts, and the lowest of its rows"
            )
        known = f"{units.percent(before.low)} and {units.percent(before.high)}"
        return f"{told}; it begins with a state of charge between {known}, counted from there"

    def _check(self, draft: Draft, during: SocRange) -> None:
        limits, drive = self.limits, draft.step.drive
        window = limits.window_c(drive.direction)
        ceiling = self.cell.ceiling(drive.direction, during, window)
        if ceiling.loc[0] == "absolute" or not drive.current_a > ceiling.current_a:
            return
        message = (
            f"{drive.direction.value} current {units.amps(drive.current_a)} is above the "
            f"{units.amps(ceiling.current_a)} of the cell's table for a part of where the step may "
            f"take place: {units.percent(during.low)} to {units.percent(during.high)} state of "
            f"charge, {units.degrees(window[0])} to {units.degrees(window[1])}"
            f"{self._way_out(draft, ceiling.loc, window)}"
        )
        place = draft.place_of("current")
        self.found.append(Breach("profile", place, message, ("cell", ceiling.loc)))

    def _way_out(
        self, draft: Draft, loc: tuple[str | int, ...], window: tuple[float, float]
    ) -> str:
        """How a profile keeps out of a row that holds in a part of the step's temperatures."""
        row = self.cell.current_limits[int(loc[1])]
        low, high = row.temperature_from, row.temperature_to
        if low <= window[0] and window[1] <= high:
            return ""
        way = draft.step.direction.value
        beyond = (
            f"above {units.degrees(high)}" if window[1] > high else f"below {units.degrees(low)}"
        )
        return (
            f"; a '{way} temperature' in the profile's 'limits' that stays {beyond} keeps out of"
            " that row"
        )


def soc_through(
    draft: Draft, before: SocRange, limits: PlanLimits, times: int = 1
) -> tuple[SocRange, SocRange]:
    """The ranges during and after a step that begins within ``before``; of ``times`` passes
    together."""
    most = most_moved(draft.step, limits.rated_ah) * times
    if draft.step.direction is Direction.CHARGE:
        during = SocRange(before.low, before.moved(0.0, most).high)
        is_full = all(fills(draft.step, stop, limits) for stop in draft.step.stops)
        return during, during.filled() if is_full else during
    after = before.moved(-most, -most)
    during = SocRange(after.low, before.high)
    if not _ends_known(draft, limits):
        return during, during
    return during, SocRange(after.low, max(after.high, during.emptied().high))


def _ends_known(draft: Draft, limits: PlanLimits) -> bool:
    """Whether a discharge ends either with all its charge moved or at the recommended cut-off, at a
    current that leaves the cell empty there."""
    drive, stops = draft.step.drive, draft.step.stops
    slow = drive.current_a <= SLOW * limits.rated_ah
    return not any(
        stop.kind in _EARLY
        or (stop.kind in VOLTAGES and not (slow and stop.value <= limits.empty_v))
        for stop in stops
    )

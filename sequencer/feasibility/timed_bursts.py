"""Currents above the recommended one that the cell stands for a stated time only.

Such a burst ends in time whatever the computer does: the watchdog is fast enough, or the load ends
it by its own timer, as its proof test has measured with the link cut. Otherwise it is refused. What
the timer may err by counts, and nobody looks at the cell meanwhile: so voltage and charge must be
within the absolute limits at the end without anybody's help.
"""

from collections.abc import Iterator
from math import inf
from typing import Final, NamedTuple

from sequencer.documents.bench import BenchDocument
from sequencer.documents.cell import CellDocument
from sequencer.documents.operations import ON_TIME
from sequencer.feasibility.measuring_channels import Definitions
from sequencer.plan.breach import Breach, Place
from sequencer.plan.bursts import GUARD_S, REACTION_S, longest_s
from sequencer.plan.draft import Draft
from sequencer.plan.soc_range import CAPACITY_DOUBT, SocRange
from sequencer.plan.step import StopKind
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction

HARDER: Final = 2.0
"""A cold or a worn cell may have so many times its expected resistance (our choice)."""
HALF: Final = 0.5
"""A rested cell that is fuller than this stands at its storage voltage at least (storage is at 30
to 50 %, common practice)."""
_PROVE: Final = "prove it with 'nightbench bench prove BENCH', on a resistor"
_LIMIT: Final[Place] = ("cell", ("absolute", "burst"))


class ProvenTimer(NamedTuple):
    """What the proof test measured of a load's own timer, the link cut: set to ``set_s`` it ended
    the current after ``measured_s``, within ``plus_minus_s`` (the ends of all intervals)."""

    instrument: str
    set_s: float
    measured_s: float
    plus_minus_s: float

    @property
    def late_s(self) -> float:
        """By how much it may have ended late, at most (s)."""
        return max(self.measured_s + self.plus_minus_s - self.set_s, 0.0)


class Surroundings(NamedTuple):
    """What a burst is judged by; ``timer`` is None where no proof is on record."""

    cell: CellDocument
    bench: BenchDocument
    definitions: Definitions
    timer: ProvenTimer | None


def breaches(
    draft: Draft, during: SocRange, by: Surroundings, before_s: float = 0.0
) -> Iterator[Breach]:
    """Why a step may not flow for as long as it might; ``during``: where the state of charge may be
    before its timer errs; ``before_s``: how long bursts flow that it follows without a rest."""
    drive = draft.step.drive
    most_s = longest_s(by.cell, drive.direction, drive.current_a)
    if drive.direction is Direction.REST or most_s is None:
        return
    amps, most = units.amps(drive.current_a), units.duration(most_s)
    head = f"{amps} is above the recommended {drive.direction.value} current"
    own_s = _time_s(draft)
    flows_s = before_s + own_s
    if flows_s > most_s:
        lasts = f"it would flow for {units.duration(flows_s)}" if own_s < inf else "no time ends it"
        lasts += ", with the bursts that it follows without a rest" if before_s else ""
        message = f"{head}, which may flow for {most} at once, and {lasts}"
        yield Breach("profile", draft.place_of("time"), message, _LIMIT)
    elif flows_s + REACTION_S > most_s:
        why = _not_alone(flows_s) if before_s else _not_timed(draft, by)
        why = why or _beyond(draft, during, by, most_s)
        if why:
            message = f"{head} for {units.duration(own_s)}: {why[0]}"
            yield Breach("profile", draft.place_of("time"), message, why[1])


def flowed_s(draft: Draft, cell: CellDocument, before_s: float) -> float:
    """How long bursts have flowed at the end of that step without anything else between (s)."""
    drive = draft.step.drive
    is_rest = drive.direction is Direction.REST
    is_burst = not is_rest and longest_s(cell, drive.direction, drive.current_a) is not None
    return before_s + _time_s(draft) if is_burst else 0.0


def _time_s(draft: Draft) -> float:
    """After so long its time ends it (s); infinite where none does."""
    times = (one.value for one in draft.step.stops if one.kind is StopKind.TIME)
    return min(times, default=inf)


def _not_alone(flows_s: float) -> tuple[str, Place]:
    """Why no timer ends a burst that follows another in time: it is set anew for each."""
    frozen = f"if the computer freezes in it, they last up to {flows_s + REACTION_S:g} s together"
    return f"it follows another without a rest, and {frozen}", _LIMIT


def _not_timed(draft: Draft, by: Surroundings) -> tuple[str, Place] | None:
    """Why the load does not end it by itself."""
    drive = draft.step.drive
    seconds = _time_s(draft)
    frozen = f"if the computer freezes in it, it lasts up to {seconds + REACTION_S:g} s"
    if drive.direction is Direction.CHARGE:
        return f"{frozen}, and only a load has a timer of its own", _LIMIT
    if not drive.on_time_s:
        return f"{frozen}; only a pulse of one level can be ended by the load's own timer", _LIMIT
    name = by.bench.wiring.discharge or ""
    place: Place = ("bench", ("instruments", name, "definition"))
    definition = by.definitions.get(name)
    if definition is None or ON_TIME not in definition.operations:
        return f"{frozen}, and {name} has no timer of its own ({ON_TIME})", place
    able = definition.capabilities[ON_TIME]
    if able.range_for(drive.on_time_s) is None:
        return f"the timer of {name} can be set to {able.high:g} s at most", place
    if by.timer is None or by.timer.instrument != name:
        unproven = f"no proof is on record that {name} ends it by its own timer with the link cut"
        return f"{unproven}; {_PROVE}", place
    return None


def timer_error_s(by: Surroundings, seconds: float) -> float:
    """How much later than ``seconds`` the load may end it (s): by its data sheet, or by what was
    measured, whichever is more."""
    held = by.definitions[by.bench.wiring.discharge or ""].capabilities[ON_TIME].range_for(seconds)
    stated_s = held.gain * seconds + held.offset + held.resolution.value if held else 0.0
    return max(stated_s, by.timer.late_s if by.timer is not None else 0.0)


def _beyond(
    draft: Draft, during: SocRange, by: Surroundings, most_s: float
) -> tuple[str, Place] | None:
    """Which absolute limit it might pass with what the timer may err by."""
    cell, drive = by.cell, draft.step.drive
    error_s = timer_error_s(by, drive.on_time_s)
    set_s, ms = drive.on_time_s, 1000.0 * error_s
    late = f"set to {set_s:g} s, its timer may end it {ms:.0f} ms late"
    if set_s + error_s > most_s:
        return f"{late}: more than the {units.duration(most_s)} allowed", _LIMIT
    later_s = GUARD_S + error_s
    beyond = CAPACITY_DOUBT * drive.current_a * later_s / 3600.0 / cell.rated_capacity
    left = during.low - beyond
    if not left > 0.0:
        said = "nothing says that so much charge is left in the cell: fill it before"
        return f"{late}, and {said}", ("cell", ("rated capacity",))
    if cell.expected_resistance is None:
        said = "the voltage at its end cannot be foreseen without an 'expected resistance'"
        return f"{late}, and {said}", ("cell", ())
    end_v = _rested_v(cell, left) - HARDER * drive.current_a * cell.expected_resistance
    floor_v = cell.absolute.cut_off_voltage
    if end_v < floor_v:
        said = (
            f"at {units.percent(left)} charge and {HARDER:g} times the expected resistance it would"
            f" end at {units.volts_brief(end_v)}, below {units.volts_brief(floor_v)}"
        )
        return f"{late}, and {said}", ("cell", ("absolute", "cut-off voltage"))
    return None


def _rested_v(cell: CellDocument, charge: float) -> float:
    """The least voltage at rest at that state of charge: by the stated curve, or else by the
    voltages that the document has."""
    below = [one.voltage for one in cell.open_circuit if one.at <= charge]
    if below:
        return below[-1]
    return cell.storage_voltage if charge >= HALF else cell.recommended.cut_off_voltage

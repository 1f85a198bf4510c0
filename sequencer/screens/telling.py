"""A picture said in plain words: what runs, what will stop it, what was read, how it ended.

Every line says all that it means without colour; styles are added by the board.
"""

from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, NamedTuple

from sequencer.recording.below_recommended import what_to_do
from sequencer.screens.picture import Picture
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.sample import OFF, ON, Sample
from sequencer.vocabulary.units import (
    amp_hours,
    amps,
    bounds,
    degrees,
    duration,
    fault_line,
    millivolts,
    watt_hours,
)
from sequencer.vocabulary.verdict import Ending

NO_SENSOR = "no sensor sits on the cell: no limit on temperature holds on this bench"
STALE_S = 3.0
"""An age from which a reading is called old; the interlocks' own limit is the same."""

ENDINGS = {
    "done": "DONE",
    "aborted": "ABORTED by a person",
    "tripped": "TRIPPED: a limit was met",
    "faulted": "FAULT of an instrument or the computer",
    "fault": "FAULT of an instrument or the computer",
    "not proven off": "NOT PROVEN OFF",
    "refused": "REFUSED before anything was switched on",
}
WHAT_TO_DO = (
    "Switch supply and load off at their own switches, now.",
    "Then part the cell from its leads, if that needs no touch of bare metal.",
    "Stay until the cell is cool, and keep away from it what burns.",
    "The bench can be asked again: nightbench make-safe RUN_OR_BENCH",
)


class ReadingLine(NamedTuple):
    """One line of readings: name, value, its age, and the room to the nearest limit."""

    name: str
    value: str
    age: str
    is_old: bool
    room: str


def state_words(picture: Picture) -> str:
    """The present state in capitals, or the ending."""
    if picture.end is not None:
        ending = str(picture.end.get("ending", ""))
        return ENDINGS.get(ending, ending.upper() or "ENDED")
    if picture.is_dead:
        return "INTERRUPTED: the record has no end, and no process owns this run"
    if picture.trip is not None:
        return "MAKING SAFE"
    state = str(picture.state.get("state", ""))
    return state.upper() if state else "STARTING"


def low_words(picture: Picture) -> Sequence[str]:
    """What a person must do first for a cell that lies below its recommended voltage; nothing while
    the run goes on with it."""
    if picture.trip is None and not picture.is_over and not is_paused(picture):
        return ()
    volts = picture.row.sample.voltage_v if picture.row else None
    return what_to_do(picture.low.told(volts))


def is_paused(picture: Picture) -> bool:
    """Whether a person has paused it and nothing has happened since."""
    is_quiet = picture.trip is None and not picture.is_over
    return is_quiet and picture.state.get("state") == State.PAUSED.value


def step_words(picture: Picture) -> str:
    """``step 3 of 25: CC-CV charge (first full charge)``."""
    number = picture.step.get("step")
    if not number:
        return "no step yet"
    count = picture.start.get("steps")
    label = picture.step.get("label")
    of = f" of {count}" if isinstance(count, int) else ""
    return f"step {number}{of}: {picture.step.get('words', '')}" + (f" ({label})" if label else "")


def watchdog_words(entry: Mapping[str, Any]) -> str:
    """That the watchdog does not answer, or that it does again; empty where nothing was noted."""
    why = str(entry.get("why", ""))
    return f"ALARM: {why}" if entry.get("state") else why


def left_words(picture: Picture) -> str:
    """In which step the run was when it was ended early, or nothing."""
    return "" if picture.is_step_finished else f"it was in {step_words(picture)}"


def stop_words(picture: Picture) -> str:
    """What will end the step, and when it trips."""
    told = [one for one in picture.step.get("stops", ()) if isinstance(one, Mapping)]
    stops = " or ".join(str(one.get("words", "")) for one in told)
    bound_s = picture.step.get("bound_s")
    fault = f"trips after {duration(bound_s)}" if isinstance(bound_s, int | float) else ""
    return "; ".join(part for part in (f"ends at {stops}" if stops else "", fault) if part)


def pass_words(picture: Picture) -> str:
    """Which pass of the loops around the step this is, and what else ends them."""
    told = [one for one in picture.step.get("loops", ()) if isinstance(one, Mapping)]
    return "; ".join(
        f"pass {one.get('pass')} of at most {one.get('times')}, "
        f"until {' or until '.join(map(str, one.get('until', ())))}"
        for one in told
    )


def moved_words(picture: Picture) -> str:
    """How long the step has lasted, and what it has moved."""
    if picture.row is None or not picture.step:
        return ""
    mark, at_ns = picture.row.mark, picture.row.sample.at_ns
    began_ns = mark.began_ns or picture.step.get("at_ns") or at_ns
    told = [f"{duration(max(0, at_ns - began_ns) // 1_000_000_000)} in this step"]
    if mark.charge_in_ah >= 5e-5:
        told.append(f"{_fine_ah(mark.charge_in_ah)}, {watt_hours(mark.energy_in_wh)} put in")
    if mark.charge_out_ah >= 5e-5:
        told.append(f"{_fine_ah(mark.charge_out_ah)}, {watt_hours(mark.energy_out_wh)} taken out")
    return "; ".join(told)


def _fine_ah(value: float) -> str:
    return amp_hours(value) if value >= 0.1 else f"{value * 1000:.1f} mAh"


def readings(picture: Picture) -> list[ReadingLine]:
    """Voltage and current always, temperatures where there is a sensor."""
    if picture.row is None:
        return []
    told = readings_of(picture.row.sample, picture.limits, picture.sensors or ())
    if is_warmth_unseen(picture):
        told.append(ReadingLine("surface", "not watched", "", is_old=False, room=NO_SENSOR))
    highest = "" if picture.highest_c is None else f"highest {picture.highest_c:.1f}"
    return [
        one._replace(room="; ".join(part for part in (one.room, highest) if part))
        if one.name == "surface"
        else one
        for one in told
    ]


def is_warmth_unseen(picture: Picture) -> bool:
    """Whether the bench is known to have no sensor on the cell: then no temperature limit holds."""
    return picture.sensors is not None and not picture.sensors & {"surface", "tab"}


def readings_of(
    sample: Sample, limits: Mapping[str, Any], sensors: Collection[str] = ()
) -> list[ReadingLine]:
    """The readings of one sample; a sensor that is known to be there is told also unread."""
    driven_a = sample.current_a if ON in (sample.supply_on, sample.load_on) else 0.0
    told = [
        _reading("voltage", _volts(sample.voltage_v), sample, sample.voltage_at_ns,
                 _voltage_room(sample.voltage_v, driven_a, limits)),
        _reading("current", _current(sample.current_a), sample, sample.current_at_ns,
                 _current_room(sample.current_a, limits)),
    ]  # fmt: skip
    for name, value, at_ns in (
        ("surface", sample.surface_c, sample.surface_at_ns),
        ("tab", sample.tab_c, sample.tab_at_ns),
        ("room", sample.room_c, sample.room_at_ns),
    ):
        if at_ns or name in sensors:
            room = "" if name == "room" else _heat_room(value, sample, limits)
            told.append(_reading(name, _celsius(value), sample, at_ns, room))
    return told


def _reading(name: str, value: str, sample: Sample, at_ns: int, room: str) -> ReadingLine:
    if not at_ns:
        return ReadingLine(name, "no reading", "never read", is_old=True, room="")
    age_s = (sample.at_ns - at_ns) / 1e9
    return ReadingLine(name, value, f"{_decimals(age_s, 1)} s old", age_s > STALE_S, room)


def _volts(value: float) -> str:
    return f"{_decimals(value, 4)} V" if value == value else "not valid"


def _current(value: float) -> str:
    return f"{round(value, 4) + 0.0:+.4f} A" if value == value else "not valid"


def _celsius(value: float) -> str:
    return f"{_decimals(value, 1)} degC" if value == value else "not valid"


def _decimals(value: float, places: int) -> str:
    """With so many decimals; what rounds to nothing has no sign."""
    return f"{round(value, places) + 0.0:.{places}f}"


def _number(limits: Mapping[str, Any], name: str) -> float | None:
    found = limits.get(name)
    return float(found) if isinstance(found, int | float) else None


def _voltage_room(value: float, current_a: float, limits: Mapping[str, Any]) -> str:
    """To the limit that the current drives it to; at rest to the nearer one."""
    low, high = _number(limits, "floor_v"), _number(limits, "ceiling_v")
    if low is None or high is None or value != value:
        return ""
    goes_up = high - value <= value - low if not current_a else current_a > 0
    if goes_up:
        return _beyond(high - value, _gap(abs(high - value)), "below", f"{high:.3f} V")
    return _beyond(value - low, _gap(abs(value - low)), "above", f"{low:.3f} V")


def _gap(volts: float) -> str:
    return f"{volts:.3f} V" if volts >= 1.0 else millivolts(volts)


def _current_room(value: float, limits: Mapping[str, Any]) -> str:
    name = "charge_current_a" if value >= 0 else "discharge_current_a"
    most = _number(limits, name)
    if most is None or value != value:
        return ""
    left = most - abs(value)
    return _beyond(left, amps(abs(left)), "below", amps(most))


def _heat_room(value: float, sample: Sample, limits: Mapping[str, Any]) -> str:
    charging = sample.current_a > 0
    most = _number(limits, "charge_high_c" if charging else "discharge_high_c")
    least = _number(limits, "charge_low_c" if charging else "discharge_low_c")
    if most is None or least is None or value != value:
        return ""
    if most - value <= value - least:
        return _beyond(most - value, f"{abs(most - value):.1f} K", "below", degrees(most))
    return _beyond(value - least, f"{abs(value - least):.1f} K", "above", degrees(least))


def _beyond(left: float, size: str, side: str, limit: str) -> str:
    return f"{size} {side} the limit of {limit}" if left >= 0 else f"{size} BEYOND {limit}"


def output_words(picture: Picture) -> str:
    """What the instruments say of their outputs: ``supply on, load off, contactor closed``."""
    if picture.row is None:
        return ""
    sample = picture.row.sample
    told = [
        f"supply {_state(sample.supply_on)}",
        f"load {_state(sample.load_on)}",
    ]
    if sample.contactor_at_ns:
        told.append(f"contactor {_state(sample.contactor_closed, 'closed', 'open')}")
    return ", ".join(told)


def _state(value: int, on: str = "on", off: str = "off") -> str:
    return {ON: on, OFF: off}.get(value, "unknown")


def fault_words(picture: Picture) -> list[str]:
    """What instruments are in trouble in the last row."""
    faults = picture.row.sample.faults if picture.row else ()
    return [fault_line(one.kind.value, *one[1:]) for one in faults]


def time_words(picture: Picture) -> str:
    """Elapsed, the wall time of the last row, the likely end, and the latest that limits allow."""
    elapsed_s = picture.elapsed_s()
    told = [f"{duration(int(elapsed_s))} elapsed"]
    start_ns = picture.manifest.get("start_unix_ns") or 0
    if start_ns:
        told.append(f"it is {_clock(start_ns, elapsed_s)}")
    if picture.is_over or picture.trip is not None:
        return "; ".join(told)
    likely_s = _number(picture.start, "likely_s")
    latest_s = _number(picture.limits, "total_time_s")
    for name, length_s in (("likely end", likely_s), ("at the latest", latest_s)):
        if length_s is not None and length_s > elapsed_s:
            at = f" {_clock(start_ns, length_s)}," if start_ns else ""
            told.append(f"{name}{at} in {duration(int(length_s - elapsed_s))}")
    return "; ".join(told)


def _clock(start_unix_ns: int, after_s: float) -> str:
    moment = datetime.fromtimestamp(start_unix_ns / 1e9 + after_s, UTC).astimezone()
    return moment.strftime("%a %H:%M")


def trip_words(trip: Mapping[str, Any]) -> str:
    """What made it safe, as it happens; a person who ends a run trips nothing."""
    why = str(trip.get("reason", ""))
    return f"ENDING: {why}" if _is_wish(trip) else f"TRIP: {trip.get('interlock', '')}: {why}"


def _is_wish(trip: Mapping[str, Any]) -> bool:
    return trip.get("ending") == Ending.ABORTED.value


def cause_words(picture: Picture) -> list[str]:
    """The first cause of a trip, and when; or why the run ended, when that is known."""
    if picture.trip is not None:
        at_ns = picture.trip.get("at_ns") or picture.start_ns
        when = duration(int(picture.elapsed_s(at_ns)))
        rule, why = picture.trip.get("interlock", ""), picture.trip.get("reason", "")
        told = f"first cause, after {when}: {rule}: {why}"
        if _is_wish(picture.trip):
            told = f"after {when}: {why}"
        return [told, *_aftermath_words(picture)]
    reason = str((picture.end or {}).get("reason") or "")
    return [f"because: {reason}"] if reason else []


def _aftermath_words(picture: Picture) -> list[str]:
    """How the cell did after off: an alarm, and how it was left."""
    told = []
    if "alarm" in picture.aftermath:
        told.append(f"ALARM: {picture.aftermath['alarm'].get('reason', '')}")
    if "left" in picture.aftermath:
        told.append(f"afterwards: {picture.aftermath['left'].get('words', '')}")
    return told


def off_words(picture: Picture) -> list[str]:
    """How well *off* is known, in words, with the evidence."""
    off = picture.off
    if off.is_contradicted:
        first = "off is CONTRADICTED by what is measured:"
    elif off.is_proven:
        first = f"off is proven (level {off.level}{bounds(off.honest_a, off.lying_a)}):"
    elif off.level == "C":
        first = "off by the instruments' own word alone (level C), seen by nothing else:"
    elif picture.is_over:
        first = "off is NOT proven"
    else:
        first = "off is not proven yet"
    told = [first, *(f"  {words}" for words in off.evidence)]
    if off.by_hand is not None:
        who = f"{off.by_hand.get('who', '')}, {off.by_hand.get('at', '')}"
        words = off.by_hand["words"]
        told.append(f'a person closed this run by their word: "{words}" ({who}); that is no proof')
    return told


def needs_help(picture: Picture) -> bool:
    """Whether a person has to act: the run is over, and off is not known or is contradicted."""
    if picture.off.by_hand is not None:
        return False
    if picture.end is None:
        return picture.is_dead and not picture.off.is_proven
    if picture.end.get("ending") == State.REFUSED.value and picture.off.level == "none":
        return bool(picture.off.evidence)  # it was asked for, and nobody answered
    return (
        picture.end.get("exit") == 7
        or picture.end.get("ending") == "not proven off"
        or picture.off.is_contradicted
    )

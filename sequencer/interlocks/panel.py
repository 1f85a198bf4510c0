"""The panel: every interlock of a run, judged in order, the first trip latched for good."""

from collections.abc import Iterator, Sequence
from itertools import repeat
from math import inf
from typing import NamedTuple

from sequencer.documents.cell import ORDINARY_V, UNUSUAL_V
from sequencer.interlocks import answering, electrical, equipment, thermal
from sequencer.interlocks.continued import charge_bound_continued
from sequencer.interlocks.ranges import extremes
from sequencer.interlocks.rule import REMEMBERED, Judge, Rule, within_range
from sequencer.plan.cell_estimate import first_estimate
from sequencer.plan.step import PlanLimits
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.intent import Intent, State
from sequencer.vocabulary.measuring_channels import Channel, MeasuringChannels
from sequencer.vocabulary.sample import Host, Sample
from sequencer.vocabulary.verdict import CLEAR, Ending, Trip, Verdict

OLD_DRIVEN_NS = 3_000_000_000
"""Oldest reading that may decide while an output is on."""
OLD_RESTING_NS = 10_000_000_000
INVALID_TIMES = 3
FAILURES = 2
"""One time-out may be a glitch; two in a row are a dead session (seen on USB links)."""
LATE_NS = 2_000_000_000
SLEPT_NS = 1_000_000_000
LEAST_FREE_BYTES = 64_000_000
OLDEST_UNSYNCED_NS = 10_000_000_000
WATCHDOG_LOST_S = 20.0
"""A watchdog that has not answered for so long is taken for one that never will (real time)."""

_CELL, _EQUIPMENT, _PERSON = Ending.TRIPPED, Ending.FAULTED, Ending.ABORTED


class Unwatched(NamedTuple):
    """An interlock that this bench or plan cannot have, and why; said before the night."""

    id: str
    why: str


class Panel:
    """All interlocks of one run. ``judge`` is deterministic: the same samples and intents give the
    same verdicts, line for line, which is what a replay checks."""

    def __init__(self, rules: tuple[Rule, ...], unwatched: tuple[Unwatched, ...] = ()) -> None:
        self.rules, self.unwatched = rules, unwatched
        self._all = [(rule.judge, rule) for rule in rules]
        self._without_news = [(rule.judge, rule) for rule in rules if not rule.only_of_news]
        self._host: Host | None = None
        self._had_faults = True
        self._latched: Verdict = CLEAR

    def judge(self, sample: Sample, intent: Intent) -> Verdict:
        """Clear, or the first trip there ever was."""
        if self._latched.trip is not None or intent.state is State.MAKING_SAFE:
            return self._latched
        judges = self._without_news
        if sample.faults or self._had_faults or sample.host is not self._host:
            judges, self._host, self._had_faults = self._all, sample.host, bool(sample.faults)
        for judge, rule in judges:
            reason = judge(sample, intent)
            if reason:
                self._latched = Verdict(Trip(rule.id, reason, sample.at_ns, rule.ending))
                return self._latched
        return CLEAR

    def judge_each(self, samples: Sequence[Sample], intent: Intent) -> int:
        """How many of ``samples``, all without faults, are clear from the first on, as if ``judge``
        were asked of one after the other; none where their host is news. A trip is latched:
        ``judge`` tells it."""
        if not samples or self._had_faults or samples[0].host is not self._host:
            return 0
        clear, (least, most) = len(samples), extremes(samples)
        for judge, rule in self._without_news:
            is_calm = rule.calm is not None and rule.calm(least, most, intent)
            first = max(0, clear - REMEMBERED) if is_calm else 0
            reasons = list(map(judge, samples[first:clear], repeat(intent)))
            if any(reasons):
                place, reason = next((at, one) for at, one in enumerate(reasons) if one)
                clear = first + place
                trip = Trip(rule.id, reason, samples[clear].at_ns, rule.ending)
                self._latched = Verdict(trip)
        return clear

    def reasons_to_refuse(self, sample: Sample) -> list[str]:
        """What would trip at once if a run began with this sample, for the checks before it."""
        waiting = Intent(state=State.RESTING, since_ns=sample.at_ns)
        return [reason for rule in self.rules if (reason := rule.judge(sample, waiting))]


def make_panel(
    limits: PlanLimits,
    channels: MeasuringChannels,
    already_in_ah: float = 0.0,
    *,
    attended: bool = False,
) -> Panel:
    """Every interlock that this plan and this bench can have, in the order of their urgency.

    ``already_in_ah``: put in by the run that this one goes on from, since its last discharge.
    ``attended``: a person has said that they stay with the run.
    """
    rules = (
        *_of_cell(limits, channels, already_in_ah),
        *_of_sensors(limits, channels),
        *_of_equipment(channels),
        *_of_watching(attended=attended),
    )
    return Panel(rules, tuple(_unwatched(limits, channels)))


def _of_cell(
    limits: PlanLimits, channels: MeasuringChannels, already_in_ah: float
) -> Iterator[Rule]:
    cell, bench = "cell document, tightened by the profile", "bench document and definitions"
    low, high = f"cell at least {limits.floor_v:.3f} V", f"cell at most {limits.ceiling_v:.3f} V"
    opened = electrical.cell_opened(channels, limits.floor_v)
    flows = electrical.current_flows(channels)
    if channels.voltage_is_own:
        closed = "the cell's own protection stays closed"
        yield Rule("cell opened", closed, bench, _CELL, opened, calm=flows)
    yield _range("voltage low", low, cell, electrical.voltage_low(limits.floor_v))
    yield _range("voltage high", high, cell, electrical.voltage_high(limits.ceiling_v))
    yield _range(
        "current too large",
        f"at most {limits.charge_current_a:.3f} A in, {limits.discharge_current_a:.3f} A out",
        cell,
        electrical.current_large(limits.charge_current_a, limits.discharge_current_a),
    )
    sign = electrical.current_sign(channels)
    zeros = _zeros(channels)
    yield _range("current sign", f"none the wrong way beyond {zeros}", bench, sign)
    estimate = first_estimate(limits, channels)
    commanded = electrical.current_commanded(channels, estimate=estimate)
    follows = electrical.current_follows if estimate is None else None
    within = "as commanded, within errors"
    yield Rule("current commanded", within, bench, _CELL, commanded, calm=follows)
    parted = electrical.circuit_open(channels, limits.floor_v)
    more = f"while driving, more than {zeros}"
    yield Rule("circuit open", more, bench, _EQUIPMENT, parted, calm=flows)
    still = answering.voltage_answers(channels, limits.rated_ah)
    moves = "the cell voltage moves when a current is switched on"
    yield Rule("voltage stuck", moves, "common practice", _EQUIPMENT, still, calm=answering.at_rest)
    yield from _of_two_voltages(limits, channels)
    bound = charge_bound_continued(limits.charge_in_ah, limits.charge_out_ah, already_in_ah)
    most = f"at most {limits.charge_in_ah:.3f} Ah in, {limits.charge_out_ah:.3f} Ah out"
    most += f", {already_in_ah:.3f} Ah of it before the interruption" if already_in_ah else ""
    yield Rule("charge bound", most, cell, _CELL, bound)
    if limits.table:
        table = electrical.current_by_state_of_charge(limits, channels)
        yield Rule("current by state of charge", "the maker's table", cell, _CELL, table)
    yield from _of_plan(limits)


def _of_plan(limits: PlanLimits) -> Iterator[Rule]:
    if limits.counts_charge:
        known = "a state of charge is counted from what the run has measured"
        counted = equipment.charge_counted()
        yield Rule("state of charge", known, "profile", _EQUIPMENT, counted)
    yield _range("step time", "each step within its bound", "profile", equipment.step_time())
    yield _range("total time", "the run within its bound", "profile", equipment.total_time())


def _of_two_voltages(limits: PlanLimits, channels: MeasuringChannels) -> Iterator[Rule]:
    """Contacts explain nothing in a charge that would destroy any usual cell."""
    if not channels.voltage_is_own:
        return
    is_usual = limits.full_v <= UNUSUAL_V
    strict_v = inf if is_usual else ORDINARY_V
    within = "within errors and lead drop"
    within += "" if is_usual else f", and contacts, but not in a charge above {strict_v:.2f} V"
    disagree = electrical.voltages_disagree(channels, strict_v)
    agree = electrical.voltages_agree(channels, strict_v)
    source = "bench document and definitions"
    yield Rule("voltages disagree", within, source, _CELL, disagree, calm=agree)


def _of_sensors(limits: PlanLimits, channels: MeasuringChannels) -> Iterator[Rule]:
    cell, trade = "cell document, tightened by the profile", "common practice"
    for place, channel in (("surface_c", channels.surface), ("tab_c", channels.tab)):
        if not channel.present:
            continue
        name = place[:-2]
        window = thermal.temperature_window(limits, place)
        yield _range(f"{name} temperature", _window_words(limits), cell, window)
        most = f"at most {limits.warming_c_per_s * 60.0:.1f} K/min"
        warming = thermal.warming(limits.warming_c_per_s, place)
        yield Rule(f"{name} warming", most, cell, _CELL, warming)
        off = thermal.sensor_follows(limits.heat_j_per_k, channel, channels.room, place)
        words = _probe_words(limits.heat_j_per_k, channel, channels.room)
        yield Rule(f"{name} probe off", words, trade, _EQUIPMENT, off)
        if channels.room.present:
            moved_k = thermal.room_moved_k(channel, channels.room)
            words = f"moves within an hour after the room did by {moved_k:.1f} K"
            moves = thermal.sensor_moves(channel, channels.room, place)
            yield Rule(f"{name} stuck", words, trade, _EQUIPMENT, moves)
    if channels.surface.present and channels.tab.present:
        apart = thermal.sensors_disagree(channels.surface, channels.tab)
        yield Rule("sensors disagree", "within 5 K at rest", trade, _EQUIPMENT, apart)


def _window_words(limits: PlanLimits) -> str:
    """The cell's limits hold wherever a sensor sits on it: a tab has none of its own."""
    charge = f"{limits.charge_low_c:g} to {limits.charge_high_c:g} degC charging"
    out = f"{limits.discharge_low_c:g} to {limits.discharge_high_c:g} degC discharging"
    return f"{charge}, {out}, as every sensor on the cell"


def _probe_words(heat_j_per_k: float, sensor: Channel, room: Channel) -> str:
    """What the rule can see, and what it cannot."""
    fall = "does not lose under load what it has shown"
    if heat_j_per_k <= 0.0:
        return fall
    least_w = thermal.least_rise_k(sensor, room) * heat_j_per_k / thermal.COOLING_S
    return f"shows the warmth of losses above {least_w:.2f} W (less is too little to tell); {fall}"


def _of_equipment(channels: MeasuringChannels) -> Iterator[Rule]:
    trade, ours = "common practice", "nightbench default"
    yield _of_news("instrument fault", "none reported", trade, equipment.instrument_fault())
    invalid = equipment.reading_invalid(INVALID_TIMES)
    yield _of_news("reading invalid", f"fewer than {INVALID_TIMES} in a row", ours, invalid)
    failing = equipment.link_failing(FAILURES)
    yield _of_news("link failing", f"fewer than {FAILURES} in a row", trade, failing)
    old = equipment.reading_old(tuple(_watched(channels)), OLD_DRIVEN_NS, OLD_RESTING_NS)
    most = f"at most {OLD_DRIVEN_NS / 1e9:.0f} s old while driving"
    yield _range("reading old", most, ours, old, _EQUIPMENT)
    state = equipment.output_state(channels)
    yield _range("output state", "as commanded", trade, state, _EQUIPMENT)
    late = equipment.loop_late(LATE_NS)
    yield _range("loop late", f"at most {LATE_NS / 1e9:.0f} s", ours, late, _EQUIPMENT)
    slept = equipment.computer_slept(SLEPT_NS)
    yield _of_news("computer slept", f"at most {SLEPT_NS / 1e9:.0f} s", ours, slept)
    failed = equipment.record_failed(OLDEST_UNSYNCED_NS)
    yield _of_news("record failed", "written, and synced within 10 s", ours, failed)
    full = equipment.disk_full(LEAST_FREE_BYTES)
    yield _of_news("disk nearly full", "at least 64 MB free", ours, full)


def _of_watching(*, attended: bool) -> Iterator[Rule]:
    answers = equipment.watchdog_answers(WATCHDOG_LOST_S, attended=attended)
    lives = f"it lives, and answers within {WATCHDOG_LOST_S:.0f} s"
    lives = "it lives; a person stays, should it not answer" if attended else lives
    yield _of_news("watchdog", lives, "nightbench default", answers)
    asked = equipment.person_asked()
    yield _of_news("person", "nobody asks to abort", "a person", asked)._replace(ending=_PERSON)


def _range(id_: str, rule: str, source: str, judge: Judge, ending: Ending = _CELL) -> Rule:
    return Rule(id_, rule, source, ending, judge, calm=within_range(judge))


def _of_news(id_: str, rule: str, source: str, judge: Judge) -> Rule:
    return Rule(id_, rule, source, _EQUIPMENT, judge, only_of_news=True)


def _watched(channels: MeasuringChannels) -> Iterator[equipment.Watched]:
    """The channels of this bench whose age matters."""
    yield equipment.Watched("voltage_at_ns", "voltage", True)
    yield equipment.Watched("current_at_ns", "current", True)
    listed = (
        ("supply_at_ns", "supply", channels.supply_a.present, False),
        ("load_at_ns", "load", channels.load_a.present, False),
        ("surface_at_ns", "surface temperature", channels.surface.present, True),
        ("tab_at_ns", "tab temperature", channels.tab.present, True),
        ("room_at_ns", "room temperature", channels.room.present, False),
        ("contactor_at_ns", "contactor", channels.contactor, False),
    )
    for field, words, present, decides in listed:
        if present:
            yield equipment.Watched(field, words, decides)


def _zeros(channels: MeasuringChannels) -> str:
    """What may be read where no current flows, in words."""
    into, out = channels.zero_a(Direction.CHARGE), channels.zero_a(Direction.DISCHARGE)
    return f"{into:.3f} A charging, {out:.3f} A discharging"


def _unwatched(limits: PlanLimits, channels: MeasuringChannels) -> Iterator[Unwatched]:
    if not channels.voltage_is_own:
        yield Unwatched("voltages disagree", "there is a single voltage channel")
        yield Unwatched("cell opened", "a single voltage channel cannot tell it from an open lead")
    if not channels.surface.present and not channels.tab.present:
        yield Unwatched("temperature", "no sensor sits on the cell")
    for name, channel in (("surface", channels.surface), ("tab", channels.tab)):
        if channel.present and not channels.room.present:
            why = "no sensor reads the room, which it would have to follow"
            yield Unwatched(f"{name} stuck", why)
    if not limits.table:
        yield Unwatched("current by state of charge", "the cell document has no such table")
    if limits.heat_j_per_k <= 0.0:
        yield Unwatched("probe off from the start", "the cell document gives no mass")

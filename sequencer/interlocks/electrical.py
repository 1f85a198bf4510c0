"""Rules over voltage, current and charge. V, A, Ah; current is positive when it charges."""

from collections.abc import Iterator
from math import inf

from sequencer.interlocks.answering import SwitchedOn
from sequencer.interlocks.rule import Calm, Judge
from sequencer.plan.cell_estimate import CellEstimate, wanted_a
from sequencer.plan.soc_range import ANYWHERE, SocRange, shown_since
from sequencer.plan.step import PlanLimits
from sequencer.vocabulary.commands import CurrentLimitRow, Direction
from sequencer.vocabulary.intent import DRIVING, Intent, State
from sequencer.vocabulary.measuring_channels import MeasuringChannels
from sequencer.vocabulary.sample import NAN, Sample
from sequencer.vocabulary.units import apart

SETTLING_NS = 2_000_000_000
"""Time after a command before its effect is judged (common practice for bench instruments)."""
LEAD_MARGIN_V = 0.05
"""Contact voltage (V) allowed beyond the leads' known drop (common practice)."""
_DOUBT = 4
"""Two for every sample without current, less one for every sample with it."""
_LEAD_FACTOR = 2.0
_NS_PER_H = 3.6e12
_OUT = Direction.DISCHARGE


def voltage_low(floor_v: float) -> Judge:
    """The cell stays above its floor; unfiltered."""

    def judge(sample: Sample, _intent: Intent) -> str:
        if not sample.voltage_v >= floor_v:
            seen, least = apart(3, sample.voltage_v, floor_v)
            return f"cell voltage {seen} V is below the floor of {least} V"
        return ""

    return judge


def voltage_high(ceiling_v: float) -> Judge:
    """The cell stays below its ceiling; unfiltered."""

    def judge(sample: Sample, _intent: Intent) -> str:
        if not sample.voltage_v <= ceiling_v:
            seen, most = apart(3, sample.voltage_v, ceiling_v)
            return f"cell voltage {seen} V is above the ceiling of {most} V"
        return ""

    return judge


def current_large(charge_a: float, discharge_a: float) -> Judge:
    """No more current than the cell bears, either way, whatever was commanded."""

    def judge(sample: Sample, _intent: Intent) -> str:
        current = sample.current_a
        if not -discharge_a <= current <= charge_a:
            seen, out, into = apart(3, current, -discharge_a, charge_a)
            sign = "+" if current >= 0.0 else ""
            return f"current {sign}{seen} A is outside {out} A to +{into} A"
        return ""

    return judge


def current_sign(channels: MeasuringChannels) -> Judge:
    """Charging never discharges, discharging never charges, and off means no current."""
    charge_zero_a, discharge_zero_a = channels.zero_a(Direction.CHARGE), channels.zero_a(_OUT)
    zero_a = channels.zero_a(Direction.REST)

    def judge(sample: Sample, intent: Intent) -> str:
        current, state = sample.current_a, intent.state
        if state is State.CHARGING:
            if not current >= -charge_zero_a:
                return f"current {current:+.3f} A flows out of the cell while charging"
        elif state is State.DISCHARGING:
            if not current <= discharge_zero_a:
                return f"current {current:+.3f} A flows into the cell while discharging"
        elif sample.at_ns - intent.since_ns > SETTLING_NS and not -zero_a <= current <= zero_a:
            return f"current {current:+.3f} A flows with the outputs off"
        return ""

    return judge


def current_commanded(
    channels: MeasuringChannels, *, k: int = 3, estimate: CellEstimate | None = None
) -> Judge:
    """The current is what was commanded: exactly so when discharging, at most so when charging.

    Where it follows what is held, or the maker's table, it is what the sample before asked for; a
    reading from before that sample says nothing of it. ``estimate``: of a plan that follows it.
    """
    count, set_a, before, way = 0, 0.0, Sample(0), Direction.REST

    def judge(sample: Sample, intent: Intent) -> str:
        nonlocal count, set_a, before, estimate, way
        wanted, current, state = intent.drive.current_a, sample.current_a, intent.state
        if estimate is not None:
            estimate, way = estimate.after(before, way), intent.drive.direction
        asked, before = before, sample
        if state in DRIVING and intent.drive.is_trimmed:
            trimmed = wanted_a(intent.drive, asked, estimate)
            wanted = set_a = set_a if trimmed is None else trimmed
            if sample.current_at_ns <= asked.at_ns:
                return ""
        if state is State.CHARGING:
            beyond = current - wanted
        elif state is State.DISCHARGING:
            beyond = abs(current + wanted)
        else:
            beyond = 0.0
        if beyond <= 0.02 * wanted or sample.at_ns - intent.since_ns <= SETTLING_NS:
            count = 0
            return ""
        channel = channels.supply_a if state is State.CHARGING else channels.load_a
        allowed = 0.02 * wanted + 2.0 * channel.error_at(wanted)
        count = 0 if beyond <= allowed else count + 1
        if count < k:
            return ""
        off = f"not the commanded {wanted:.3f} A within {allowed:.3f} A"
        return f"current {current:+.3f} A is {off}"

    return judge


def current_follows(least: Sample, most: Sample, intent: Intent) -> bool:
    """Calm of ``current_commanded``: well within what is commanded, which is fixed."""
    wanted = intent.drive.current_a
    if intent.state is State.CHARGING:
        return most.current_a - wanted <= 0.02 * wanted
    if intent.state is State.DISCHARGING:
        beyond = max(abs(least.current_a + wanted), abs(most.current_a + wanted))
        return beyond <= 0.02 * wanted and not intent.drive.is_trimmed
    return True


def cell_opened(channels: MeasuringChannels, floor_v: float) -> Judge:
    """The cell's own protection stays closed: when it opens, a meter on the tabs loses the cell."""
    return _no_current(channels, floor_v, wants_cell=True)


def circuit_open(channels: MeasuringChannels, floor_v: float) -> Judge:
    """While current is asked for, it flows: an open lead is not a full or an empty cell. Charging
    may taper to nothing only at its set voltage, and not at a leap; a held cut-off may ask for
    none."""
    return _no_current(channels, floor_v, wants_cell=False)


def _no_current(channels: MeasuringChannels, floor_v: float, *, wants_cell: bool) -> Judge:
    """One finding, told by two rules, because a cell that protects itself is a result and a lead
    that comes off is a fault. Two misses in a row, or every other one, are an opening; a voltage
    that no cell could fall to is one at once, before it is taken for an empty cell's."""
    charge_zero_a, discharge_zero_a = channels.zero_a(Direction.CHARGE), channels.zero_a(_OUT)
    doubt, leapt, last_a, flowing_v = 0, False, 0.0, 0.0
    switched_on = SwitchedOn(SETTLING_NS, channels)

    def judge(sample: Sample, intent: Intent) -> str:
        nonlocal doubt, last_a, flowing_v, leapt
        current, volts = sample.current_a, sample.voltage_v
        before, last_a = last_a, current
        charging = intent.state is State.CHARGING
        zero_a = charge_zero_a if charging else discharge_zero_a
        is_missed = switched_on.misses(sample, intent, flows=abs(current) > zero_a)
        if abs(current) > zero_a:
            leapt, flowing_v = False, volts
            doubt = doubt - 1 if doubt else 0
            return ""
        if intent.state not in DRIVING:
            leapt, doubt, flowing_v = False, 0, volts
            return ""
        gone = not charging and volts < 0.5 * floor_v and current == current
        near_v = _near_v(intent.drive.voltage_v, channels)
        if not (gone and channels.voltage_is_own):
            if not is_missed:
                return ""
            leapt = leapt or abs(before) > 10.0 * zero_a
            if charging and volts >= near_v and not leapt and current == current:
                doubt = 0
                return ""
            doubt += 2
            if doubt < _DOUBT:
                return ""
        set_by_v = sample.supply_v if charging and sample.supply_v >= near_v else NAN
        is_cell, why = _who_opened(channels, gone, volts, flowing_v, set_by_v)
        if is_cell is not wants_cell:
            return ""
        return (
            f"no current ({current:+.3f} A) although {intent.state.value} at "
            f"{intent.drive.current_a:.3f} A: {why}"
        )

    return judge


def _near_v(set_v: float, channels: MeasuringChannels) -> float:
    """From where on (V) a cell may be at the voltage that a supply holds."""
    return set_v - LEAD_MARGIN_V - channels.voltage.error_at(set_v)


def current_flows(channels: MeasuringChannels) -> Calm:
    """Calm of ``cell_opened`` and ``circuit_open``: more than nothing, the way that is driven, and
    no voltage to follow, by which it is remembered since when any was asked for."""
    charge_zero_a, discharge_zero_a = channels.zero_a(Direction.CHARGE), channels.zero_a(_OUT)

    def is_calm(least: Sample, most: Sample, intent: Intent) -> bool:
        if intent.state is State.CHARGING:
            return least.current_a > charge_zero_a
        flows = intent.state is not State.DISCHARGING or most.current_a < -discharge_zero_a
        return flows and not intent.drive.follows_voltage

    return is_calm


def _who_opened(
    channels: MeasuringChannels, gone: bool, volts: float, flowing_v: float, set_by_v: float
) -> tuple[bool, str]:
    """Whether it was the cell, by what a meter of its own reads on the tabs, and why.

    An opened cell leaves there what drives the leads: nothing from a load, the supply's voltage
    (``set_by_v``) from a supply. Behind an open lead the cell stays, and relaxes from where it was.
    """
    seen = f"the meter on the tabs reads {volts:.3f} V"
    opened = "the cell's own protection has opened"
    if not channels.voltage_is_own:
        why = "the bench has a single voltage channel, which cannot tell them apart"
        return False, f"an open lead, or {opened}: {why}"
    if gone:
        return True, f"{opened}: {seen}, which is no cell's"
    apart = channels.voltage.error_at(volts) + channels.supply_v.error_at(volts)
    if not abs(volts - set_by_v) <= apart:
        nothing = "an open lead, or an output that gives nothing"
        return False, f"{nothing}: {seen}, which is the cell's own voltage"
    if volts >= flowing_v - 2.0 * channels.voltage.resolution:
        return True, f"{opened}: {seen}, which is the supply's"
    return False, f"an open lead, or {opened}: {seen}, near both the supply's and the cell's"


def voltages_disagree(channels: MeasuringChannels, strict_v: float = inf, *, k: int = 3) -> Judge:
    """Two voltage channels agree within their errors and what the leads drop; a reading from before
    the command took effect is compared with nothing (its age is another rule's). A charge to more
    than ``strict_v`` leaves nothing to contacts."""
    count = 0
    ohm = _LEAD_FACTOR * channels.lead_ohm
    supply_ohm = 0.0 if channels.supply_senses_cell else ohm
    load_ohm = 0.0 if channels.load_senses_cell else ohm

    def judge(sample: Sample, intent: Intent) -> str:
        nonlocal count
        volts, state = sample.voltage_v, intent.state
        if state is State.CHARGING:
            other, lead_ohm = sample.supply_v, supply_ohm
        elif state is State.DISCHARGING:
            other, lead_ohm = sample.load_v, load_ohm
        else:
            count = 0
            return ""
        apart = abs(other - volts)
        allowed = _contacts_v(intent, strict_v) + lead_ohm * abs(sample.current_a)
        if apart <= allowed:
            count = 0
            return ""
        charging = state is State.CHARGING
        channel = channels.supply_v if charging else channels.load_v
        read_ns = sample.supply_at_ns if charging else sample.load_at_ns
        if read_ns - intent.since_ns <= SETTLING_NS or not channel.present:
            count = 0
            return ""
        allowed += channels.voltage.error_at(volts) + channel.error_at(volts)
        count = 0 if apart <= allowed else count + 1
        if count < k:
            return ""
        where = "supply" if intent.state is State.CHARGING else "load"
        return (
            f"{volts:.3f} V at the cell and {other:.3f} V at the {where} disagree: their errors "
            f"and the leads explain {allowed:.3f} V"
        )

    return judge


def _contacts_v(intent: Intent, strict_v: float) -> float:
    is_strict = intent.state is State.CHARGING and intent.drive.voltage_v > strict_v
    return 0.0 if is_strict else LEAD_MARGIN_V


def voltages_agree(channels: MeasuringChannels, strict_v: float = inf) -> Calm:
    """Calm of ``voltages_disagree``: within what the leads drop."""
    ohm = _LEAD_FACTOR * channels.lead_ohm
    supply_ohm = 0.0 if channels.supply_senses_cell else ohm
    load_ohm = 0.0 if channels.load_senses_cell else ohm

    def is_calm(least: Sample, most: Sample, intent: Intent) -> bool:
        if intent.state not in DRIVING:
            return True
        if intent.state is State.CHARGING:
            low, high, lead_ohm = least.supply_v, most.supply_v, supply_ohm
        else:
            low, high, lead_ohm = least.load_v, most.load_v, load_ohm
        apart = max(high - least.voltage_v, most.voltage_v - low)
        flowing_a = max(least.current_a, -most.current_a, 0.0)
        return apart <= _contacts_v(intent, strict_v) + lead_ohm * flowing_a

    return is_calm


def charge_bound(charge_in_ah: float, charge_out_ah: float) -> Judge:
    """No more charge one way than the cell can hold, between two changes of direction."""
    direction, moved_ah, last_ns = Direction.REST, 0.0, 0

    def judge(sample: Sample, intent: Intent) -> str:
        nonlocal direction, moved_ah, last_ns
        span_ns, last_ns = sample.at_ns - last_ns, sample.at_ns
        now = intent.drive.direction
        if now is Direction.REST:
            return ""
        if now is not direction:
            direction, moved_ah = now, 0.0
            return ""
        moved_ah += abs(sample.current_a) * span_ns / _NS_PER_H
        bound = charge_in_ah if now is Direction.CHARGE else charge_out_ah
        if moved_ah <= bound:
            return ""
        way = "put in" if now is Direction.CHARGE else "taken out"
        moved, most = apart(3, moved_ah, bound)
        return f"{moved} Ah {way} without a change of direction, more than {most} Ah"

    return judge


def current_by_state_of_charge(limits: PlanLimits, channels: MeasuringChannels) -> Judge:
    """The maker's table of currents, over the range in which the state of charge must lie.

    The range starts as wide as it can be. Counted charge moves it, and the cell seen full or at its
    cut-off narrows it, by the rule (``soc_range``) that allowed the plan.
    """
    within, last_ns, shown_ns = ANYWHERE, 0, 0
    per_ns = 1.0 / (_NS_PER_H * limits.rated_ah)
    at_tab = channels.tab.present and not channels.surface.present
    rows = {way: tuple(_rows_of(limits.table, way)) for way in Direction}

    def judge(sample: Sample, intent: Intent) -> str:
        nonlocal within, last_ns, shown_ns
        current, at_ns, way = sample.current_a, sample.at_ns, intent.drive.direction
        moved = current * (at_ns - last_ns) * per_ns if last_ns else 0.0
        if moved == moved:
            within = within.moved(moved, moved)
        last_ns, size = at_ns, abs(current)
        shown_ns = shown_since(sample, way, limits, shown_ns)
        within = within.seen(sample, way, shown_ns)
        for most_a, row in rows[way]:
            if size <= most_a:
                break
            celsius = sample.tab_c if at_tab else sample.surface_c
            if _holds(row, within, celsius) or size != size:
                return (
                    f"current {current:+.3f} A is above the {row.current_a:.3f} A that the maker"
                    f" allows at {100 * within.low:.0f} to {100 * within.high:.0f} % state of"
                    f" charge and {celsius:.1f} degC"
                )
        return ""

    return judge


def _rows_of(
    table: tuple[CurrentLimitRow, ...], way: Direction
) -> Iterator[tuple[float, CurrentLimitRow]]:
    """The rows for one direction, tightest first, each with the current (A) that breaks it."""
    for row in sorted(table, key=lambda one: one.current_a):
        if row.direction is way:
            yield row.current_a * 1.02, row


def _holds(row: CurrentLimitRow, within: SocRange, celsius: float) -> bool:
    """Whether a row of the table may hold now; an unknown temperature counts as any."""
    outside = celsius < row.temperature_from_c or celsius >= row.temperature_to_c
    return row.soc_from <= within.high and row.soc_to >= within.low and not outside

"""When a termination current counts: constant voltage was seen, current flowed, and it fell slowly.

Both ways: a charge whose supply holds the voltage, and a discharge whose current follows it. What
is set is the most that may flow, so a current that falls with it did not vanish; set to none, as an
empty cell asks for, it has not to flow. NaN arms nothing.
"""

from sequencer.machine.tally import Tally
from sequencer.vocabulary.commands import Direction, Drive
from sequencer.vocabulary.measuring_channels import MeasuringChannels
from sequencer.vocabulary.sample import Sample

_VANISHING = 0.5
"""A fall to less than half between two samples is not the taper of a cell (common practice: the
time constants of a taper are minutes)."""
_NEAR_V = 0.01
"""So near (V) to the voltage that is held the cell is at it (common practice)."""


def arming(
    before: Tally,
    drive: Drive,
    channels: MeasuringChannels,
    termination_a: float,
    set_a: float,
    sample: Sample,
) -> tuple[bool, bool, bool]:
    """Whether the voltage was held by now, whether current flowed, and whether it vanished below
    the termination current (A) in one leap: what an account knows of it after this sample, before
    which ``set_a`` (A) was set."""
    if drive.direction is Direction.CHARGE:
        current, count_a = sample.current_a, channels.supply_a.resolution
        held = before.held_voltage or holds_voltage(channels, drive, sample)
    else:
        current, count_a = -sample.current_a, channels.load_a.resolution
        held = before.held_voltage or sample.voltage_v <= drive.voltage_v + _NEAR_V
    vanished = has_vanished(before, current, termination_a, count_a, set_a)
    return held, before.flowed or current > count_a or set_a <= count_a, vanished


def holds_voltage(channels: MeasuringChannels, drive: Drive, sample: Sample) -> bool:
    """Constant voltage is seen: the supply's own reading at its set value, and the cell's voltage
    no further below than the leads explain."""
    set_v = drive.voltage_v
    supply_error_v = channels.supply_v.error_at(set_v) + channels.supply_v.resolution
    if not sample.supply_v >= set_v - supply_error_v:
        return False
    drop = 0.0 if channels.supply_senses_cell else 2.0 * channels.lead_ohm * abs(sample.current_a)
    below_v = supply_error_v + channels.voltage.error_at(set_v) + drop + _NEAR_V
    return sample.voltage_v >= set_v - below_v


def has_vanished(
    tally: Tally, current_a: float, threshold_a: float, resolution_a: float, set_a: float
) -> bool:
    """Whether current fell below the threshold in one leap that was not commanded, rather than on a
    taper."""
    was = abs(tally.current_a)
    now = abs(current_a)
    if now > threshold_a:
        return False
    leapt = was > threshold_a and now < _VANISHING * min(was, set_a) - 2.0 * resolution_a
    return tally.vanished or leapt

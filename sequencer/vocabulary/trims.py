"""The current that a trimmed drive wants after a sample: pure, and all that a trim depends on.

The executive commands it, the interlock *commanded* compares the next sample with it, a replay
works it out again: all three ask here.
"""

from math import floor, inf

from sequencer.vocabulary.commands import Drive, Held
from sequencer.vocabulary.sample import ELECTRICAL_DIGITS, Sample

_STEPS_PER_A = 10**ELECTRICAL_DIGITS


def trimmed_a(drive: Drive, sample: Sample, most_a: float = inf) -> float | None:
    """The current (A, positive, rounded as it is recorded) to set after this sample, never more
    than the drive's bound and ``most_a``, what its table allows now (A); None where it follows the
    voltage and the sample has none or, where it counts, no current.

    Power and resistance are held by the voltage at the cell. A held voltage is followed: each
    ``value`` of Ohm asks for the current that would bring the cell back to it, so that a cell whose
    resistance over one sample is below twice that does not swing (the difference is multiplied by
    1 - r / value from one sample to the next).
    """
    bound_a = drive.current_a
    if most_a < bound_a:  # rounded down, but for what is left of a calculation
        bound_a = floor(most_a * _STEPS_PER_A + 1e-3) / _STEPS_PER_A
    if not drive.follows_voltage:
        return round(bound_a, ELECTRICAL_DIGITS)
    volts = sample.voltage_v
    if not volts > 0.0:
        return None
    if drive.held is not Held.VOLTAGE:
        return round(min(drive.current_at(volts), bound_a), ELECTRICAL_DIGITS)
    wanted = (volts - drive.voltage_v) / drive.value - sample.current_a
    if wanted != wanted:
        return None
    return round(min(max(wanted, 0.0), bound_a), ELECTRICAL_DIGITS)

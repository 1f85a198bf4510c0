"""Whether the voltmeter answers: a voltage moves when a current is switched on. V, A, Ohm."""

from sequencer.interlocks.rule import Judge
from sequencer.vocabulary.intent import DRIVING, Intent
from sequencer.vocabulary.measuring_channels import MeasuringChannels
from sequencer.vocabulary.sample import NAN, Sample

LEAST_OHM_AH = 0.005
"""No cell has less resistance times capacity (Ohm Ah): strong ones have twice that and more, most
ten times (common practice, from memory)."""
COUNTS = 5.0
"""So many counts of the meter the least drop has to be, or it tells nothing."""
FINEST_V = 0.0001
"""Where a meter tells no count of its own (our choice)."""
ANSWER_NS = 200_000_000
"""A reading that was asked sooner after the command may be from before it (common practice)."""
LONGEST_NS = 3_000_000_000
"""For so long a slow meter may repeat what it showed before (common practice)."""
READINGS = 2
PULSES = 3
"""So many times in a row, where each is shorter than ``LONGEST_NS``."""


def voltage_answers(channels: MeasuringChannels, rated_ah: float) -> Judge:
    """Under a current that must move it, the cell voltage is not digit for digit what it was before
    that was switched on. A meter that stands still leaves floor and cut-off blind; in pulses no
    other rule has the time to compare it with another channel."""
    count_v = max(channels.voltage.resolution, FINEST_V)
    least_a = COUNTS * count_v * rated_ah / LEAST_OHM_AH
    before_v, read_ns, seen, stood, is_still = NAN, 0, 0, 0, True

    def judge(sample: Sample, intent: Intent) -> str:
        nonlocal before_v, read_ns, seen, stood, is_still
        if intent.state not in DRIVING:
            if seen >= READINGS:
                stood = stood + 1 if is_still else 0
            before_v, seen, is_still = sample.voltage_v, 0, True
            return ""
        is_new = sample.voltage_at_ns > max(read_ns, intent.since_ns + ANSWER_NS)
        if not is_new or not abs(sample.current_a) >= least_a:
            return ""
        read_ns, seen = sample.voltage_at_ns, seen + 1
        is_still = is_still and sample.voltage_v == before_v
        is_long = sample.at_ns - intent.since_ns > LONGEST_NS
        if not is_still or seen < READINGS or not (is_long or stood >= PULSES - 1):
            return ""
        return (
            f"cell voltage still reads {before_v:.4f} V, as before {abs(sample.current_a):.3f} A"
            " were switched on: its reading stands still"
        )

    return judge


def at_rest(_least: Sample, _most: Sample, intent: Intent) -> bool:
    """Calm of ``voltage_answers``: nothing is driven, and of a rest only its last sample counts."""
    return intent.state not in DRIVING

"""What readings prove about outputs: that they are off.

Never an instrument's word alone: its state, its own current, and that both are newer than the
command. NaN proves nothing.
"""

from sequencer.vocabulary.intent import Intent
from sequencer.vocabulary.measuring_channels import Channel, MeasuringChannels
from sequencer.vocabulary.sample import OFF, Sample

_HARDLY_ANY_A = 0.002
"""Current (A) below which an off output counts as off even on a very fine instrument."""


def is_seen_off(channels: MeasuringChannels, intent: Intent, sample: Sample) -> bool:
    """Whether readings *newer than the command* say that no output is on and no current flows."""
    since = intent.since_ns
    if channels.supply_a.present and not (
        sample.supply_on == OFF
        and sample.supply_at_ns > since
        and abs(sample.supply_a) <= visible_zero_a(channels.supply_a)
    ):
        return False
    return not channels.load_a.present or (
        sample.load_on == OFF
        and sample.load_at_ns > since
        and abs(sample.load_a) <= visible_zero_a(channels.load_a)
    )


def visible_zero_a(channel: Channel) -> float:
    """The largest reading (A) that an output without current may give on this instrument."""
    return max(_HARDLY_ANY_A, channel.error_at(0.0) + channel.resolution)

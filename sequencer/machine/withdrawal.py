"""What takes a proof of off back: readings after it that off does not explain. Pure.

Something may come on after the proof: an instrument that restarts, a person at its panel, a supply
that only then obeys an older command. Not seen: a current below the proof's own bounds, and one
that begins so slowly that the voltage changes no faster than a relaxing cell's.
"""

from sequencer.machine.relaxation import (
    AGREEING,
    NOISE_V,
    Seen,
    beyond_relaxation,
    with_reading,
)
from sequencer.vocabulary.measuring_channels import MeasuringChannels
from sequencer.vocabulary.sample import ON, Sample
from sequencer.vocabulary.verdict import MOST_DROP_V, Level, Limit, Proof


def is_on_again(sample: Sample, since_ns: int) -> str:
    """Which output says that it is on, in a reading newer than ``since_ns``; empty: none."""
    for name, state, read_ns in (
        ("supply", sample.supply_on, sample.supply_at_ns),
        ("load", sample.load_on, sample.load_at_ns),
    ):
        if state == ON and read_ns > since_ns:
            return name
    return ""


class Withdrawal:
    """The looking on after one proof; ``since_ns``: readings from then on count."""

    def __init__(self, proof: Proof, channels: MeasuringChannels, since_ns: int) -> None:
        self._proof, self._since_ns = proof, since_ns
        self._is_parted = proof.level is Level.A and not proof.limits
        self._most_v = NOISE_V + 2.0 * channels.voltage.resolution
        self._seen: Seen = ()
        self._moved = 0
        self._times = dict.fromkeys((limit.channel for limit in proof.limits), since_ns)
        self._beyond = dict.fromkeys((limit.channel for limit in proof.limits), 0)

    def reason(self, sample: Sample) -> str:
        """Why off is no longer proven, in words; empty while it is."""
        return self._says_on(sample) or self._flows(sample) or self._changes(sample)

    def _says_on(self, sample: Sample) -> str:
        """An output behind an open contact may say what it likes; the contact may not close."""
        if self._is_parted:
            is_closed = sample.contactor_closed == ON and sample.contactor_at_ns > self._since_ns
            return "the contactor's feedback says that it is closed again" if is_closed else ""
        name = is_on_again(sample, self._since_ns)
        return f"the {name} says that its output is on" if name else ""

    def _flows(self, sample: Sample) -> str:
        for limit in self._proof.limits:
            read_ns, shown = _read_ns(limit, sample), _shown(limit, sample)
            if read_ns <= self._times[limit.channel] or _is_no_drop(limit, shown):
                continue
            self._times[limit.channel] = read_ns
            is_inside = abs(shown - limit.centre) <= limit.most
            self._beyond[limit.channel] = 0 if is_inside else self._beyond[limit.channel] + 1
            if self._beyond[limit.channel] >= AGREEING:
                return _beyond(limit, shown)
        return ""

    def _changes(self, sample: Sample) -> str:
        """Whether the cell voltage moves faster than it did; what is no number tells nothing."""
        read_ns, volts = sample.voltage_at_ns, sample.voltage_v
        last_ns = self._seen[-1][0] if self._seen else self._since_ns
        if read_ns > last_ns and volts == volts:
            is_faster = beyond_relaxation(self._seen, read_ns, volts) > self._most_v
            self._moved = self._moved + 1 if is_faster else 0
            self._seen = with_reading(self._seen, read_ns, volts)
        if self._moved < AGREEING:
            return ""
        return (
            f"the cell voltage, now {volts:.3f} V, changes faster than it did two seconds before:"
            " a cell that rests only slows down"
        )


def _read_ns(limit: Limit, sample: Sample) -> int:
    """When the older of the two was read."""
    times = [f"{name[:-2]}_at_ns" for name in (limit.channel, limit.less) if name]
    return min(int(getattr(sample, time)) for time in times)


def _is_no_drop(limit: Limit, shown: float) -> bool:
    """A difference that no lead drops is a voltmeter that is off or wrong, and tells nothing."""
    return bool(limit.less) and not abs(shown - limit.centre) <= MOST_DROP_V


def _shown(limit: Limit, sample: Sample) -> float:
    value: float = getattr(sample, limit.channel)
    return value - getattr(sample, limit.less) if limit.less else value


def _beyond(limit: Limit, shown: float) -> str:
    name = limit.channel[:-2].replace("current", "ammeter")
    if limit.less:
        return (
            f"the {name} reads {shown:.4f} V more than the cell, further than {limit.most:.4f} V"
            f" from the {limit.centre:.4f} V without current: a current flows in the leads"
        )
    return f"the {name} reads {shown:.4f} A, and off explains {limit.most:.4f} A at most"

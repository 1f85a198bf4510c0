"""A pause: since when, and whether the cell that is there now is the one that was left.

Pure. A cell whose outputs are off relaxes, ever more slowly. A voltage that moves otherwise, that
is none, or that is not read any more is what taking the cell out looks like. Two cells of one
voltage that are exchanged between two readings cannot be told apart.
"""

from math import inf
from typing import NamedTuple

from sequencer.machine.relaxation import AGREEING, NOISE_V, beyond_relaxation, with_reading
from sequencer.machine.stops import NEVER_NS
from sequencer.plan.bursts import GUARD_S
from sequencer.plan.step import PlannedStep
from sequencer.vocabulary.measuring_channels import MeasuringChannels
from sequencer.vocabulary.sample import Sample

SETTLING_NS = 200_000_000
"""After switching off a reading may be from before, or from while it switched (common practice)."""
BEYOND_V = 0.010
"""A change (V) beyond that of the time before that relaxation does not explain: it is 12 mV in the
first 2 s after 1 C, and slows (twin; common practice)."""
LEAST_V = 0.5
"""No cell that may be charged reads less (common practice)."""
MISSING = 3
"""Samples in a row without a new reading."""


class Pause(NamedTuple):
    """``since_ns`` it lasts, ``stopped_ns`` the step stands still (a pause may follow another
    before the step went on); ``run_ends_by_ns`` is when the run had to be over (bench time, ns).

    ``doubt``: why the cell may be another one; kept, because nobody can take that back.
    ``refused``: why going on was refused, at ``refused_ns``.
    """

    since_ns: int
    stopped_ns: int
    run_ends_by_ns: int
    seen: tuple[tuple[int, float], ...] = ()
    missing: int = 0
    moved: int = 0
    doubt: str = ""
    refused: str = ""
    refused_ns: int = 0

    def look(self, channels: MeasuringChannels, sample: Sample) -> "Pause":
        """After one more sample."""
        if self.doubt:
            return self
        read_ns, volts = sample.voltage_at_ns, sample.voltage_v
        last_ns = self.seen[-1][0] if self.seen else self.since_ns + SETTLING_NS
        if not read_ns > last_ns or volts != volts:
            return self._doubting(missing=self.missing + 1)
        beyond_v = beyond_relaxation(self.seen, read_ns, volts)
        allowed_v = max(BEYOND_V, NOISE_V + 2.0 * channels.voltage.resolution)
        return self._replace(seen=with_reading(self.seen, read_ns, volts))._doubting(
            is_low=volts < LEAST_V,
            moved=self.moved + 1 if beyond_v > allowed_v else 0,
        )

    def _doubting(self, missing: int = 0, is_low: bool = False, moved: int = 0) -> "Pause":
        doubt = ""
        if missing >= MISSING:
            doubt = f"the cell voltage was not read {MISSING} times in a row"
        elif is_low:
            doubt = f"the cell voltage was {self.seen[-1][1]:.3f} V"
        elif moved >= AGREEING:
            doubt = f"the cell voltage moved to {self.seen[-1][1]:.3f} V as no rest moves it"
        return self._replace(missing=missing, moved=moved, doubt=doubt)


def pause_ends_ns(step: PlannedStep | None, at_ns: int) -> int:
    """When a pause that begins now ends the run; never for most steps."""
    pause_s = inf if step is None else step.pause_s
    return at_ns + round(pause_s * 1e9) if pause_s < inf else NEVER_NS


def timed_on(step: PlannedStep, lasted_ns: int) -> PlannedStep:
    """The step that goes on after so long: of a burst that the load ends by its own timer, that
    is set to what is left. The cell stands both parts together for no longer than the whole."""
    drive = step.drive
    if not drive.on_time_s:
        return step
    left_s = max(round(drive.on_time_s - lasted_ns / 1e9, 6), GUARD_S)
    return step._replace(drive=drive._replace(on_time_s=left_s))


def unfit(channels: MeasuringChannels, window_c: tuple[float, float], sample: Sample) -> str:
    """Why nothing may be driven now: what an instrument says, or the cell's temperature (degC)."""
    if sample.faults:
        return "; ".join(f"{one.culprit}: {one.detail}" for one in sample.faults)
    low_c, high_c = window_c
    for name, channel, celsius in (
        ("surface", channels.surface, sample.surface_c),
        ("tab", channels.tab, sample.tab_c),
    ):
        if channel.present and not low_c <= celsius <= high_c:
            return f"{name} {celsius:.1f} degC is outside {low_c:.1f} to {high_c:.1f} degC"
    return ""

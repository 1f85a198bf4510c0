"""What a current that is switched on has to show: that it flows, and that the voltage moves. V, A.

Owns what short pulses can tell, which are over before other rules look.
"""

from math import inf

from sequencer.interlocks.rule import Judge
from sequencer.vocabulary.commands import Direction, Drive
from sequencer.vocabulary.intent import DRIVING, Intent, State
from sequencer.vocabulary.measuring_channels import MeasuringChannels
from sequencer.vocabulary.sample import NAN, Sample
from sequencer.vocabulary.trims import trimmed_a

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
MOST_BESIDE = 0.02
"""An instrument may set another current than it is told to by this share (common practice)."""
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


class SwitchedOn:
    """When a current that stays away is missed: ``settling_ns`` after it was asked for; sooner
    where it had flowed out of the cell since the command, for a discharge does not taper to nothing
    by itself; and in the third pulse of which every reading shows none.

    A current that follows the cell's voltage is asked for by the sample before (``trimmed_a``), and
    a held cut-off may ask an empty cell for none. A current that is missed stays missed, though the
    voltage without it asks for none.

    Without an ammeter a reading is as young as that of the output which should drive: with both
    off, the current of the cell bears the time of the older one.
    """

    def __init__(self, settling_ns: int, channels: MeasuringChannels) -> None:
        self._settling_ns, self._by_ammeter = settling_ns, channels.ammeter.present
        self._channels, self._before = channels, Sample(0)
        self._since_ns = self._read_ns = self._asked = self._empty = 0
        self._asked_ns: float = 0
        self._has_flowed = self._is_missing = False

    def misses(self, sample: Sample, intent: Intent, *, flows: bool) -> bool:
        """Whether the current is missed where this sample of a driven step shows none; to be asked
        of every sample that is judged."""
        if intent.since_ns != self._since_ns:
            self._begin(intent.since_ns)
        if intent.drive.follows_voltage:
            self._follow(intent.drive)
        self._before = sample
        read_ns = sample.current_at_ns if self._by_ammeter else _output_at_ns(sample, intent)
        is_answer = read_ns > self._asked_ns + ANSWER_NS
        is_new = is_answer and read_ns > self._read_ns and intent.state in DRIVING
        self._read_ns = read_ns
        self._has_flowed = self._has_flowed or (is_new and flows)
        self._asked += is_new and not flows
        is_late = sample.at_ns - self._asked_ns > self._settling_ns
        is_late = is_late and (is_answer or self._asked_ns == self._since_ns)
        went_off = self._has_flowed and intent.state is State.DISCHARGING
        never_came = self._asked >= READINGS and self._empty >= PULSES - 1
        is_missed = is_late or (is_new and (went_off or never_came))
        self._is_missing = not flows and (is_missed or self._is_missing)
        return is_missed

    def _follow(self, drive: Drive) -> None:
        """Since when more than an instrument may take for none was asked for, without a break."""
        asked_a = trimmed_a(drive, self._before, drive.table_a)
        if asked_a is None or self._is_missing:
            return
        error_a = MOST_BESIDE * asked_a + 2.0 * self._channels.load_a.error_at(asked_a)
        if not asked_a - error_a > self._channels.zero_a(Direction.DISCHARGE):
            self._asked_ns = inf
        elif self._asked_ns == inf:
            self._asked_ns = self._before.at_ns

    def _begin(self, since_ns: int) -> None:
        """Another command: the one before it counts where it was asked often enough."""
        if self._has_flowed:
            self._empty = 0
        elif self._asked >= READINGS:
            self._empty += 1
        self._since_ns = self._asked_ns = since_ns
        self._asked, self._has_flowed, self._is_missing = 0, False, False


def _output_at_ns(sample: Sample, intent: Intent) -> int:
    """When the output that is meant to drive was read last."""
    own_ns = sample.supply_at_ns if intent.state is State.CHARGING else sample.load_at_ns
    return max(own_ns, sample.current_at_ns)

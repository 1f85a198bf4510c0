"""After a trip: outputs are off, and looking goes on until the cell is cool and quiet.

Pure: decides from samples when it is over and when a cell that keeps warming is an alarm. A surface
lags behind its core, so a little warming after off is no alarm.
"""

from collections import deque
from typing import NamedTuple

from sequencer.vocabulary.sample import Sample
from sequencer.vocabulary.verdict import Ending

LEAST_NS = 10_000_000_000
LONGEST_NS = 7_200_000_000_000
"""Two hours: a cell that is not cool by then is handed to a person (our choice)."""
COOL_ABOVE_ROOM_K = 5.0
COOL_C = 30.0
"""Cool where no sensor reads the room (our choice)."""
LAG_K = 3.0
"""A surface may rise by this much after off, as heat arrives from the core (common practice)."""
RISING_K = 0.5
"""Rise within a minute that counts as rising; finer is the noise of modest thermometers. Where
nothing was read for longer than that, the same rise since the last reading counts."""
ALARM_EVERY_NS = 60_000_000_000
"""How often a cell that keeps warming is told again."""
_MINUTE_NS = 60_000_000_000
_LOOK_NS = 5_000_000_000
_OLD_NS = 10_000_000_000


class AftermathLook(NamedTuple):
    """What one sample after off says. ``alarm`` is empty unless the cell keeps warming; ``over``
    ends the looking, ``words`` says how the cell was left, and ``is_news`` that the alarm must be
    told now: at first, and once a minute."""

    over: bool
    alarm: str
    words: str
    is_news: bool = False


class Aftermath:
    """The looking on after one ending. A person who aborted is there and waits for nothing more
    than a few seconds without warming."""

    def __init__(self, ending: Ending, at_ns: int) -> None:
        self._attended = ending is Ending.ABORTED
        self._began_ns = at_ns
        self._first_c: float | None = None
        self._alarmed_ns = -ALARM_EVERY_NS
        self._seen: deque[tuple[int, float]] = deque()

    def look(self, sample: Sample) -> AftermathLook:
        """Judge the next sample."""
        gone_ns = sample.at_ns - self._began_ns
        celsius = hottest_c(sample)
        if celsius is None:
            words = "no sensor says whether the cell is cool: touch nothing, look and wait"
            return AftermathLook(gone_ns >= LEAST_NS, "", words)
        self._remember(sample.at_ns, celsius)
        rising = celsius - self._seen[0][1] > RISING_K
        alarm = ""
        if rising and self._first_c is not None and celsius > self._first_c + LAG_K:
            alarm = (
                f"the cell keeps warming with all outputs off: {self._first_c:.1f} degC at off, "
                f"{celsius:.1f} degC now; keep away, alert whoever must be alerted"
            )
        settled = not rising and (self._attended or celsius <= _cool_c(sample))
        if gone_ns >= LONGEST_NS:
            words = f"still {celsius:.1f} degC after {gone_ns / 3.6e12:.0f} h"
            return AftermathLook(True, alarm, words, self._is_news(alarm, sample.at_ns))
        is_over, words = settled and gone_ns >= LEAST_NS, f"left at {celsius:.1f} degC"
        return AftermathLook(is_over, alarm, words, self._is_news(alarm, sample.at_ns))

    def _is_news(self, alarm: str, at_ns: int) -> bool:
        if not alarm or at_ns - self._alarmed_ns < ALARM_EVERY_NS:
            return False
        self._alarmed_ns = at_ns
        return True

    def _remember(self, at_ns: int, celsius: float) -> None:
        if self._first_c is None:
            self._first_c = celsius
        if not self._seen or at_ns - self._seen[-1][0] >= _LOOK_NS:
            self._seen.append((at_ns, celsius))
        while self._reaches_back(at_ns, 0) and self._reaches_back(at_ns + _LOOK_NS, 1):
            self._seen.popleft()

    def _reaches_back(self, at_ns: int, place: int) -> bool:
        """Whether the look at that place alone would show a minute, whatever was before it."""
        return len(self._seen) > 1 and at_ns - self._seen[place][0] > _MINUTE_NS


def hottest_c(sample: Sample) -> float | None:
    """The warmest sensor on the cell that has been read lately (degC), or None."""
    readings = (
        (sample.surface_c, sample.surface_at_ns),
        (sample.tab_c, sample.tab_at_ns),
    )
    known = [
        celsius
        for celsius, read_at in readings
        if celsius == celsius and sample.at_ns - read_at <= _OLD_NS
    ]
    return max(known, default=None)


def _cool_c(sample: Sample) -> float:
    room_is_known = sample.room_c == sample.room_c and sample.at_ns - sample.room_at_ns <= _OLD_NS
    return sample.room_c + COOL_ABOVE_ROOM_K if room_is_known else COOL_C

"""The executive killed, stopped, orphaned: time to off, from a few blows of the kill campaign."""

from collections.abc import Iterator

from tests.performance.figure import Figure
from tests.safety.kills import BLOWS, OFF_WITHIN_S, draw, figures, strike_somewhere

SEED = 1
EACH = 4


def blows() -> Iterator[Figure]:
    """One figure a kind of blow (``python -m tests.safety.kills`` strikes five hundred times)."""
    fates = [
        strike_somewhere(blow, row) for blow, row in draw(SEED, EACH * len(BLOWS), list(BLOWS))
    ]
    for blow in BLOWS:
        mine = [one for one in fates if one.blow == blow]
        good = sum(not one.wrong for one in mine)
        yield Figure(
            f"{blow}: time to off",
            f"{figures([one.seconds for one in mine])}; {good} of {len(mine)} without a fault",
            f"at most {OFF_WITHIN_S:.0f} s, proven at the bench's level, no row lost",
            "",
            good == len(mine),
        )

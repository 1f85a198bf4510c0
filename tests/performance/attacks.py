"""The executive killed, stopped, orphaned: time to off, from a few attacks of the kill campaign."""

from collections.abc import Iterator

from tests.performance.figure import Figure
from tests.safety.kills import ATTACKS, OFF_WITHIN_S, draw, figures, strike_somewhere

SEED = 1
EACH = 4


def attacks() -> Iterator[Figure]:
    """One figure a kind of attack (``python -m tests.safety.kills`` strikes five hundred times)."""
    results = [
        strike_somewhere(attack, row)
        for attack, row in draw(SEED, EACH * len(ATTACKS), list(ATTACKS))
    ]
    for attack in ATTACKS:
        mine = [one for one in results if one.attack == attack]
        good = sum(not one.wrong for one in mine)
        yield Figure(
            f"{attack}: time to off",
            f"{figures([one.seconds for one in mine])}; {good} of {len(mine)} without a fault",
            f"at most {OFF_WITHIN_S:.0f} s, proven at the bench's level, no row lost",
            "",
            good == len(mine),
        )

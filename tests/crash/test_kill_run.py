"""A few attacks of the kill campaign (``python -m tests.safety.kills`` is all of it).

A whole run over real sockets and terminals, struck at a row drawn by seed: off in time, proven at
the bench's level, and every row that was on disk before the attack there after it.
"""

import pytest

from tests.safety.kills import ATTACKS, draw, strike
from tests.watchdog.nights import IMPATIENT


@pytest.mark.parametrize(("attack", "row"), list(draw(9, len(ATTACKS), list(ATTACKS))))
def test_an_attack_at_any_moment_ends_safe_and_loses_nothing(tmp_path, attack, row):
    """One of each: the executive killed, the executive stopped, the watchdog killed, the watchdog
    stopped (after which the executive gives it up sooner than in the campaign)."""
    result = strike(attack, row, tmp_path, IMPATIENT)
    assert result.wrong == (), result

"""A few blows of the kill campaign (``python -m tests.safety.kills`` is all of it).

A whole run over real sockets and terminals, struck at a row drawn by seed: off in time, proven at
the bench's level, and every row that was on disk before the blow there after it.
"""

import pytest

from tests.safety.kills import BLOWS, draw, strike
from tests.watchdog.nights import IMPATIENT


@pytest.mark.parametrize(("blow", "row"), list(draw(9, len(BLOWS), list(BLOWS))))
def test_a_blow_at_any_moment_ends_safe_and_loses_nothing(tmp_path, blow, row):
    """One of each: the executive killed, the executive stopped, the watchdog killed, the watchdog
    stopped (after which the executive gives it up sooner than in the campaign)."""
    fate = strike(blow, row, tmp_path, IMPATIENT)
    assert fate.wrong == (), fate

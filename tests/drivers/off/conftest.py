"""One play of making safe for every test of this room."""

import pytest

from tests.drivers.off.cast import Play


@pytest.fixture
def play(monkeypatch):
    """Sets up a play; threads that still wait are let go at its end."""
    plays = []

    def set_up(*pairs, seed=None):
        plays.append(Play(monkeypatch, *pairs, seed=seed))
        return plays[-1]

    yield set_up
    for one in plays:
        one.stage.close()

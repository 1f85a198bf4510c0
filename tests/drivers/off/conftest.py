"""A scripted bench for every test of this room."""

import pytest

from tests.drivers.off.scripted_bench import ScriptedBench


@pytest.fixture
def scripted(monkeypatch):
    """Makes scripted benches; threads that still wait are ended afterwards."""
    made = []

    def set_up(*pairs, seed=None):
        made.append(ScriptedBench(monkeypatch, *pairs, seed=seed))
        return made[-1]

    yield set_up
    for one in made:
        one.threads.close()

"""Benches of scripted instruments: a patient one, and hasty ones made on demand."""

import pytest

from tests.drivers.instruments.scripted import ScriptedBench
from tests.drivers.instruments.standing import Stand


@pytest.fixture
def scripted():
    """Five scripted instruments, the contactor closed and the supply on, as somebody left them."""
    with ScriptedBench() as bench:
        bench.circuit.supply_on, bench.circuit.supply_set = True, [4.2, 1.0]
        yield bench


@pytest.fixture
def rig(scripted):
    """A patient bench with everything."""
    standing = Stand(scripted)
    yield standing
    standing.bench.close()


@pytest.fixture
def hasty(scripted):
    """Benches with little patience, made on demand."""
    made = []

    def make(*without):
        made.append(Stand(scripted, *without, patient=False))
        return made[-1]

    yield make
    for standing in made:
        standing.bench.close()

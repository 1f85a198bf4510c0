"""The night that most of these records were written of."""

import pytest

from tests.analysis.foreign.truth import NIGHT, Step, carried_out


@pytest.fixture(scope="session")
def night() -> list[Step]:
    """Two full charges, a slow and a fast discharge, rests between."""
    return carried_out(NIGHT)

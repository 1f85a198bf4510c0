"""The harness that times trips: each is a trip by the limit that was crossed, and proven off."""

from tests.performance.desk import read_demonstration
from tests.performance.trips import trip_many


def test_trips_on_one_served_bench_are_sound_and_in_order() -> None:
    """Each ends tripped by the voltage, with everything told to be off, truly off, in that order;
    the fault of one is over before the next one begins."""
    took = list(trip_many(read_demonstration(), 3))
    assert [one.wrong for one in took] == ["", "", ""]
    assert all(0.0 < one.commanded_ms < one.proven_ms for one in took)

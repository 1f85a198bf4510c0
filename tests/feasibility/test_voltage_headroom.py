"""A charge to a voltage so near to its limit that errors alone would trip the run is refused."""

import pytest

from sequencer.feasibility.against_bench import find_bench_breaches
from tests.feasibility.benches import WHOLE, bench, definitions, with_capability
from tests.plan.documents import CELL, profile

LIMIT = ("cell", ("absolute", "charge voltage"))
CHARGE = "- {{step: charge, current: 1 A, voltage: {}, termination current: 0.2 A}}"
RANGE = "[{{low: 0 V, high: 30 V, resolution: 1 mV, accuracy: {{offset: {} mV}}}}]"


def breaches(voltage: str, offset_mv: int, limits: str = ""):
    """What is refused of a charge by a supply that sets within that and one count of 1 mV."""
    supply = with_capability("supply", "set voltage", RANGE.format(offset_mv))
    known = definitions(supply=supply)
    steps = profile(CHARGE.format(voltage), limits)
    return find_bench_breaches(steps, CELL, bench(WHOLE), known)


def test_what_a_coarse_supply_leaves_no_room_for():
    """4.20 V under 4.25 V: 49 mV + 1 mV, and the meter's 1.44 mV, are 51.4 mV of 50 mV."""
    (one,) = breaches("recommended", 49)
    assert one == (
        "profile",
        ("steps", 0, "voltage"),
        (
            "a charge to 4.200 V is too near to the limit of 4.250 V: supply sets within 50 mV and"
            " the cell voltage is read within 1.44 mV, so a run in which nothing is wrong may trip;"
            " 51 mV of room are needed, and there are 50 mV"
        ),
        LIMIT,
        "recommended less 2 mV",
    )


@pytest.mark.parametrize(
    ("voltage", "offset_mv", "is_told"),
    [
        ("recommended", 47, False),
        ("recommended", 49, True),
        ("recommended less 2 mV", 49, False),
        ("recommended less 1 mV", 49, True),
        ("4.1 V", 49, False),
    ],
)
def test_what_is_said_to_fit_fits(voltage, offset_mv, is_told):
    """Room for both errors is enough."""
    assert bool(breaches(voltage, offset_mv)) is is_told


def test_what_the_profile_itself_tightens_the_limit_to_counts():
    """4.21 V of the profile's own: 10 mV for 11 mV and 1.44 mV."""
    (one,) = breaches("4.20 V", 10, "charge voltage: 4.21 V")
    assert one.culprit == ("profile", ("limits", "charge voltage"))
    assert one.instead == "recommended less 3 mV"
    (lower,) = breaches("4.205 V", 5, "charge voltage: 4.21 V")
    assert lower.instead == "4.202 V"

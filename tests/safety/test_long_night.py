"""What only time shows: frozen and fallen sensors, drift, in an hour and a half on the twin."""

import pytest

from tests.safety.catalogue import Trouble
from tests.safety.matrix import EARLY
from tests.safety.small_night import LONG, Moment
from tests.safety.strikes import physical
from tests.safety.trial import run_trial

CHARGING_S, WARM_S, DISCHARGING_S = 60, 600, 2160


def test_the_long_night_ends_done():
    """Undisturbed: exit 0, and nothing against it."""
    trial = run_trial((), profile=LONG)
    assert (trial.word, trial.findings) == ("0", ())


@pytest.mark.parametrize(
    ("strike", "at_s", "within_s"),
    [
        (physical("stuck reading", reading="surface"), CHARGING_S, 2600),
        (physical("probe off", reading="surface"), WARM_S, 60),
        (physical("probe off", reading="surface"), DISCHARGING_S, 60),
        (physical("stuck reading", reading="cell voltage"), CHARGING_S, 900),
        (physical("stuck reading", reading="cell voltage"), DISCHARGING_S, 900),
        (physical("meter lead off"), WARM_S, 900),
        (physical("drift", reading="cell voltage", per_hour="5 %"), CHARGING_S, 1800),
        (physical("panel", instrument="charge", value="4.6 V"), WARM_S, 31),
    ],
    ids=[
        "surface frozen while it was cold",
        "probe off while charging",
        "probe off while discharging",
        "voltage frozen while charging",
        "voltage frozen while discharging",
        "meter floats where it was",
        "meter drifts by 5 % an hour",
        "somebody sets 4.6 V",
    ],
)
def test_what_creeps_is_noticed_in_time(strike, at_s, within_s):
    """It trips, safe, before the time that the room's rules promise; the cell took no harm."""
    moment = Moment("long", 0, at_s * 1_000_000_000)
    trial = run_trial([(moment, Trouble(0, "slow", strike))], profile=LONG)
    assert trial.word in EARLY
    assert trial.findings == ()
    assert trial.outcome.trip.at_ns / 1e9 - at_s <= within_s

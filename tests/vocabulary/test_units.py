"""Numbers as they are said."""

import pytest

from sequencer.vocabulary import units


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (2.5, "2.50 A"),
        (2.505, "2.505 A"),
        (0.25, "0.250 A"),
        (7 / 3, "2.33 A"),
        (0.04, "40.0 mA"),
        (0.0005, "0.5 mA"),
        (0.0, "0.000 A"),
        (10.0, "10.00 A"),
    ],
)
def test_amps(value, said):
    """Three figures, and more only where they are exact."""
    assert units.amps(value) == said


@pytest.mark.parametrize(
    ("value", "said"),
    [(0.0203, "20 mA"), (1.52, "1.5 A"), (0.0036, "3.6 mA"), (float("inf"), "no current at all")],
)
def test_roughly(value, said):
    """Two figures of an error."""
    assert units.roughly(value) == said


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0.1, "0.1 s"),
        (1 / 3, "0.333 s"),
        (9.9999999, "10 s"),
        (10, "10 s"),
        (60, "1 min"),
        (5400, "1 h 30 min"),
        (3605, "1 h"),
        (47_000, "13 h 3 min"),
        (187_200, "2 d 4 h"),
        (86_401, "1 d"),
        (0, "0 s"),
    ],
)
def test_durations(seconds, said):
    """The two largest parts; what is nothing is left out."""
    assert units.duration(seconds) == said


def test_what_was_measured_has_the_digits_that_a_bench_tells():
    """A recorded 4.13125 V is 4.131 V, a difference of 1.49849 A is 1.50 A."""
    assert units.measured_volts(4.13125) == "4.131 V"
    assert units.measured_volts(3.57) == "3.570 V"
    assert units.measured_amps(1.49849) == "1.50 A"
    assert units.measured_amps(0.04012) == "40.1 mA"


def test_charges_and_energies_of_small_cells_keep_their_figures():
    """A pulse moves milliampere-hours."""
    assert (units.amp_hours(1.5), units.amp_hours(0.008333)) == ("1.500 Ah", "8.3 mAh")
    assert (units.watt_hours(5.4), units.watt_hours(0.03121)) == ("5.40 Wh", "31.2 mWh")
    assert (units.amp_hours(0.0), units.watt_hours(0.0)) == ("0.000 Ah", "0.00 Wh")


def test_volts_and_rates():
    """Volts to the millivolt in sentences, as short as they are exact in limits."""
    assert (units.volts(4.2), units.volts_brief(4.25), units.volts_brief(4.2015)) == (
        "4.200 V",
        "4.25 V",
        "4.2015 V",
    )
    assert (units.millivolts(0.05), units.millivolts(0.0008)) == ("50 mV", "0.80 mV")
    assert units.millivolts(1.05) == "1.05 V"
    assert units.rate(0.7000000000000001, 1.0) == "0.7 C"
    assert units.rate(1.0, 3.0) == "0.333 C"


def test_one_is_not_many():
    """A count and its noun agree."""
    told = [units.counted(count, "orphan") for count in (0, 1, 2, 46_800)]
    assert told == ["0 orphans", "1 orphan", "2 orphans", "46,800 orphans"]


@pytest.mark.parametrize(
    ("digits", "numbers", "said"),
    [
        (1, (45.02, 5.0, 45.0), ("45.02", "5.00", "45.00")),
        (1, (46.0, 5.0, 45.0), ("46.0", "5.0", "45.0")),
        (3, (2.4999, 2.5), ("2.4999", "2.5000")),
        (1, (45.0000004, 45.0), ("45.0000004", "45.0000000")),
        (1, (45.0, 45.0), ("45.0", "45.0")),
        (1, (float("nan"), 45.0), ("nan", "45.0")),
    ],
)
def test_a_value_beyond_a_limit_never_reads_like_it(digits, numbers, said):
    """Another digit, or as many as it takes; what is equal is equal."""
    assert units.apart(digits, *numbers) == said


@pytest.mark.parametrize(
    ("share", "digits", "words"),
    [(0.3, 0, "30 %"), (-0.0002, 0, "0 %"), (-0.0, 1, "0.0 %"), (-0.024, 0, "-2 %")],
)
def test_nothing_has_no_sign(share, digits, words):
    """What is rounded to nothing is neither above nor below it."""
    assert units.percent(share, digits) == words

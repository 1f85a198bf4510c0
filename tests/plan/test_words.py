"""Numbers as they are said."""

import pytest

from sequencer.plan import words


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
    assert words.amps(value) == said


@pytest.mark.parametrize(
    ("value", "said"),
    [(0.0203, "20 mA"), (1.52, "1.5 A"), (0.0036, "3.6 mA"), (float("inf"), "no current at all")],
)
def test_roughly(value, said):
    """Two figures of an error."""
    assert words.roughly(value) == said


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0.1, "0.1 s"),
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
    assert words.duration(seconds) == said


def test_volts_and_rates():
    """Volts to the millivolt in sentences, as short as they are exact in limits."""
    assert (words.volts(4.2), words.volts_brief(4.25), words.volts_brief(4.2015)) == (
        "4.200 V",
        "4.25 V",
        "4.2015 V",
    )
    assert (words.millivolts(0.05), words.millivolts(0.0008)) == ("50 mV", "0.80 mV")
    assert words.rate(1.0, 3.0) == "0.333 C"

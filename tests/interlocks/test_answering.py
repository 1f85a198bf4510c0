"""A voltmeter that stands still while a current is switched on: found out, and nobody else."""

import pytest

from sequencer.vocabulary.measuring_channels import MeasuringChannels
from sequencer.vocabulary.sample import NAN, Sample
from tests.builders import CHANNELS, S, sample
from tests.interlocks.judging import CHARGING, DISCHARGING, RESTS, interlock

LEAST_A = 3.0
"""Five counts of 1 mV over 5 mOhm Ah at 3 Ah (worked)."""
Readings = list[tuple[float, float]]


def pulses(count: int, readings: Readings, amps: float = -LEAST_A, rest_v: float = 3.7) -> str:
    """What comes of so many pulses, each after a rest of 10 s; ``readings``: how long after it
    begins (s), and what is read (V)."""
    judge, told = interlock("voltage stuck").judge, ""
    way = DISCHARGING if amps < 0.0 else CHARGING
    for number in range(count):
        began_s = 10.0 * (number + 1)
        told = told or judge(sample(began_s, rest_v), RESTS)
        intent = way._replace(since_ns=round(began_s * S))
        for after_s, volts in readings:
            told = told or judge(sample(began_s + after_s, volts, amps), intent)
    return told


STANDS = [(0.1 * n, 3.7) for n in range(1, 11)]
LASTS = [(float(n), 3.7) for n in range(1, 5)]


@pytest.mark.parametrize("amps", [-LEAST_A, LEAST_A])
@pytest.mark.parametrize(("count", "readings"), [(3, STANDS), (1, LASTS)])
def test_a_reading_that_stands_still_trips(amps, count, readings):
    """In the third pulse of a second, or after three seconds of a step; either way."""
    assert pulses(count, readings, amps) == (
        "cell voltage still reads 3.7000 V, as before 3.000 A were switched on: its reading stands"
        " still"
    )


def test_two_readings_of_a_pulse_are_enough():
    """Since it can have answered."""
    assert pulses(2, [(0.3, 3.7), (0.4, 3.7)]) == ""
    assert pulses(3, [(0.3, 3.7), (0.4, 3.7)]) != ""


@pytest.mark.parametrize(
    ("count", "readings"),
    [
        (2, STANDS),  # two may be chance
        (1, LASTS[:3]),  # 3 s: a slow meter
        (9, [(0.1, 3.7), (0.2, 3.7), (0.3, 3.7)]),  # one reading since it can have answered
        (9, [*STANDS[:5], (0.6, 3.699), *STANDS[6:]]),  # it moved once
        (9, [(one, 3.6) for one, _ in STANDS]),
        (9, [(one, NAN) for one, _ in STANDS]),
    ],
)
def test_a_meter_that_answers_does_not(count, readings):
    """Or may only be slow, or has not been asked often enough."""
    assert pulses(count, readings) == ""


def test_a_small_current_tells_nothing():
    """It moves the voltage of a strong cell by less than the meter surely shows."""
    assert pulses(9, STANDS, -(LEAST_A - 0.001)) == ""
    assert pulses(9, STANDS, NAN) == ""


def test_pulses_count_only_in_a_row():
    """One in which the voltage moved begins anew; one too short to tell changes nothing."""
    judge = interlock("voltage stuck").judge

    def pulse(number: int, volts: float, last: int = 10) -> str:
        began_s = 10.0 * number
        intent, told = DISCHARGING._replace(since_ns=round(began_s * S)), ""
        told = judge(sample(began_s, 3.7), RESTS)
        for n in range(1, last + 1):
            told = told or judge(sample(began_s + 0.1 * n, volts, -LEAST_A), intent)
        return told

    said = [pulse(1, 3.7), pulse(2, 3.7), pulse(3, 3.6), pulse(4, 3.7), pulse(5, 3.7, last=3)]
    assert said == [""] * 5
    assert [pulse(6, 3.7), bool(pulse(7, 3.7))] == ["", True]


def test_an_old_reading_is_no_second_one():
    """The same reading in two samples says it once."""
    judge = interlock("voltage stuck").judge
    judge(sample(9, 3.7), RESTS)
    old = [sample(at, 3.7, -LEAST_A, voltage_at_ns=2 * S) for at in (10, 11, 12, 13)]
    assert [judge(one, DISCHARGING) for one in old] == [""] * 4


def test_a_meter_without_a_count_of_its_own_is_taken_for_a_fine_one():
    """0.1 mV: 0.3 A at 3 Ah (worked)."""
    none = CHANNELS.voltage._replace(resolution=0.0)
    channels: MeasuringChannels = CHANNELS._replace(voltage=none)

    def told(amps: float) -> str:
        judge = interlock("voltage stuck", channels=channels).judge
        judge(sample(1, 3.7), RESTS)
        seen: list[Sample] = [sample(at, 3.7, amps) for at in (2, 3, 4.5)]
        return "".join(judge(one, DISCHARGING) for one in seen)

    assert told(-0.299) == ""
    assert told(-0.3) != ""

"""Attacks on what two voltages may be apart in a charge that would destroy any usual cell."""

import pytest

from sequencer.vocabulary.commands import Direction, Drive
from sequencer.vocabulary.sample import Sample
from tests.builders import CHANNELS, LIMITS
from tests.interlocks.judging import CHARGING, DISCHARGING, charging, interlock, tripped


@pytest.mark.parametrize("senses", [False, True])
def test_above_the_ordinary_voltage_no_contact_excuses_what_two_voltages_are_apart(senses):
    """On a cell for 4.40 V: errors of both, and twice what 40 mOhm drop at 0.5 A; either way. A
    meter that reads low would overcharge the cell, a supply that does would hold it too high."""
    channels = CHANNELS._replace(supply_senses_cell=senses)
    limits = LIMITS._replace(full_v=4.40, ceiling_v=4.42)
    rising = CHARGING._replace(drive=Drive(Direction.CHARGE, 0.5, 4.22))
    allowed_v = 0.0005 * 4.21 + 0.002 + 0.001 * 4.21 + 0.006 + (0.0 if senses else 0.04)
    for sign in (1, -1):
        inside = [at_421(n, sign * (allowed_v - 1e-6)) for n in range(5)]
        outside = [at_421(n, sign * (allowed_v + 1e-6)) for n in range(3)]
        rule = interlock("voltages disagree", limits, channels)
        assert [rule.judge(one, rising) for one in inside] == [""] * 5
        assert [bool(rule.judge(one, rising)) for one in outside] == [False, False, True]
        assert f"explain {allowed_v:.3f} V" in tripped(
            "voltages disagree", rising, outside, limits, channels
        )
        # up to the ordinary voltage, on an ordinary cell and out of the cell: as ever
        ordinary = rising._replace(drive=Drive(Direction.CHARGE, 0.5, 4.20))
        assert tripped("voltages disagree", ordinary, outside, limits, channels) == ""
        usual = limits._replace(full_v=4.35)
        assert tripped("voltages disagree", rising, outside, usual, channels) == ""
        drawn = [one._replace(load_v=one.supply_v, load_at_ns=one.at_ns) for one in outside]
        out = DISCHARGING._replace(drive=Drive(Direction.DISCHARGE, 0.5, 4.22))
        assert tripped("voltages disagree", out, drawn, limits, channels) == ""
        assert rule.calm is not None
        assert not rule.calm(outside[0], outside[0], rising)


def test_what_two_voltages_may_be_apart_is_said_before_the_run():
    """Also where contacts count no more."""
    rule = interlock("voltages disagree", LIMITS._replace(full_v=4.35)).rule
    assert rule == "within errors and lead drop"
    strict = interlock("voltages disagree", LIMITS._replace(full_v=4.36)).rule
    assert strict == f"{rule}, and contacts, but not in a charge above 4.20 V"


def at_421(number: int, apart_v: float) -> Sample:
    """A charge at 0.5 A, the meter at 4.21 V, the supply so far above."""
    return charging(100 + number, 4.21, 0.5, supply_v=4.21 + apart_v)

"""The bench reduced to what interlocks and proofs compare with."""

import pytest

from sequencer.feasibility.measuring_channels import channels_of_bench
from sequencer.vocabulary.measuring_channels import ABSENT, Channel
from tests.feasibility.benches import WHOLE, bench, definitions, with_capability


def test_a_whole_bench():
    """Each channel carries its definition's limits of error."""
    channels = channels_of_bench(bench(), definitions())
    # the multimeter: 0.02 % of reading + 0.005 % of 10 V, counts of 0.1 mV
    assert channels.voltage == pytest.approx(Channel(True, 0.0002, 0.0005, 0.0001))
    assert channels.voltage_is_own
    # the supply: 0.2 % + 10 mA, in steps of 10 mA
    assert channels.supply_a == pytest.approx(Channel(True, 0.002, 0.010, 0.010))
    assert channels.load_a == pytest.approx(Channel(True, 0.001, 0.005, 0.001))
    assert channels.surface == pytest.approx(Channel(True, 0.005, 0.4, 0.01))
    assert channels.room == channels.surface
    assert (channels.tab, channels.ammeter) == (ABSENT, ABSENT)
    assert (channels.contactor, channels.supply_senses_cell, channels.load_senses_cell) == (
        True,
        True,
        False,
    )
    assert channels.lead_ohm == pytest.approx(0.04)


def test_a_supply_that_measures_for_itself_is_no_channel_of_its_own():
    """Nothing cross-checks it."""
    alone = "\n  charge: supply\n  voltage: {by: supply}\n"
    channels = channels_of_bench(bench(alone), definitions())
    assert (channels.voltage_is_own, channels.load_v, channels.surface) == (False, ABSENT, ABSENT)


def test_an_ammeter_is_one_only_when_it_is_not_what_drives():
    """A meter without a current range, or the supply named again, is none."""
    again = WHOLE + "  current: {by: supply}\n"
    assert channels_of_bench(bench(again), definitions()).ammeter == ABSENT
    meter = WHOLE + "  current: {by: meter}\n"
    assert channels_of_bench(bench(meter), definitions()).ammeter == ABSENT
    fine = (
        "[{low: -3 A, high: 3 A, resolution: 0.1 mA, accuracy: {of reading: 0.1 %, offset: 1 mA}}]"
    )
    able = definitions(meter=with_capability("meter", "measure current", fine))
    assert channels_of_bench(bench(meter), able).ammeter == pytest.approx(
        Channel(True, 0.001, 0.001, 0.0001)
    )


def test_of_several_ranges_the_widest_counts():
    """It errs most, whatever order the maker lists them in."""
    ranges = (
        "[{low: 0 V, high: 60 V, resolution: 10 mV, accuracy: {offset: 20 mV}},"
        " {low: 0 V, high: 6 V, resolution: 1 mV, accuracy: {offset: 2 mV}}]"
    )
    able = definitions(meter=with_capability("meter", "measure voltage", ranges))
    assert channels_of_bench(bench(), able).voltage == pytest.approx(Channel(True, 0.0, 0.02, 0.01))

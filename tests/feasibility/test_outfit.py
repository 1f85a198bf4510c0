"""The bench reduced to what interlocks and proofs compare with."""

import pytest

from sequencer.feasibility.outfit import outfit_of
from sequencer.vocabulary.outfit import ABSENT, Channel
from tests.feasibility.benches import WHOLE, bench, definitions, with_capability


def test_a_whole_bench():
    """Each channel carries its definition's limits of error."""
    outfit = outfit_of(bench(), definitions())
    # the multimeter: 0.02 % of reading + 0.005 % of 10 V, counts of 0.1 mV
    assert outfit.voltage == pytest.approx(Channel(True, 0.0002, 0.0005, 0.0001))
    assert outfit.voltage_is_own
    # the supply: 0.2 % + 10 mA, in steps of 10 mA
    assert outfit.supply_a == pytest.approx(Channel(True, 0.002, 0.010, 0.010))
    assert outfit.load_a == pytest.approx(Channel(True, 0.001, 0.005, 0.001))
    assert outfit.surface == pytest.approx(Channel(True, 0.005, 0.4, 0.01))
    assert outfit.room == outfit.surface
    assert (outfit.tab, outfit.ammeter) == (ABSENT, ABSENT)
    assert (outfit.contactor, outfit.supply_senses_cell, outfit.load_senses_cell) == (
        True,
        True,
        False,
    )
    assert outfit.lead_ohm == pytest.approx(0.04)


def test_a_supply_that_measures_for_itself_is_no_channel_of_its_own():
    """Nothing cross-checks it."""
    alone = "\n  charge: supply\n  voltage: {by: supply}\n"
    outfit = outfit_of(bench(alone), definitions())
    assert (outfit.voltage_is_own, outfit.load_v, outfit.surface) == (False, ABSENT, ABSENT)


def test_an_ammeter_is_one_only_when_it_is_not_what_drives():
    """A meter without a current range, or the supply named again, is none."""
    again = WHOLE + "  current: {by: supply}\n"
    assert outfit_of(bench(again), definitions()).ammeter == ABSENT
    meter = WHOLE + "  current: {by: meter}\n"
    assert outfit_of(bench(meter), definitions()).ammeter == ABSENT
    fine = (
        "[{low: -3 A, high: 3 A, resolution: 0.1 mA, accuracy: {of reading: 0.1 %, offset: 1 mA}}]"
    )
    able = definitions(meter=with_capability("meter", "measure current", fine))
    assert outfit_of(bench(meter), able).ammeter == pytest.approx(
        Channel(True, 0.001, 0.001, 0.0001)
    )


def test_of_several_ranges_the_widest_counts():
    """It errs most, whatever order the maker lists them in."""
    ranges = (
        "[{low: 0 V, high: 60 V, resolution: 10 mV, accuracy: {offset: 20 mV}},"
        " {low: 0 V, high: 6 V, resolution: 1 mV, accuracy: {offset: 2 mV}}]"
    )
    able = definitions(meter=with_capability("meter", "measure voltage", ranges))
    assert outfit_of(bench(), able).voltage == pytest.approx(Channel(True, 0.0, 0.02, 0.01))

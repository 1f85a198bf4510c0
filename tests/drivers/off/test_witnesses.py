"""What a lying driver leaves possible: the step of the voltage, and the drop along shared leads."""

from math import inf, nan

import pytest

from drivers.off.evidence import OffReading
from drivers.off.evidence import Testimony as Said
from sequencer.documents.safing import Before
from sequencer.vocabulary.verdict import Level, Limit
from tests.drivers.off.testimony import (
    AMMETER,
    CONTACTOR,
    LEAD,
    LOAD,
    METER,
    OFF,
    OPEN,
    PARTED,
    SEES,
    SUPPLY,
    off_but,
    proof,
    reads,
)


def stepped(volts, amps=1.0, ohm=0.05, was=3.75):
    """A meter that read ``was`` under ``amps`` and reads ``volts`` now; the supply drove."""
    before = Before(was, amps, ohm, 0.005)
    meter = METER._replace(before=before)
    return proof((SUPPLY, OFF), (meter, Said((OffReading("voltage", volts),))), driver="supply")


def test_the_step_at_switching_off_fits_from_0_55_of_the_step_at_switching_on():
    """1 A through 50 mOhm: 27.5 mV less the margin of 5 mV; a larger step accuses nobody, a voltage
    that moved the other way does."""
    for volts, level in (
        (3.7274, Level.B),
        (3.7276, Level.C),
        (3.60, Level.B),
        (3.756, Level.C),
    ):
        assert stepped(volts).level is level, volts
    assert stepped(3.71, amps=-1.0, was=3.68).level is Level.B
    assert stepped(3.70, amps=-1.0, was=3.68).level is Level.C


def test_the_step_says_what_it_leaves_possible():
    """At most what would have stepped less through twice the resistance: 40 mV less 5 mV of margin
    show that 0.35 A are gone."""
    assert stepped(3.71).lying_a == pytest.approx(1.0 - 0.035 / 0.1)
    assert stepped(3.60).lying_a == 0.0
    assert stepped(3.71, ohm=nan).lying_a == inf


def test_a_voltage_that_is_gone_denies_nothing():
    """The cell's own protection opened while it discharged: nothing is seen behind the leads."""
    assert stepped(0.499, amps=-1.0).level is Level.B
    assert stepped(0.5, amps=-1.0).level is Level.C


def dropped(volts, lead=LEAD):
    """A load on shared leads that reads so much while the meter reads 3.7 V."""
    load = off_but(0.0, volts)
    pairs = ((SUPPLY, OFF), (LOAD, load), (METER, SEES))
    return proof(*pairs, driver="supply", leads=(lead,))


def test_a_lead_drop_bounds_what_a_lying_driver_leaves_possible():
    """Three standard deviations of 0.4 mV over 31 mOhm: 39 mA, at rest too."""
    found = dropped(3.702)
    assert found.lying_a == pytest.approx(3 * 0.0004 / 0.031)
    assert (found.level, found.contradicted) == (Level.B, False)


def test_a_lead_drop_beyond_what_honest_instruments_leave_contradicts():
    """20 mA are honest; 1.2 mV of scatter and 0.62 mV of drop are allowed, more is current."""
    assert not dropped(3.7038).contradicted
    found = dropped(3.7039)
    assert found.contradicted
    assert found.evidence[-1].startswith("lead drop between load and meter: at least")


def test_the_output_that_drove_is_no_evidence_about_itself():
    """A supply that lies about its current may lie about its voltage."""
    own = LEAD._replace(far="supply")
    assert dropped(3.702, own).lying_a == inf


def test_a_lead_drop_knows_less_away_from_the_voltage_of_its_zero():
    """Two voltmeters of different gain drift apart: 0.1 % of half a volt are 16 mA here."""
    lead = LEAD._replace(gain=0.001, at_v=3.2)
    assert dropped(3.702, lead).lying_a == pytest.approx((0.0012 + 0.0005) / 0.031)


def test_what_would_withdraw_the_proof():
    """The current of each output around its zero, and the drop of shared leads; nothing of that
    where the contact parts everything."""
    found = dropped(3.702)
    assert found.limits == (
        Limit("supply_a", "", 0.0, 0.020),
        Limit("load_a", "", 0.0, 0.020),
        Limit("load_v", "voltage_v", 0.002, pytest.approx(0.020 * 0.031 + 0.0012)),
    )
    assert proof((SUPPLY, PARTED), (CONTACTOR, OPEN), (METER, SEES)).limits == ()


def test_an_ammeter_and_outputs_that_contradict_each_other_bound_what_either_leaves():
    """The ammeter says 0.5 A, the supply none: nobody knows who is right."""
    found = proof((SUPPLY, OFF), (AMMETER, reads(0.5)))
    assert found.contradicted
    assert found.honest_a == pytest.approx(0.501)


def test_leads_whose_voltmeters_are_silent_or_misread_bound_nothing():
    """No lead drops 4 V: one of the two is off, or wrong by a unit."""
    assert dropped(-0.3).lying_a == inf
    assert not dropped(-0.3).contradicted
    silent = proof((SUPPLY, OFF), (LOAD, OFF), (METER, None), driver="supply", leads=(LEAD,))
    assert silent.lying_a == inf
    gone = proof((SUPPLY, OFF), (METER, SEES), driver="supply", leads=(LEAD,))
    assert gone.lying_a == inf


def test_a_terminal_that_a_current_in_the_leads_moves_is_still_joined():
    """2 A through 31 mOhm: a welded contact, although the two voltages differ by 62 mV."""
    near = Said(
        (OffReading("voltage", 3.762), OffReading("current", 0.0), OffReading("output", 0.0))
    )
    pairs = ((SUPPLY, None), (LOAD, near), (METER, SEES), (CONTACTOR, OPEN))
    assert proof(*pairs).level is Level.NONE

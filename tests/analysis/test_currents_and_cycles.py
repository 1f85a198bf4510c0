"""Currents carried, charge times and cycles, from pretended samples whose truth is known."""

from dataclasses import replace
from math import log

import numpy as np
import pytest

from sequencer.analysis.analyse import analyse
from sequencer.analysis.results import VerdictWord
from tests.analysis.pretending import cell, charge, discharge, pulse, ran, rest

TAU_S = 1200.0


def falls(seconds):
    """From 4.15 V to the cut-off of 3.0 V, where a discharge of such a length ends."""
    return lambda t: 4.15 - 1.15 * t / seconds


def taper(seconds):
    """1.0 A until 2400 s, then an exponential; held at 4.2 V from there."""
    amps = lambda t: np.where(t < 2400.0, 1.0, np.exp(-(t - 2400.0) / TAU_S))  # noqa: E731
    volts = lambda t: np.where(t < 2400.0, 3.6 + 0.6 * t / 2400.0, 4.2)  # noqa: E731
    return charge(amps, seconds, volts)


def night(capacities_s=(3600.0,), claims=()):
    """A full charge, then discharges at 1 A of so many seconds, each with its charge; a pulse."""
    parts = [taper(2400.0 + TAU_S * log(1.0 / 0.05)), rest(600, 4.18)]
    for seconds in capacities_s:
        parts += [discharge(1.0, seconds, falls(seconds)), rest(600, 3.3)]
        parts += [taper(2400.0 + TAU_S * log(1.0 / 0.05)), rest(600, 4.18)]
    parts.append(pulse("discharge", 2.0, np.arange(1.0, 13.0), lambda t: 4.0 - 0.01 * t))
    numbered = [
        part._replace(cycle=1 + max(number - 2, 0) // 4) for number, part in enumerate(parts)
    ]
    return analyse(ran(numbered, cell=cell(rated_ah=1.0, claims=list(claims))))


def test_a_charge_takes_as_long_as_it_took():
    """2400 s, then 1200 s times the logarithm of the ratio of currents (worked), also where the
    current passed 0.1 C on its way."""
    found = night()
    whole = found.figure("charge-time.5")
    assert whole.value == pytest.approx(2400.0 + TAU_S * log(20.0), abs=1.0)
    earlier = found.figure("charge-time.5.100mA")
    assert earlier.value == pytest.approx(2400.0 + TAU_S * log(10.0), abs=1.0)
    assert earlier.conditions["termination_a"] == pytest.approx(0.1)
    assert found.figure("charge-time.1") is None


@pytest.mark.parametrize("off_s", [0.0, 6.0])
def test_a_current_that_was_off_on_the_way_was_not_held(off_s):
    """2 A for 30 s, with 6 s without current in their middle: as another recorder writes a pause
    (nobody's journal tells of it)."""
    times_s = np.arange(1.0, 31.0)
    flows = lambda t: np.where(np.abs(t - 15.0) < off_s / 2, 0.0, -2.0)  # noqa: E731
    part = pulse("discharge", 2.0, times_s, lambda t: 4.0 - 0.01 * t)._replace(amps=flows)
    tested = ran([rest(600, 4.18), part, rest(60, 4.1)], cell=cell(rated_ah=1.0))
    alone = replace(tested, step_ends={}, events=())
    held = analyse(alone).figure("highest-current.discharge")
    assert (held is None) is bool(off_s)


def test_currents_are_told_with_how_long_they_flowed():
    """2 A for twelve seconds; 1 A for an hour, from full to the cut-off; the charge's constant
    part."""
    found = night()
    most = found.figure("highest-current.discharge")
    assert most.value == pytest.approx(2.0)
    assert most.conditions["held_s"] == pytest.approx(12.0, abs=1.1)
    assert "whole" not in most.conditions
    lower = found.figure("highest-current.discharge.3")
    assert lower.value == pytest.approx(1.0)
    assert lower.conditions["whole"] == "full to cut-off"
    charged = found.figure("highest-current.charge")
    assert charged.value == pytest.approx(1.0, rel=2e-3)


def test_cycles_are_counted_until_a_share_is_left():
    """Capacities of 1.0, 0.95, 0.85, 0.75: two cycles until 90 % was left, more or less half of
    one; four were not made."""
    found = night([3600.0, 3420.0, 3060.0, 2700.0])
    made = found.figure("cycles.1-C")
    assert (made.value, made.conditions["remaining"]) == (3.0, pytest.approx(0.75, abs=1e-3))
    assert found.figure("cycles.1-C.90%").value == 1.5
    assert found.figure("cycles.1-C.80%").value == 2.5
    assert found.figure("cycles.1-C.70%") is None


def test_claims_are_judged_by_them():
    """From samples to words."""
    at = {"rate": "1 C", "charge voltage": "4.2 V"}
    claims = [
        {"said on": "label", "conditions": "none given", "discharge current": "2.0 A"},
        {"said on": "label", "conditions": {"burst": "10 s"}, "discharge current": "2.0 A"},
        {"said on": "label", "conditions": {"rate": "1 C"}, "cycles": "100"},
        {"said on": "label", "conditions": at, "charge time": "60.0 min"},
    ]
    found = {one.what: one for one in night(claims=claims).verdicts[2:]}
    bare, burst = night(claims=claims).verdicts[:2]
    assert bare.word is VerdictWord.NOT_COMPARABLE
    assert "for 11" in bare.why or "for 12" in bare.why
    assert burst.figure == "highest-current.discharge"
    assert found["cycle life"].word is VerdictWord.NOT_COMPARABLE
    assert found["charge time"].figure == "charge-time.5.100mA"

"""What is said of a claim before the night is what the judgement then does, to the last digit."""

from dataclasses import replace

import pytest

from sequencer.analysis.claims.differences import Wires
from sequencer.analysis.claims.foreseeing import Outlook, foresee
from sequencer.analysis.claims.judging import judge
from sequencer.analysis.results import Contribution, VerdictWord
from sequencer.assembly.foreseen import Outlooks
from sequencer.commands.outlook import outlook_data, outlook_lines
from tests.analysis.claims.figures import FULL, cell, discharge, evidence, figure, pulse

CAPACITY = ("capacity: 2.8 Ah", FULL)
AT_HALF = "{after: 100 ms, state of charge: 50 %, temperature: 25 degC}"


def outlook(claim, *figures):
    """The outlook of one claim."""
    (found,) = foresee(cell(claim), figures, Wires())
    return found


def scaled(one, value):
    """The same measurement of another specimen: the errors keep their share."""
    share = value / one.value
    return replace(one, value=value, standard_uncertainty=one.standard_uncertainty * share)


@pytest.mark.parametrize(
    ("claim", "seen"),
    [
        (CAPACITY, discharge(3.1, 0.01)),
        (CAPACITY, discharge(3.1, 0.01, room_c=20.0, charge_voltage_v=4.16)),
        (("energy: 11 Wh", FULL), discharge(10.0, 0.05, unit="Wh", charge_voltage_v=4.19)),
        (("resistance: 28.0 mOhm", AT_HALF), pulse(0.040, 0.0002, surface_start_c=23.0)),
        (("mass: 48 g", "none given"), figure("mass.bare", 40.0, "g", 0.1, None, mass="bare")),
    ],
)
def test_the_ends_of_the_open_range_are_where_the_words_change(claim, seen):
    """Slightly to either side, whatever value was rehearsed. (What a short taper left
    out is a charge and no share: there the rehearsed capacity matters, and the ends are near.)"""
    told = outlook(claim, seen)
    assert told.outlook is Outlook.DECIDED
    least = told.supported_at > told.refuted_at
    for value, word in (
        (told.supported_at, VerdictWord.SUPPORTED),
        (told.refuted_at, VerdictWord.NOT_SUPPORTED),
    ):
        outwards = 1e-6 if (word is VerdictWord.SUPPORTED) == least else -1e-6
        for by, expected in ((outwards, word), (-outwards, VerdictWord.CANNOT_TELL)):
            (found,) = judge(evidence(cell(claim)), [scaled(seen, value * (1.0 + by))])
            assert found.word is expected


def test_an_open_side_is_said_and_is_the_change():
    """Twice as fast as the claim, above 1 C: it may support, and the rate is what to change."""
    claim = ("capacity: 2.8 Ah", FULL.replace("0.2 C", "1 C"))
    told = outlook(claim, discharge(2.8, 0.01, rate_c=2.0))
    assert told.outlook is Outlook.SUPPORTED_ONLY
    assert told.change == "at 1 C instead of at 2 C"


def test_the_largest_of_what_differs_is_the_change():
    """A charge that ended early leaves more open than two kelvin; and where nothing differs, an
    instrument does."""
    told = outlook(CAPACITY, discharge(2.8, 0.001, termination_a=0.2, room_c=23.0))
    assert told.change == "charged until 0.06 A instead of charged until 0.2 A"
    assert 0.0 < told.narrowed < 0.5
    parts = (Contribution("load, current gain", 0.009), Contribution("clock rate", 0.001))
    told = outlook(CAPACITY, replace(discharge(2.8, 0.0091), contributions=parts))
    assert told.change == "a smaller error of: load, current gain"
    assert told.narrowed == pytest.approx(0.0013 / 0.0091, abs=0.02)


def test_an_unmeasured_room_asks_for_a_sensor():
    """No condition of the claim can be met better than by knowing it."""
    told = outlook(CAPACITY, discharge(2.8, 0.001, room_c=None, surface_start_c=None))
    assert told.change == "a sensor for the temperature"


def test_what_the_profile_does_not_try_stays_open():
    """A smaller current, fewer cycles, nothing measured: each with what it needs."""
    conditions = {"direction": "discharge", "rate_c": 1.0, "held_s": 3000.0, "whole": "yes"}
    held = figure("highest-current.discharge", 3.0, "A", 0.005, **conditions)
    for claim, figures in (
        (("discharge current: 10 A", "none given"), [held]),
        (("cycles: 500", "none given"), []),
        (("AC resistance: 20 mOhm", "none given"), [pulse()]),
    ):
        told = outlook(claim, *figures)
        assert told.outlook is Outlook.OPEN
        assert told.change
    assert (
        outlook(("discharge current: 3.0 A", "none given"), held).outlook is Outlook.SUPPORTED_ONLY
    )


def test_each_claim_is_a_line_or_two():
    """With the ±, both ends, and the change; as data the same."""
    document = cell(CAPACITY, ("temperature range: {low: -300 degC, high: 60 degC}", "none given"))
    found = Outlooks(foresee(document, [discharge(2.8, 0.01, termination_a=0.1)], Wires()))
    lines = outlook_lines(found)
    assert lines[0].startswith("claims: this profile on this bench would decide 2 of 3, each")
    assert lines[1].startswith(
        "  capacity 2.8 Ah (place 1): decided outside an open range, ± 0.020 Ah: supported"
    )
    assert " up, not supported from 2." in lines[1]
    assert lines[2].startswith("     would help most: charged until 0.06 A instead of")
    assert "impossible: nothing is colder than absolute zero" in lines[3]
    assert "climate chamber" in lines[5]
    data = outlook_data(found)
    assert [one["outlook"] for one in data["claims"]] == [
        "decided outside an open range", "impossible", "stays open",
    ]  # fmt: skip
    assert data["claims"][1]["supported_at"] is None
    assert outlook_lines(Outlooks(())) == []

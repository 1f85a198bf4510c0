"""Weighing the evidence for off: levels, what contradicts, what silence is worth."""

from math import inf, nan

import pytest

from drivers.off.evidence import SILENT, OffReading, is_settled, kept_against, weigh
from drivers.off.evidence import Testimony as Said
from sequencer.documents.safing import AnswerPart, Ask, SafingPlan
from sequencer.vocabulary.verdict import Level
from tests.drivers.off.testimony import (
    AMMETER,
    CLOSED,
    CONTACTOR,
    LOAD,
    METER,
    MISFIT,
    OFF,
    ON_APART,
    ON_IDLE,
    OPEN,
    PARTED,
    SEES,
    SUPPLY,
    off_but,
    plan_of,
    proof,
    reads,
    safed,
)


@pytest.mark.parametrize(
    ("pairs", "level", "contradicted"),
    [
        # a contact that is open proves it, whatever else is silent, while a terminal is parted
        (((SUPPLY, None), (LOAD, PARTED), (CONTACTOR, OPEN), (METER, SEES)), Level.A, False),
        (((SUPPLY, PARTED), (CONTACTOR, OPEN), (METER, SEES)), Level.A, False),
        # ... not while a terminal behind it reads what the cell reads, and with nobody to tell
        (((SUPPLY, OFF), (CONTACTOR, OPEN), (METER, SEES)), Level.B, False),
        (((SUPPLY, None), (CONTACTOR, OPEN), (METER, SEES)), Level.NONE, False),
        # ... an output that is on behind it, at another voltage than the cell
        (((SUPPLY, ON_APART), (LOAD, PARTED), (CONTACTOR, OPEN), (METER, SEES)), Level.A, False),
        # ... at the same voltage nobody knows whether the contact parts it
        (((SUPPLY, ON_IDLE), (CONTACTOR, OPEN), (METER, SEES)), Level.NONE, True),
        (((SUPPLY, ON_IDLE), (LOAD, PARTED), (CONTACTOR, OPEN), (METER, SEES)), Level.NONE, True),
        # ... one terminal that is parted does not outvote one that is joined
        (((SUPPLY, OFF), (LOAD, PARTED), (CONTACTOR, OPEN), (METER, SEES)), Level.B, False),
        # ... but not against a current
        (((SUPPLY, off_but(0.5, 0.0)), (CONTACTOR, OPEN), (METER, SEES)), Level.A, True),
        # an ammeter at zero proves it, also where an output is silent
        (((SUPPLY, OFF), (AMMETER, reads(0.001))), Level.A, False),
        (((SUPPLY, None), (AMMETER, reads(0.0))), Level.A, False),
        (((SUPPLY, OFF), (AMMETER, reads(0.002))), Level.A, True),
        # state and current of every output, no witness against; a missing one is no harm
        (((SUPPLY, OFF), (METER, SEES)), Level.B, False),
        (((SUPPLY, OFF), (LOAD, OFF)), Level.B, False),
        (((SUPPLY, OFF), (LOAD, OFF), (CONTACTOR, CLOSED)), Level.B, False),
        (((SUPPLY, OFF),), Level.B, False),
        (((SUPPLY, OFF), (METER, None)), Level.B, False),
        # each side of what the supply can see
        (((SUPPLY, off_but(0.020)), (METER, SEES)), Level.B, False),
        (((SUPPLY, off_but(-0.021)), (METER, SEES)), Level.B, True),
        # a voltage that off does not explain
        (((SUPPLY, OFF), (METER, MISFIT)), Level.C, False),
        # on, and nothing parts it: contradicted although no current flows now
        (((SUPPLY, ON_IDLE), (METER, SEES)), Level.NONE, True),
        # silence proves nothing, also of who was idle
        (((SUPPLY, None), (METER, SEES)), Level.NONE, False),
        (((SUPPLY, OFF), (LOAD, None), (METER, SEES)), Level.NONE, False),
        # no number proves nothing and accuses
        (((SUPPLY, off_but(nan)), (METER, SEES)), Level.C, True),
    ],
)
def test_levels(pairs, level, contradicted):
    """One row of the law each."""
    found = proof(*pairs)
    assert (found.level, found.contradicted) == (level, contradicted)


def test_one_round_alone_proves_nothing_and_can_deny_off():
    """The second may deny what the first said; a current in the first is a current."""
    assert proof((SUPPLY, OFF), (METER, SEES), rounds=1).level is Level.NONE
    assert proof((SUPPLY, off_but(1.0)), rounds=1).contradicted
    assert proof((SUPPLY, OFF), rounds=0).level is Level.NONE


def test_the_last_two_rounds_agree_and_the_bound_is_the_larger_of_them():
    """What came before them has settled; a state that changed between them proves nothing."""
    plan = plan_of((SUPPLY, OFF))
    rounds = [{"supply": off_but(amps)} for amps in (0.5, 0.004, 0.010)]
    found = weigh(plan, rounds)
    assert (found.level, found.contradicted) == (Level.B, False)
    assert found.honest_a == pytest.approx(0.030)
    assert weigh(plan, [{"supply": ON_IDLE}, {"supply": OFF}]).level is Level.NONE
    assert weigh(plan, [{"supply": OFF}, {"supply": SILENT}]).level is Level.NONE


def test_a_contact_counts_only_when_this_run_has_seen_it_part_the_cell():
    """A feedback that was never tried may be wired to nothing."""
    pairs = ((SUPPLY, PARTED), (CONTACTOR, OPEN), (METER, SEES))
    found = proof(*pairs, contact_seen=False)
    assert found.level is Level.B
    assert "this run has not seen the contact part the cell" in found.evidence[-1]
    assert proof(*pairs).honest_a == 0.0


def test_a_terminal_that_shows_nothing_of_the_cell_tells_nothing_of_the_contact():
    """Behind its own relay or diode it reads zero with the contact welded."""
    blind = SUPPLY._replace(sees_cell=False)
    pairs = ((blind, PARTED), (LOAD, OFF), (CONTACTOR, OPEN), (METER, SEES))
    assert proof(*pairs).level is Level.B


def test_why_a_feedback_does_not_count_is_said():
    """Joined is one thing, unknown another."""
    told = proof((SUPPLY, OFF), (CONTACTOR, OPEN), (METER, SEES)).evidence[-1]
    assert told.endswith("a terminal behind the contact reads what the cell reads")
    told = proof((SUPPLY, None), (CONTACTOR, OPEN), (METER, SEES)).evidence[-1]
    assert told.endswith("nothing behind the contact shows that it parts")


def test_an_output_that_measures_its_own_current_is_no_ammeter():
    """Its own word is not independent of it."""
    both = safed("supply", "charge", "voltage", "current", "output", visible_a=0.001)
    both = both._replace(roles=("charge", "current"))
    assert proof((both, OFF), (METER, SEES)).level is Level.B
    assert SafingPlan("bench", (both,), 3.0).reach is Level.B


def test_outputs_that_are_on_behind_an_open_contact_are_named():
    """Somebody has to look at it in the morning."""
    pairs = ((SUPPLY, ON_APART), (LOAD, PARTED), (CONTACTOR, OPEN), (METER, SEES))
    assert "supply is still on behind the open contact" in proof(*pairs).evidence


def test_what_does_not_count_supports_nothing_and_can_still_deny_off():
    """What another instrument says of off counts for nothing; that current flows counts."""
    stranger = OFF._replace(counts=False)
    assert proof((SUPPLY, stranger), (METER, SEES)).level is Level.NONE
    assert proof((SUPPLY, off_but(1.0)._replace(counts=False)), (METER, SEES)).contradicted
    pairs = ((SUPPLY, PARTED), (CONTACTOR, OPEN._replace(counts=False)), (METER, SEES))
    assert proof(*pairs).level is Level.B


def test_one_voltage_that_off_does_not_explain_spoils_the_others():
    """A meter that reads 5.1 V is not outvoted by the load's 3.7 V."""
    assert proof((SUPPLY, OFF), (LOAD, OFF), (METER, MISFIT)).level is Level.C


@pytest.mark.parametrize(
    ("capacity_ah", "level"), [(0.40, Level.B), (0.39, Level.C), (None, Level.B)]
)
def test_level_b_ends_where_more_than_a_twentieth_of_c_may_flow(capacity_ah, level):
    """20 mA are 0.05 C of 0.4 Ah; where no cell is known only the bound is said."""
    assert proof((SUPPLY, OFF), capacity_ah=capacity_ah).level is level


def test_what_honest_instruments_leave_possible():
    """Each direction by itself: what the supply may give, what the load may take, with what leaks
    through both; a series ammeter bounds both, an open contact leaves nothing."""
    supply, load = SUPPLY._replace(leak_a=0.005), LOAD._replace(leak_a=0.001)
    both = proof((supply, OFF), (load, OFF))
    assert both.honest_a == pytest.approx(0.015)
    drawn = proof((supply, OFF), (load, off_but(0.006)))
    assert drawn.honest_a == pytest.approx(0.006 + 0.005 + 0.005)
    sinking = proof((supply._replace(sinks=True), off_but(-0.015)), (load, OFF))
    assert sinking.honest_a == pytest.approx(0.030 + 0.005)
    measured = proof((supply, OFF), (load, OFF), (AMMETER, reads(0.0005)))
    assert measured.honest_a == pytest.approx(0.0015)


def test_this_runs_zero_narrows_what_a_reading_leaves_possible():
    """Two counts beside it, or the stated error where that is less. A zero beyond the stated error
    is current; one that reads exactly 0 on a display without a sign is no zero."""
    load = LOAD._replace(count_a=0.001, zero_a=0.004)
    assert proof((load, off_but(0.004))).honest_a == pytest.approx(0.002)
    assert proof((load, off_but(0.005))).honest_a == pytest.approx(0.003)
    beyond = LOAD._replace(count_a=0.001, zero_a=0.020)
    assert proof((beyond, off_but(0.006))).honest_a == pytest.approx(0.002)
    unsigned = LOAD._replace(count_a=0.001, zero_a=0.0)
    assert proof((unsigned, OFF)).honest_a == pytest.approx(0.006)
    assert proof((unsigned._replace(is_signed=True), OFF)).honest_a == pytest.approx(0.002)


def test_what_a_lying_driver_leaves_possible():
    """Infinite where nothing else shows it; a series ammeter and an open contact show it all."""
    driven = {"driver": "supply"}
    assert proof((SUPPLY, OFF), (METER, SEES), **driven).lying_a == inf
    assert proof((SUPPLY, OFF), (AMMETER, reads(0.0)), **driven).lying_a == pytest.approx(0.001)
    pairs = ((SUPPLY, PARTED), (CONTACTOR, OPEN), (METER, SEES))
    assert proof(*pairs, **driven).lying_a == 0.0


def test_every_instrument_has_its_line():
    """In the plan's order, silence and troubles included."""
    troubled = Said((), False, ("does not answer",))
    pairs = ((SUPPLY, off_but(0.5, 0.0)), (LOAD, troubled), (METER, None), (CONTACTOR, OPEN))
    assert proof(*pairs).evidence[:4] == (
        (
            "supply reads 0.000 V, reads 0.500 A (current flows: it may show 20 mA without any),"
            " output off"
        ),
        "load: does not answer",
        "meter: no answer",
        "contactor feedback open",
    )


@pytest.mark.parametrize(
    ("instruments", "reach"),
    [
        ((SUPPLY, LOAD, METER, CONTACTOR), Level.A),
        ((SUPPLY._replace(sees_cell=False), METER, CONTACTOR), Level.B),
        ((SUPPLY, AMMETER), Level.A),
        ((SUPPLY, METER), Level.B),
        ((SUPPLY,), Level.B),
        ((SUPPLY._replace(visible_a=0.2),), Level.C),
        ((SUPPLY._replace(visible_a=inf),), Level.C),
        ((safed("dumb", "charge", "voltage", "current"),), Level.NONE),
        ((METER,), Level.NONE),
    ],
)
def test_the_level_within_reach_is_said_beforehand(instruments, reach):
    """The best that a bench can give while everything answers."""
    assert SafingPlan("bench", instruments, 3.0).reach is reach


def test_no_further_round_is_asked_for_what_is_as_good_as_it_can_be():
    """A bench with a contact goes on until the contact counts."""
    pairs = ((SUPPLY, OFF), (CONTACTOR, OPEN), (METER, SEES))
    assert not is_settled(plan_of(*pairs), proof(*pairs))
    assert is_settled(plan_of((SUPPLY, OFF)), proof((SUPPLY, OFF)))
    assert not is_settled(plan_of((SUPPLY, OFF)), proof((SUPPLY, off_but(1.0))))


def test_silence_takes_back_nothing_that_was_said_against_off():
    """What stands: a current that flows or is no number, an output that is on; not what spoke for
    off, nor a voltage. A whole new answer, or a new word on the same, replaces it."""
    silent = Said((), False, ("does not answer",))
    flows = (OffReading("voltage", 3.7), OffReading("current", 0.021), OffReading("output", 1.0))
    before = Said(flows)
    assert kept_against(SUPPLY, before, silent) == Said(flows[1:], False, ("does not answer",))
    assert kept_against(SUPPLY, OFF, silent) == silent
    assert kept_against(SUPPLY, off_but(0.020), silent) == silent
    unread = off_but(nan)
    assert len(kept_against(SUPPLY, unread, silent).findings) == 1
    assert kept_against(SUPPLY, before, OFF) == OFF
    half = Said((OffReading("current", 0.0),), False, ("asked: no answer",))
    assert kept_against(SUPPLY, before, half).findings == (flows[2], OffReading("current", 0.0))
    assert kept_against(CONTACTOR, CLOSED, silent) == silent


def test_who_is_silent_from_the_beginning_does_not_count():
    """Nothing was said, so nothing supports anything."""
    assert (SILENT.findings, SILENT.counts) == ((), False)


def test_the_edges_of_what_an_answer_shows():
    """A voltage on either edge of its range fits off; one of two parts that fits is enough."""
    for volts, level in ((-1.0, Level.B), (-1.001, Level.C), (5.0, Level.B), (5.001, Level.C)):
        assert proof((SUPPLY, OFF), (METER, Said((OffReading("voltage", volts),)))).level is level
    near = AnswerPart("voltage", "voltage", low=3.6, high=3.8)
    far = near._replace(low=1.0, high=1.2)
    meter = METER._replace(asks=(Ask("?", "x", (near, far)),))
    assert proof((SUPPLY, OFF), (meter, SEES)).level is Level.B


def test_every_output_must_confirm_and_not_only_one():
    """One dead or unread among two is not outvoted: not at B, and not beside an open contact where
    a voltage stands as under current."""
    unread = Said((OffReading("voltage", 3.7), OffReading("output", 0.0)))
    assert proof((SUPPLY, OFF), (LOAD, unread), (METER, SEES)).level is Level.C
    pairs = ((SUPPLY, None), (LOAD, PARTED), (METER, MISFIT), (CONTACTOR, OPEN))
    assert proof(*pairs).level is Level.NONE


@pytest.mark.parametrize("amps", [0.0, 3.0, -3.0])
def test_a_current_of_unknown_error_is_no_zero(amps):
    """What could be anything is recorded, and proves nothing: not in series, not at an output."""
    blind = AMMETER._replace(visible_a=inf)
    found = proof((SUPPLY, OFF), (blind, reads(amps)))
    assert (found.level, found.honest_a) == (Level.B, pytest.approx(0.020))
    assert found.evidence[1] == f"ammeter reads {amps:.3f} A (of unknown error)"
    assert proof((SUPPLY._replace(visible_a=inf), off_but(amps)), (METER, SEES)).level is Level.C


PAST = CONTACTOR._replace(no_evidence="it sits in the negative lead, and load may lead past it")
PAST_AMMETER = AMMETER._replace(no_evidence="nobody has said in which lead it sits")


def test_a_contact_that_current_may_pass_by_proves_nothing():
    """Though it says open and a terminal is parted: what remains is what the outputs say. Level B
    would stand, and the second bound is open."""
    said = ((SUPPLY, PARTED), (METER, SEES))
    assert proof(*said, (CONTACTOR, OPEN)).level is Level.A
    found = proof(*said, (PAST, OPEN))
    assert (found.level, found.lying_a) == (Level.B, inf)
    assert f"the feedback does not count: {PAST.no_evidence}" in found.evidence
    assert plan_of((SUPPLY, OFF), (CONTACTOR, OPEN)).reach is Level.A
    assert plan_of((SUPPLY, OFF), (PAST, OPEN)).reach is Level.B


def test_an_ammeter_that_current_may_pass_by_bounds_nothing_and_still_denies():
    """Its zero is worth nothing; what it reads beyond its zero flows."""
    assert proof((LOAD, None), (AMMETER, reads(0.0))).level is Level.A
    found = proof((LOAD, None), (PAST_AMMETER, reads(0.0)))
    assert (found.level, found.honest_a) == (Level.NONE, inf)
    assert f"the current of ammeter does not count: {PAST_AMMETER.no_evidence}" in found.evidence
    assert plan_of((PAST_AMMETER, None)).ammeter_bound_a == inf
    assert proof((LOAD, OFF), (PAST_AMMETER, reads(0.5))).contradicted

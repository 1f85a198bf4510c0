"""Weighing the evidence for off: every level, what contradicts, and what silence is worth."""

from math import inf

import pytest

from drivers.off.evidence import SILENT, Finding, kept_against, weigh
from drivers.off.evidence import Testimony as Said
from sequencer.documents.safing import Ask, Link, Part, Safed, SafingPlan
from sequencer.vocabulary.verdict import Level

NOWHERE = Link("tcp", "192.0.2.1", 5025)


def safed(name, role, *quantities, visible_a=inf, low=-1.0, high=5.0):
    """An instrument that is asked for those quantities."""
    level = Level.A if role in ("contactor", "current") else Level.B
    parts = tuple(
        Part(quantity, quantity, low=low, high=high, level=level) for quantity in quantities
    )
    return Safed(name, (role,), NOWHERE, asks=(Ask("?", "x", parts),), visible_a=visible_a)


SUPPLY = safed("supply", "charge", "voltage", "current", "output", visible_a=0.020)
LOAD = safed("load", "discharge", "voltage", "current", "output", visible_a=0.006)
METER = safed("meter", "voltage", "voltage")
AMMETER = safed("ammeter", "current", "current", visible_a=0.001)
CONTACTOR = safed("contactor", "contactor", "contact")

OFF = Said((Finding("voltage", 3.7), Finding("current", 0.0), Finding("output", 0.0)))
ON_IDLE = Said((Finding("voltage", 3.7), Finding("current", 0.0), Finding("output", 1.0)))
SEES = Said((Finding("voltage", 3.7),))
MISFIT = Said((Finding("voltage", 5.1),))
OPEN = Said((Finding("contact", 0.0),))
CLOSED = Said((Finding("contact", 1.0),))


def off_but(amps):
    """Off by its word, with that current."""
    return Said((Finding("voltage", 3.7), Finding("current", amps), Finding("output", 0.0)))


def proof(*pairs, idle=()):
    """The proof of instruments and what they said."""
    plan = SafingPlan("bench", tuple(one for one, _ in pairs))
    heard = {one.name: said for one, said in pairs if said is not None}
    return weigh(plan, heard, idle)


@pytest.mark.parametrize(
    ("pairs", "level", "contradicted"),
    [
        # a contact that is open proves it, whatever else is silent
        (((SUPPLY, None), (CONTACTOR, OPEN)), Level.A, False),
        (((SUPPLY, ON_IDLE), (CONTACTOR, OPEN)), Level.A, False),
        # ... but not against a current
        (((SUPPLY, off_but(0.5)), (CONTACTOR, OPEN)), Level.A, True),
        # ... nor where a dead supply confirms nothing and the voltage stands as under current
        (((SUPPLY, None), (METER, MISFIT), (CONTACTOR, OPEN)), Level.NONE, False),
        (((SUPPLY, OFF), (METER, MISFIT), (CONTACTOR, OPEN)), Level.A, False),
        # an ammeter at zero needs every output's word beside it
        (((SUPPLY, OFF), (AMMETER, Said((Finding("current", 0.001),)))), Level.A, False),
        (((SUPPLY, OFF), (AMMETER, Said((Finding("current", 0.002),)))), Level.C, True),
        (((SUPPLY, None), (AMMETER, Said((Finding("current", 0.0),)))), Level.NONE, False),
        # word, current and another voltage
        (((SUPPLY, OFF), (METER, SEES)), Level.B, False),
        (((SUPPLY, OFF), (LOAD, OFF)), Level.B, False),
        (((SUPPLY, OFF), (LOAD, OFF), (CONTACTOR, CLOSED)), Level.B, False),
        # each side of what the supply can see
        (((SUPPLY, off_but(0.020)), (METER, SEES)), Level.B, False),
        (((SUPPLY, off_but(-0.021)), (METER, SEES)), Level.C, True),
        # its word alone
        (((SUPPLY, OFF),), Level.C, False),
        (((SUPPLY, OFF), (METER, None)), Level.C, False),
        (((SUPPLY, OFF), (METER, Said((Finding("voltage", 5.1),)))), Level.C, False),
        # on, and nothing parts it: contradicted although no current flows now
        (((SUPPLY, ON_IDLE), (METER, SEES)), Level.NONE, True),
        # silence is no consent
        (((SUPPLY, None), (METER, SEES)), Level.NONE, False),
        (((SUPPLY, OFF), (LOAD, None), (METER, SEES)), Level.NONE, False),
        # no number proves nothing and accuses
        (((SUPPLY, off_but(float("nan"))), (METER, SEES)), Level.C, True),
    ],
)
def test_levels(pairs, level, contradicted):
    """One row of the law each."""
    found = proof(*pairs)
    assert (found.level, found.contradicted) == (level, contradicted)


def test_what_does_not_count_supports_nothing_and_still_accuses():
    """A stranger's word for off is worthless; its word for current is not."""
    stranger = OFF._replace(counts=False)
    assert proof((SUPPLY, stranger), (METER, SEES)).level is Level.NONE
    assert proof((SUPPLY, off_but(1.0)._replace(counts=False)), (METER, SEES)).contradicted
    assert proof((SUPPLY, OFF), (CONTACTOR, OPEN._replace(counts=False))).level is Level.C


def test_who_was_idle_is_excused_only_while_silent():
    """An idle load that answers that it is on accuses like any other."""
    assert proof((SUPPLY, OFF), (LOAD, None), (METER, SEES), idle={"load"}).level is Level.B
    assert proof((SUPPLY, OFF), (LOAD, ON_IDLE), (METER, SEES), idle={"load"}).contradicted
    assert proof((SUPPLY, None), (LOAD, OFF), (METER, SEES), idle={"load"}).level is Level.NONE


def test_one_voltage_that_off_does_not_explain_spoils_the_others():
    """A meter that reads 5.1 V is not outvoted by the load's 3.7 V."""
    odd = Said((Finding("voltage", 5.1),))
    assert proof((SUPPLY, OFF), (LOAD, OFF), (METER, odd)).level is Level.C


def test_a_voltage_that_is_gone_denies_nothing():
    """The cell's own protection opened while it discharged: the meter sees nothing behind the
    leads, on one side of the limit; a voltage on the other side that did not step back denies."""
    held = Part("voltage", "voltage", low=3.6, gone=0.5, level=Level.B)
    meter = METER._replace(asks=(Ask("?", "x", (held,)),))
    for volts, level in ((0.499, Level.B), (0.5, Level.C), (3.59, Level.C), (3.6, Level.B)):
        seen = Said((Finding("voltage", volts),))
        assert proof((SUPPLY, OFF), (meter, seen)).level is level


def test_the_smallest_current_that_could_have_been_seen():
    """The weakest of the channels that the level rests on; the ammeter alone where it has one."""
    assert proof((SUPPLY, OFF), (LOAD, OFF), (METER, SEES)).resolution_a == 0.020
    zero = Said((Finding("current", 0.0),))
    assert proof((SUPPLY, OFF), (AMMETER, zero)).resolution_a == 0.001
    assert proof((SUPPLY, None), (CONTACTOR, OPEN)).resolution_a == inf
    blind = METER._replace(visible_a=0.25)
    assert proof((SUPPLY, OFF), (blind, SEES)).resolution_a == 0.25


def test_every_instrument_has_its_line():
    """In the plan's order, silence and troubles included."""
    troubled = Said((), False, ("does not answer",))
    found = proof((SUPPLY, off_but(0.5)), (LOAD, troubled), (METER, None), (CONTACTOR, OPEN))
    assert found.evidence == (
        "supply reads 3.700 V, reads 0.500 A (resolves 20 mA, current flows), output off",
        "load: does not answer",
        "meter: no answer",
        "contactor feedback open",
    )


@pytest.mark.parametrize(
    ("instruments", "reach"),
    [
        ((SUPPLY, LOAD, METER, CONTACTOR), Level.A),
        ((SUPPLY, AMMETER), Level.A),
        ((SUPPLY, METER), Level.B),
        ((SUPPLY, LOAD), Level.B),
        ((SUPPLY,), Level.C),
        ((safed("dumb", "charge", "voltage", "current"),), Level.NONE),
    ],
)
def test_the_level_within_reach_is_said_beforehand(instruments, reach):
    """The best that a bench can give while everything answers."""
    assert SafingPlan("bench", instruments).reach is reach


def test_silence_takes_back_nothing_that_was_said_against_off():
    """What stands: a current that flows or is no number, an output that is on; not what spoke for
    off, nor a voltage. A whole new answer, or a new word on the same, replaces it."""
    silent = Said((), False, ("does not answer",))
    flows = (Finding("voltage", 3.7), Finding("current", 0.021), Finding("output", 1.0))
    before = Said(flows)
    assert kept_against(SUPPLY, before, silent) == Said(flows[1:], False, ("does not answer",))
    assert kept_against(SUPPLY, OFF, silent) == silent
    assert kept_against(SUPPLY, off_but(0.020), silent) == silent
    unread = off_but(float("nan"))
    assert len(kept_against(SUPPLY, unread, silent).findings) == 1
    assert kept_against(SUPPLY, before, OFF) == OFF
    half = Said((Finding("current", 0.0),), False, ("asked: no answer",))
    assert kept_against(SUPPLY, before, half).findings == (flows[2], Finding("current", 0.0))
    assert kept_against(CONTACTOR, CLOSED, silent) == silent


def test_who_is_silent_from_the_beginning_does_not_count():
    """Nothing was said, so nothing supports anything."""
    assert (SILENT.findings, SILENT.counts) == ((), False)


def test_the_edges_of_what_an_answer_shows():
    """A voltage on either edge of its range fits off; one of two parts that fits is enough."""
    for volts, level in ((-1.0, Level.B), (-1.001, Level.C), (5.0, Level.B), (5.001, Level.C)):
        assert proof((SUPPLY, OFF), (METER, Said((Finding("voltage", volts),)))).level is level
    near = Part("voltage", "voltage", low=3.6, high=3.8, level=Level.B)
    far = near._replace(low=1.0, high=1.2)
    meter = METER._replace(asks=(Ask("?", "x", (near, far)),))
    assert proof((SUPPLY, OFF), (meter, SEES)).level is Level.B


def test_an_ammeter_that_reads_a_current_the_other_way_is_no_zero():
    """Level A needs zero on both sides; an open contact needs none, and what it could have seen is
    then the outputs' own affair."""
    assert proof((SUPPLY, OFF), (AMMETER, Said((Finding("current", -0.002),)))).level is Level.C
    zero = Said((Finding("current", 0.0),))
    seen = proof((SUPPLY, off_but(0.5)), (LOAD, OFF), (METER, SEES), (AMMETER, zero))
    assert (seen.level, seen.resolution_a) == (Level.A, 0.001)
    loose = proof((SUPPLY, OFF), (LOAD, None), (AMMETER, zero))
    assert (loose.level, loose.resolution_a) == (Level.NONE, 0.020)


def test_every_output_must_confirm_and_not_only_one():
    """One dead or unread among two is not outvoted: not at B, and not beside an open contact."""
    unread = Said((Finding("voltage", 3.7), Finding("output", 0.0)))
    assert proof((SUPPLY, OFF), (LOAD, unread), (METER, SEES)).level is Level.C
    assert proof((SUPPLY, unread), (METER, MISFIT), (CONTACTOR, OPEN)).level is Level.C


@pytest.mark.parametrize(
    ("amps", "words"),
    [
        (0.020, "reads 0.020 A (resolves 20 mA)"),
        (-0.020, "reads -0.020 A (resolves 20 mA)"),
        (-0.021, "reads -0.021 A (resolves 20 mA, current flows)"),
    ],
)
def test_whether_current_flows_is_said_on_both_sides(amps, words):
    """As it is judged."""
    only = Said((Finding("current", amps),))
    assert proof((SUPPLY, only)).evidence == (f"supply {words}",)


def test_what_is_excused_is_said():
    """So that nobody takes the proof for one that asked everybody."""
    excused = proof((SUPPLY, OFF), (LOAD, None), (METER, SEES), idle={"load"}).evidence
    assert excused[1:3] == (
        "load: no answer",
        "load was proven off before and not switched on since",
    )


@pytest.mark.parametrize("amps", [0.0, 3.0, -3.0])
def test_a_current_of_unknown_error_is_no_zero(amps):
    """What could be anything is recorded, and proves nothing: not in series, not at an output."""
    reads = Said((Finding("current", amps),))
    blind = AMMETER._replace(visible_a=inf)
    found = proof((SUPPLY, OFF), (blind, reads))
    assert (found.level, found.resolution_a) == (Level.C, 0.020)
    assert found.evidence[1] == f"ammeter reads {amps:.3f} A (resolves nothing)"
    assert proof((SUPPLY._replace(visible_a=inf), off_but(amps)), (METER, SEES)).level is Level.C

"""Instruments of a plan, and what they may say about off, for every test of the evidence."""

from math import inf

from drivers.off.evidence import OffReading, weigh
from drivers.off.evidence import Testimony as Said
from sequencer.documents.safing import AnswerPart, Ask, LeadDrop, Safed, SafingLink, SafingPlan

NOWHERE = SafingLink("tcp", "192.0.2.1", 5025)


def safed(name, role, *quantities, visible_a=inf, **given):
    """An instrument that is asked for those quantities."""
    parts = tuple(AnswerPart(quantity, quantity, low=-1.0, high=5.0) for quantity in quantities)
    asks = (Ask("?", "x", parts),)
    return Safed(name, (role,), NOWHERE, asks=asks, visible_a=visible_a, **given)


SUPPLY = safed("supply", "charge", "voltage", "current", "output", visible_a=0.020)
LOAD = safed("load", "discharge", "voltage", "current", "output", visible_a=0.006)
METER = safed("meter", "voltage", "voltage", offset_v=0.001)
AMMETER = safed("ammeter", "current", "current", visible_a=0.001)
CONTACTOR = safed("contactor", "contactor", "contact")

OFF = Said((OffReading("voltage", 3.7), OffReading("current", 0.0), OffReading("output", 0.0)))
PARTED = Said((OffReading("voltage", 0.0), OffReading("current", 0.0), OffReading("output", 0.0)))
ON_IDLE = Said((OffReading("voltage", 3.7), OffReading("current", 0.0), OffReading("output", 1.0)))
ON_APART = Said((OffReading("voltage", 4.2), OffReading("current", 0.0), OffReading("output", 1.0)))
SEES = Said((OffReading("voltage", 3.7),))
MISFIT = Said((OffReading("voltage", 5.1),))
OPEN = Said((OffReading("contact", 0.0),))
CLOSED = Said((OffReading("contact", 1.0),))


def off_but(amps, volts=3.7):
    """Off by its word, with that current."""
    return Said(
        (OffReading("voltage", volts), OffReading("current", amps), OffReading("output", 0.0))
    )


def reads(amps):
    """An ammeter's answer."""
    return Said((OffReading("current", amps),))


def plan_of(*pairs, **given):
    """The plan of these instruments, with a contact that this run has seen to part the cell."""
    given = {"contact_seen": True, "capacity_ah": 3.0} | given
    return SafingPlan("bench", tuple(one for one, _ in pairs), **given)


def proof(*pairs, rounds=2, **given):
    """The proof of instruments and what they said, the same in every round."""
    heard = {one.name: said for one, said in pairs if said is not None}
    return weigh(plan_of(*pairs, **given), [heard] * rounds)


LEAD = LeadDrop("load", "meter", 0.002, 3.7, 0.0004, 0.0, 0.031, 0.031)
"""Of 31 mOhm and 0.4 mV of scatter one standard deviation is 13 mA; the bound takes three."""

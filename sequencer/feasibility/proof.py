"""Which level of proof of *off* a bench can reach, and the smallest current each could see.

A: an independent ammeter reads zero, or a contactor's own feedback says open. B: the commanded
instrument's own current reads zero and the cell voltage on another instrument behaves like off.
C: the commanded instrument's word alone.
"""

from typing import NamedTuple

from sequencer.feasibility.situation import Situation
from sequencer.plan import words
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.outfit import Channel
from sequencer.vocabulary.verdict import Level


class ProofReach(NamedTuple):
    """One way to prove off. ``smallest_a`` is the smallest current it could see (A)."""

    level: Level
    words: str
    smallest_a: float

    def __str__(self) -> str:
        return f"level {self.level.value}: {self.words}"


def proof_reach(situation: Situation) -> tuple[ProofReach, ...]:
    """Every way this bench has, the best first; the last is always C, for an instrument's word."""
    ways = [*_by_contactor(situation), *_by_ammeter(situation), *_by_voltage(situation)]
    return (*ways, *_by_word(situation))


def best(ways: tuple[ProofReach, ...]) -> Level:
    """The best level among them."""
    return ways[0].level if ways else Level.NONE


def _outputs(situation: Situation) -> set[str]:
    wiring = situation.bench.wiring
    return {name for name in (wiring.charge, wiring.discharge) if name is not None}


def _voltmeters(situation: Situation) -> set[str]:
    names = {*_outputs(situation), situation.bench.wiring.voltage.by}
    known = situation.definitions
    return {n for n in names if n in known and "measure voltage" in known[n].capabilities}


def _zero(channel: Channel) -> float:
    return channel.offset + channel.resolution


def _by_contactor(situation: Situation) -> list[ProofReach]:
    name = situation.bench.wiring.contactor
    if name is None:
        return []
    told = f"the feedback of {name} says open: the lead is cut, no current can flow"
    return [ProofReach(Level.A, told, 0.0)]


def _by_ammeter(situation: Situation) -> list[ProofReach]:
    wiring, channel = situation.bench.wiring, situation.outfit.ammeter
    if not channel.present or wiring.current is None:
        return []
    seen = _zero(channel)
    told = f"{wiring.current.by} reads zero: it would see {words.roughly(seen)} or more"
    return [ProofReach(Level.A, told, seen)]


def _by_voltage(situation: Situation) -> list[ProofReach]:
    """B needs, beside every driving instrument, another one that reads the cell voltage."""
    if not all(_voltmeters(situation) - {output} for output in _outputs(situation)):
        return []
    ohm = situation.cell.expected_resistance or 0.0
    if situation.bench.wiring.voltage.sense == "two-wire":
        ohm += situation.outfit.lead_ohm
    step_v = situation.outfit.voltage.resolution
    own = max((_zero(channel) for channel in _own(situation)), default=float("inf"))
    seen = own if ohm == 0.0 else max(own, step_v / ohm)
    by = situation.bench.wiring.voltage.by
    resolves = "how far the voltage steps is unknown: no expected resistance is given"
    if ohm > 0.0:
        shown = words.roughly(step_v / ohm)
        resolves = f"{by} would show {shown} as one count of {words.millivolts(step_v)}"
    told = f"the driving instrument reads zero to within {words.roughly(own)}, and {resolves}"
    return [ProofReach(Level.B, told, seen)]


def _by_word(situation: Situation) -> list[ProofReach]:
    own = max((_zero(channel) for channel in _own(situation)), default=float("inf"))
    seen = words.roughly(own)
    told = f"the driving instrument's own word, which is no proof; it reads zero to {seen}"
    return [ProofReach(Level.C, told, own)]


def _own(situation: Situation) -> list[Channel]:
    channels = []
    for direction in (Direction.CHARGE, Direction.DISCHARGE):
        charging = direction is Direction.CHARGE
        channel = situation.outfit.supply_a if charging else situation.outfit.load_a
        if channel.present:
            channels.append(channel)
    return channels

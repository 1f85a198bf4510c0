"""Which level of proof of *off* a bench can reach, and what current each leaves possible.

A: an independent ammeter reads zero, or a contactor's own feedback says open and a terminal behind
it is seen to part from the cell. B: every output says off, and its own current is bounded at or
below 0.05 C. C: the outputs' own word alone.
"""

from typing import NamedTuple

from sequencer.documents.poles import no_evidence
from sequencer.feasibility.situation import Situation
from sequencer.vocabulary import units
from sequencer.vocabulary.measuring_channels import Channel
from sequencer.vocabulary.verdict import Level

_SHARE_OF_C = 0.05
_SMALL_SHARE = 0.01
_NIGHT_H = 8.0


class ProofReach(NamedTuple):
    """One way to prove off. ``bound_a`` is the largest current (A) that it leaves possible while
    the instruments are honest."""

    level: Level
    words: str
    bound_a: float

    def __str__(self) -> str:
        return f"level {self.level.value}: {self.words}"


def proof_reach(situation: Situation) -> tuple[ProofReach, ...]:
    """Every way this bench has, the best first; the last is always C, for an instrument's word."""
    return (
        *_by_contactor(situation),
        *_by_ammeter(situation),
        *_by_currents(situation),
        *_by_word(situation),
    )


def best(ways: tuple[ProofReach, ...]) -> Level:
    """The best level among them."""
    return ways[0].level if ways else Level.NONE


def _outputs(situation: Situation) -> list[str]:
    wiring = situation.bench.wiring
    names = [name for name in (wiring.charge, wiring.discharge) if name is not None]
    return [name for name in dict.fromkeys(names) if name in situation.definitions]


def _sees_cell(situation: Situation, name: str) -> bool:
    """Whether its terminals show, while it is off, what is joined to them."""
    definition = situation.definitions[name]
    is_behind_diode = definition.kind == "supply" and definition.traits.blocks_reverse_current
    return definition.traits.off_isolates == "nothing" and not is_behind_diode


def _zero(channel: Channel) -> float:
    return channel.offset + channel.resolution


def _by_contactor(situation: Situation) -> list[ProofReach]:
    name = situation.bench.wiring.contactor
    seeing = [one for one in _outputs(situation) if _sees_cell(situation, one)]
    if name is None or not seeing or no_evidence(situation.bench, "contactor"):
        return []
    told = (
        f"the feedback of {name} says open, and the terminals of {' and '.join(seeing)} are seen to"
        " part from the cell: no current can flow"
    )
    return [ProofReach(Level.A, told, 0.0)]


def _by_ammeter(situation: Situation) -> list[ProofReach]:
    wiring, channel = situation.bench.wiring, situation.channels.ammeter
    bound = _zero(channel) + _leak(situation, wiring.current.by if wiring.current else None)
    if not channel.present or wiring.current is None or not _is_small(situation, bound):
        return []
    if wiring.current.by in _outputs(situation) or no_evidence(situation.bench, "current"):
        return []
    told = f"{wiring.current.by} reads zero: at most {units.bound(bound)} may flow"
    return [ProofReach(Level.A, told, bound)]


def _by_currents(situation: Situation) -> list[ProofReach]:
    """Every output says off and reads zero; what that leaves possible must be small."""
    bound = _bound(situation)
    if not _is_small(situation, bound):
        return []
    smallest = units.amp_hours(bound / _SHARE_OF_C)
    told = (
        f"every output says off and reads zero: at most {units.bound(bound)} may flow if the"
        f" instruments are honest{_in_a_night(situation, bound)}; enough for cells from {smallest}"
        f" on; if the one that drove last lies, {_witness(situation)}"
    )
    return [ProofReach(Level.B, told, bound)]


def _in_a_night(situation: Situation, bound: float) -> str:
    rated = situation.cell.rated_capacity
    if bound <= _SMALL_SHARE * rated:
        return ""
    return f" ({units.percent(bound * _NIGHT_H / rated)} of this cell's charge in 8 h)"


def _witness(situation: Situation) -> str:
    """What would show a current that the output which drove last denies."""
    wiring, outputs = situation.bench.wiring, _outputs(situation)
    if len({*outputs, wiring.voltage.by}) < 2:
        return "nothing shows it"
    step = "the step of the voltage at switching off"
    is_apart = wiring.voltage.sense == "four-wire" and wiring.voltage.by not in outputs
    if not wiring.shared_leads or not is_apart or len(outputs) < 2:
        return f"only {step} shows it"
    senses = {wiring.charge: wiring.supply_sense, wiring.discharge: wiring.load_sense}
    far = [one for one in outputs if senses[one] == "two-wire" and _sees_cell(situation, one)]
    drops = [f"the lead drop at {one} while {_other(outputs, one)} does" for one in far]
    return " and ".join([*drops, step][:3]) + (" show it" if drops else " shows it")


def _other(outputs: list[str], one: str) -> str:
    return next(name for name in outputs if name != one)


def _by_word(situation: Situation) -> list[ProofReach]:
    bound = _bound(situation)
    smallest = units.amp_hours(bound / _SHARE_OF_C)
    beyond = "" if _is_small(situation, bound) else f", enough for cells from {smallest} on only"
    told = (
        "the outputs' own word, which is no proof; their currents leave"
        f" {units.bound(bound)} possible{beyond}"
    )
    return [ProofReach(Level.C, told, bound)]


def _is_small(situation: Situation, bound: float) -> bool:
    return bound <= _SHARE_OF_C * situation.cell.rated_capacity


def _bound(situation: Situation) -> float:
    """The larger of what may charge and what may discharge the cell, all reading zero (A)."""
    wiring, channels = situation.bench.wiring, situation.channels
    charge = discharge = 0.0
    supply = situation.definitions.get(wiring.charge or "")
    if supply is not None:
        leak = supply.traits.leakage_when_off
        charge = _seen(channels.supply_a, leak)
        discharge = charge if supply.traits.sinks_current else leak
    if wiring.discharge is not None:
        discharge += _seen(channels.load_a, _leak(situation, wiring.discharge))
    return max(charge, discharge)


def _seen(channel: Channel, leak: float) -> float:
    return _zero(channel) + leak if channel.present else float("inf")


def _leak(situation: Situation, name: str | None) -> float:
    definition = situation.definitions.get(name or "")
    return 0.0 if definition is None else definition.traits.leakage_when_off

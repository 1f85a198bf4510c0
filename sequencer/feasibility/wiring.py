"""The wiring in words, pole by pole, and what joined grounds make of it.

Told from the bench document, to be compared with the bench lead by lead. What a ground bypasses for
certain is told apart from what one may bypass that nobody has spoken of.
"""

from collections.abc import Iterator

from sequencer.documents.bench import BenchDocument
from sequencer.documents.poles import (
    COMPUTER,
    Part,
    bypass,
    chain,
    conductors,
    joined_to_cell,
    lead_of,
    name_of,
    no_evidence,
    outputs_of,
    path,
    short,
)
from sequencer.feasibility.finding import Ability, Finding

_PARTS: tuple[Part, ...] = ("contactor", "current")
_WORDS = {"contactor": "contactor", "current": "ammeter"}
_NEGATIVE_LEAD = "the negative lead"
_LEAD_ADVICE = (
    "Isolate all but one: what a voltmeter's own wire carries of the current falsifies its reading."
)


def wiring_words(bench: BenchDocument) -> list[str]:
    """Lines for a person: each pole, the grounds, and what they bypass."""
    poles = [f"{sign} pole: {_pole(bench, sign)}" for sign in "+-"]
    past = (f"{what} is bypassed: {' to '.join(way)}" for what, way in bypassed(bench).items())
    return [*poles, f"grounds: {_grounds(bench)}", *_isolation(bench), *past]


def bypassed(bench: BenchDocument) -> dict[str, list[str]]:
    """What joined grounds bypass, by what the document says, and the way from node to node."""
    found = {str(name_of(bench.wiring, part)): bypass(bench, part) for part in _PARTS}
    found[_NEGATIVE_LEAD] = _beside_the_lead(bench)
    return {what: way for what, way in found.items() if way}


def _pole(bench: BenchDocument, sign: str) -> str:
    wiring = bench.wiring
    outputs = " and ".join(f"{name} {sign}" for name in outputs_of(wiring))
    inside = [f"{one.by} {_where(bench, one.by)}" for one in chain(wiring, sign) if one.by]
    told = " to ".join([outputs, *inside, f"cell {sign}"])
    if wiring.voltage.by in outputs_of(wiring):
        return told
    four = wiring.voltage.sense == "four-wire"
    at = f"cell {sign}, by a wire of its own" if four else "the terminals of the outputs"
    return f"{told}; {wiring.voltage.by} {sign} to {at}"


def _where(bench: BenchDocument, name: str) -> str:
    """A part by its kind; a lead that nobody has named is said to be taken so."""
    part = next(one for one in _PARTS if name_of(bench.wiring, one) == name)
    doubt = "" if lead_of(bench.wiring, part) else "; its lead is not said, and taken to be this"
    return f"({_WORDS[part]}{doubt})"


def _grounds(bench: BenchDocument) -> str:
    words = {
        "isolated": "isolated",
        "earth": "on earth",
        "joined by link": f"on {COMPUTER}, by its link",
        None: "not said",
    }
    return ", ".join(f"{name} - {words[said]}" for name, said in joined_to_cell(bench).items())


def _isolation(bench: BenchDocument) -> Iterator[str]:
    noted = bench.wiring.isolation
    if noted is not None:
        mohm = noted.resistance / 1e6
        yield f"isolation: {mohm:g} MOhm, measured by {noted.by} on {noted.on}"


def findings(bench: BenchDocument) -> Iterator[Finding]:
    """What grounds bypass, and what of the wiring must be said before it can be told."""
    past = bypassed(bench)
    for part in _PARTS:
        why, name = no_evidence(bench, part), str(name_of(bench.wiring, part))
        if why:
            way = f" ({' to '.join(past[name])})" if name in past else ""
            told, advice = f"{name} is no evidence of off: {why}{way}.", _advice(bench, part)
            yield Finding(Ability.BARELY, f"{_WORDS[part]} and grounds", told, advice)
    if _NEGATIVE_LEAD in past:
        told = f"a part of the current goes beside it: {' to '.join(past[_NEGATIVE_LEAD])}."
        yield Finding(Ability.BARELY, _NEGATIVE_LEAD, told, _LEAD_ADVICE)
    if short(bench, "earth"):
        told = "the cell is short where an instrument whose negative is not said is on earth."
        advice = "Write beside each what its negative is joined to ('negative')."
        yield Finding(Ability.BARELY, "poles", told, advice)


def _advice(bench: BenchDocument, part: Part) -> str:
    key = "contactor lead" if part == "contactor" else "lead"
    if lead_of(bench.wiring, part) is None:
        return f"Write in which lead it sits ('{key}')."
    return (
        "Move it to the positive lead; or isolate every instrument, measure that by hand (above"
        " 1 MOhm, everything on and linked, no cell), and write it down ('isolation')."
    )


def _beside_the_lead(bench: BenchDocument) -> list[str]:
    """A way beside a negative lead with nothing in it."""
    inside = chain(bench.wiring, "-")
    if any(one.by for one in inside):
        return []
    around = [one for one in conductors(bench) if one not in inside]
    return path(around, "leads -", "cell -")

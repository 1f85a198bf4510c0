"""The circuit of a bench, pole by pole: what is joined to what, what that bypasses or shorts. Pure.

Owns the conductors that follow from the bench document. A conductor has no resistance here, for
nobody knows that of a ground: a lead of milliohms and a path of one ohm through two mains plugs
both carry current. Assumed: the computer's ground is on earth (its mains plug, or that of a
screen); sensors and the coil of a contactor are insulated from the cell; the sense wires of supply
and load end on their side of the contactor.
"""

from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import Literal, NamedTuple

from sequencer.documents.bench import BenchDocument, Negative, Wiring

EARTH, COMPUTER = "earth", "the computer's ground"
LEAST_ISOLATION_OHM = 1e6
"""What a hand measurement must exceed (at 4 V that leaves 4 uA)."""
Part = Literal["contactor", "current"]
"""What sits in a lead, by its key in the wiring."""


class Conductor(NamedTuple):
    """Two nodes that are joined; ``by`` names the contactor or ammeter between them, or is empty.
    Nodes are written ``supply +``, ``cell -``, ``earth``."""

    one: str
    other: str
    by: str = ""


def name_of(wiring: Wiring, part: Part) -> str | None:
    """The instrument that is this part; None without one."""
    if part == "contactor":
        return wiring.contactor
    return None if wiring.current is None else wiring.current.by


def lead_of(wiring: Wiring, part: Part) -> str | None:
    """The lead that it sits in; None where nobody has said."""
    if part == "contactor":
        return wiring.contactor_lead
    return None if wiring.current is None else wiring.current.lead


def outputs_of(wiring: Wiring) -> list[str]:
    """Supply and load, by name; one that is both once."""
    names = [name for name in (wiring.charge, wiring.discharge) if name is not None]
    return list(dict.fromkeys(names))


def joined_to_cell(bench: BenchDocument) -> dict[str, Negative | None]:
    """Every instrument with a terminal in the circuit, and what its negative is joined to."""
    wiring = bench.wiring
    names = [*outputs_of(wiring), wiring.voltage.by, name_of(wiring, "current")]
    return {name: bench.instruments[name].negative for name in names if name is not None}


def chain(wiring: Wiring, pole: str) -> list[Conductor]:
    """One lead, from the outputs to the cell. What sits in a lead that nobody has named is taken to
    sit in the negative one: there it may be bypassed."""
    wanted = {"+": ("positive", "both"), "-": ("negative", "both", None)}[pole]
    parts: tuple[Part, ...] = ("contactor", "current")
    inside = [
        name
        for part in parts
        if (name := name_of(wiring, part)) is not None and lead_of(wiring, part) in wanted
    ]
    nodes = [f"leads {pole}", *(f"behind {name} {pole}" for name in inside[:-1]), f"cell {pole}"]
    if not inside:
        return [Conductor(*nodes)]
    return [Conductor(*ends, by) for ends, by in zip(pairwise(nodes), inside, strict=True)]


def conductors(bench: BenchDocument, unsaid: Negative = "isolated") -> list[Conductor]:
    """Everything that joins two nodes, with contacts closed; a negative of which nobody has said
    what it is joined to is taken as ``unsaid``."""
    wiring = bench.wiring
    found = [*chain(wiring, "+"), *chain(wiring, "-")]
    for name in outputs_of(wiring):
        found += [Conductor(f"{name} {pole}", f"leads {pole}") for pole in "+-"]
    if wiring.voltage.by not in outputs_of(wiring):
        at = "cell" if wiring.voltage.sense == "four-wire" else "leads"
        found += [Conductor(f"{wiring.voltage.by} {pole}", f"{at} {pole}") for pole in "+-"]
    found += list(_terminals_in_series(wiring))
    return [*found, *_grounds(bench, unsaid)]


def _terminals_in_series(wiring: Wiring) -> Iterator[Conductor]:
    """The negative terminal of an ammeter, wired so that a charge reads positive: towards the cell
    in the positive lead, towards the outputs in the negative one."""
    ammeter = name_of(wiring, "current")
    for pole in "+-":
        for one in chain(wiring, pole):
            if ammeter is not None and one.by == ammeter:
                yield Conductor(_in_series(ammeter), one.other if pole == "+" else one.one)


def _in_series(ammeter: str) -> str:
    return f"{ammeter} - (current)"


def _grounds(bench: BenchDocument, unsaid: Negative) -> Iterator[Conductor]:
    nodes = {"earth": EARTH, "joined by link": COMPUTER}
    yield Conductor(COMPUTER, EARTH)
    wiring = bench.wiring
    for name, said in joined_to_cell(bench).items():
        ground = nodes.get(said or unsaid)
        if ground is None:
            continue
        if name in (*outputs_of(wiring), wiring.voltage.by):
            yield Conductor(f"{name} -", ground)
        if name == name_of(wiring, "current"):
            yield Conductor(_in_series(name), ground)


def path(among: Iterable[Conductor], start: str, end: str) -> list[str]:
    """A shortest way from node to node, both ends named; empty when they are not joined."""
    beside: dict[str, list[str]] = {}
    for one in among:
        beside.setdefault(one.one, []).append(one.other)
        beside.setdefault(one.other, []).append(one.one)
    ways = [[start]]
    seen = {start}
    for way in ways:  # grows while it is gone through: breadth first
        if way[-1] == end:
            return way
        fresh = [node for node in beside.get(way[-1], ()) if node not in seen]
        seen.update(fresh)
        ways += [[*way, node] for node in fresh]
    return []


def bypass(bench: BenchDocument, part: Part, unsaid: Negative = "isolated") -> list[str]:
    """The way that current takes past a contactor that is open, or beside an ammeter; empty where
    there is none. A contactor is bypassed where outputs and cell stay joined at both poles."""
    name = name_of(bench.wiring, part)
    if name is None:
        return []
    around = [one for one in conductors(bench, unsaid) if one.by != name]
    if part == "contactor":
        ways = [path(around, f"leads {pole}", f"cell {pole}") for pole in "+-"]
        return ways[1] if all(ways) else []
    own = [one for pole in "+-" for one in chain(bench.wiring, pole) if one.by == name]
    return path(around, own[0].one, own[0].other)


def short(bench: BenchDocument, unsaid: Negative = "isolated") -> list[str]:
    """The way from one pole of the cell to the other past every output; empty without one."""
    return path(conductors(bench, unsaid), "cell +", "cell -")


def no_evidence(bench: BenchDocument, part: Part) -> str:
    """Why a contactor or ammeter of this bench says nothing of *off*; empty where it counts, or
    where there is none. In the negative lead it counts only where every instrument in the circuit
    is isolated and a hand measurement has shown it."""
    wiring = bench.wiring
    lead = lead_of(wiring, part)
    if name_of(wiring, part) is None or lead in ("positive", "both"):
        return ""
    if lead is None:
        return "nobody has said in which lead it sits"
    unsaid = [name for name, said in joined_to_cell(bench).items() if said is None]
    joined = [
        name for name, said in joined_to_cell(bench).items() if said not in (None, "isolated")
    ]
    if joined:
        return f"it sits in the negative lead, and {' and '.join(joined)} may lead current past it"
    if unsaid:
        return f"it sits in the negative lead, and nobody has said what {unsaid[0]} - is joined to"
    if wiring.isolation is None:
        return "it sits in the negative lead, and no measurement of the isolation is noted"
    if not wiring.isolation.resistance > LEAST_ISOLATION_OHM:
        return "it sits in the negative lead, and the noted isolation is not above 1 MOhm"
    return ""

"""What is really so when a run has ended, and whether its proof of off agrees with it.

Owns the rules (a) to (d) by which the words of a proof are wrong; knows no bench and runs nothing.
The bounds of a proof are read in one place, ``bounds_of``.
"""

from collections.abc import Iterator
from math import inf
from typing import NamedTuple

from sequencer.vocabulary.verdict import Exit, Proof

_NOISE_A = 1e-6
"""A current below this is none (rounding of the simulation)."""

RULES = {
    "a": "more current than the bound for honest instruments, and none lies",
    "b": "more current than the bound for a lying driver, and the one that drove last lies",
    "c": "no bound for a lying instrument, although a working witness is there",
    "d": "an output that an honest or silent instrument left on, joined to the cell",
}


class Bounds(NamedTuple):
    """The largest currents (A) that a proof leaves open: with honest instruments, and with one
    that lies."""

    honest_a: float
    lying_a: float


def bounds_of(proof: Proof) -> Bounds:
    """What the proof says."""
    return Bounds(proof.honest_a, proof.lying_a)


class Truth(NamedTuple):
    """The end of a run as it really is. ``most_a``: the largest cell current, either way, from the
    last proof that followed an off to the end. ``left_on``: outputs that are on and that nothing
    parts from the cell. ``liars`` and ``silent``: instruments that faults made lie, and that did
    not answer at the end. ``leaks_a``: what all outputs may leak when off, by their definitions.
    ``has_witness``: something independent of the outputs can tell by itself, works and was heard.
    ``driver``: the output that drove last, of which the second bound speaks.
    """

    most_a: float
    left_on: tuple[str, ...] = ()
    liars: frozenset[str] = frozenset()
    silent: frozenset[str] = frozenset()
    leaks_a: float = 0.0
    has_witness: bool = False
    driver: str = ""


class Wrong(NamedTuple):
    """One thing that a proof said and that was not so."""

    rule: str
    words: str

    def __str__(self) -> str:
        return f"({self.rule}) {self.words}"


def wrongs(code: Exit, proof: Proof, truth: Truth) -> Iterator[Wrong]:
    """Everything that is wrong with an ending. Exit 7 claims nothing. The second bound speaks of
    the output that drove last; where another one lies, or two together, only (c) and (d) hold."""
    if code is Exit.UNPROVEN:
        return
    level, bounds = f"exit {int(code)}, level {proof.level.value}", bounds_of(proof)
    if not truth.liars and _exceeds(truth, bounds.honest_a):
        yield Wrong("a", f"{level}: {_told(truth)}, bound {_amps(bounds.honest_a)}")
    if truth.liars == {truth.driver} and _exceeds(truth, bounds.lying_a):
        who = ", ".join(truth.liars)
        yield Wrong("b", f"{level}: {_told(truth)}, bound {_amps(bounds.lying_a)}, {who} lies")
    if truth.has_witness and proof.is_off and bounds.lying_a == inf:
        yield Wrong("c", f"{level}: no bound although a witness works")
    for name in truth.left_on:
        if name not in truth.liars:
            how = "silent" if name in truth.silent else "honest"
            yield Wrong("d", f"{level}: {name} is on, {how}, {_told(truth)}")


def _exceeds(truth: Truth, bound_a: float) -> bool:
    return truth.most_a > bound_a + truth.leaks_a + _NOISE_A


def _told(truth: Truth) -> str:
    return f"{truth.most_a:.3f} A flow"


def _amps(amps: float) -> str:
    return "none" if amps == inf else f"{amps:.4f} A"

"""Simulated sellers, true, false and borderline, before simulated benches: which words are wrong?

``python -m tests.analysis.claims.sellers --count 1000`` judges the claims of so many sellers twice:

- *nights*: whole nights on benches whose instruments err within their data sheets (the benches of
  ``tests.analysis.uncertainty``), claims on the true conditions of the night, judged by the
  conditions that these instruments read;
- *conditions*: benches that did not meet the claim's conditions (colder, faster, a shorter taper, a
  higher cut-off), on cells that feel it as strongly as cells do, or not at all.

Wrong is a claim that is called supported though the cell does not keep it, or not supported though
it does. A word that is not given (cannot tell, not comparable) is not wrong; how often a plain case
goes without a word is shown beside it.
"""

import argparse
import json
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np

from sequencer.analysis.analyse import analyse
from sequencer.analysis.claims.judging import judge
from sequencer.analysis.results import VerdictWord
from tests.analysis.claims.figures import cell, discharge, evidence, figure, yields
from tests.analysis.uncertainty.benches import draw

AT_MOST_WRONG = 0.05
"""Wrong verdicts at most 5 % (an aim of ours)."""
STANCES = ("true", "borderline", "false")
LEAST = {"capacity": "Ah", "energy": "Wh", "energy per mass": "Wh/kg"}
MOST = {"resistance": "Ohm", "mass": "g"}


@dataclass(frozen=True)
class Outcome:
    """One claim judged: who claimed, what about, the word, and whether the cell keeps the claim."""

    stance: str
    about: str
    word: VerdictWord
    kept: bool

    @property
    def is_wrong(self) -> bool:
        """The word says what is not so."""
        if self.word is VerdictWord.SUPPORTED:
            return not self.kept
        return self.word is VerdictWord.NOT_SUPPORTED and self.kept


def claimed_by(rng, stance: str, truth: float, *, least: bool) -> float:
    """What such a seller claims of a true value: plainly kept, plainly not, or within thousandths
    of it on either side."""
    if stance == "borderline":
        return truth * (1.0 + rng.normal(0.0, 0.004))
    beyond = rng.uniform(0.01, 0.10) * (1.0 if stance == "false" else -1.0)
    return truth * (1.0 + beyond) if least else truth / (1.0 + beyond)


def _document(claims, conditions: str):
    """A cell document with one claim for each (about, value)."""
    return cell(*((f"{about}: {value:.9f} {unit}", conditions) for about, unit, value in claims))


def _outcomes(stance: str, claims, truths, verdicts) -> list[Outcome]:
    found = []
    for (about, _, value), verdict in zip(claims, verdicts, strict=True):
        kept = truths[about] >= value if about in LEAST else truths[about] <= value
        found.append(Outcome(stance, about, verdict.word, bool(kept)))
    return found


# Whole nights, claims on the conditions of the night


def night(seed: int) -> list[Outcome]:
    """The claims of one seller about the cell of one simulated bench."""
    rng = np.random.default_rng([2027, seed])
    bench = draw(seed)
    stance = STANCES[seed % len(STANCES)]
    truths = {
        "capacity": bench.truth["capacity"],
        "energy": bench.truth["energy"],
        "energy per mass": bench.truth["Wh/kg"],
        "resistance": float(bench.truth["resistance"]),
        "mass": bench.cell.mass_g,
    }
    units = LEAST | MOST
    claims = [
        (about, units[about], claimed_by(rng, stance, truth, least=about in LEAST))
        for about, truth in truths.items()
    ]
    at = bench.at
    document = _document(
        claims,
        f"{{current: {at['current_a']:.6f} A, cut-off: 3 V, charge voltage: {at['held_v']:.6f} V, "
        f"termination current: {at['ended_a']:.6f} A, temperature: {at['room_c']:.4f} degC, "
        f"after: 10 s, state of charge: {100 * at['state_of_charge']:.3f} %}}",
    )
    document = document.model_copy(update={"kindest_conditions": None})
    found = analyse(replace(bench.tested, cell=document)).verdicts
    return _outcomes(stance, claims, truths, found)


# Conditions that were not met


def conditions(seed: int) -> list[Outcome]:
    """A seller's claim of capacity on full terms, before a bench that did not meet them."""
    rng = np.random.default_rng([2028, seed])
    stance = STANCES[seed % len(STANCES)]
    world = _World(rng)
    truth = world.given(0.2, 3.0 if rng.random() < 0.7 else 2.75, 0.06, 25.0)
    cut_off = world.last_cut_off
    claims = [("capacity", "Ah", claimed_by(rng, stance, truth, least=True))]
    terms = (
        f"{{rate: 0.2 C, cut-off: {cut_off} V, charge voltage: 4.2 V, termination current: 60 mA, "
        "temperature: 25 degC}"
    )
    verdicts = judge(evidence(_document(claims, terms)), world.figures())
    return _outcomes(stance, claims, {"capacity": truth}, verdicts)


class _World:
    """A cell and how it feels conditions: drawn between not at all and as strongly as cells do."""

    def __init__(self, rng) -> None:
        self.rng = rng
        self.ah = rng.uniform(2.6, 3.2)
        self.per_k = rng.uniform(0.0, 0.004)
        self.peukert = rng.uniform(1.0, 1.05)
        self.tail_s = rng.uniform(600.0, 3000.0)
        self.knee_v = rng.uniform(0.08, 0.4)
        self.under = rng.uniform(0.01, 0.10)
        self.last_cut_off = 3.0

    def given(self, rate: float, cut_off: float, ended_a: float, room_c: float) -> float:
        """What the cell gives under such conditions (Ah)."""
        self.last_cut_off = cut_off
        slow = (rate / 0.2) ** (1.0 - self.peukert)
        warm = 1.0 - self.per_k * (25.0 - room_c)
        left = self.tail_s / 3600.0 * (ended_a - 0.06)
        return self.ah * slow * warm * self._down_to(cut_off) - left

    def _down_to(self, cut_off: float) -> float:
        """Share given down to a cut-off: an exponential knee that steepens towards empty."""
        return 1.0 - self.under * (np.exp((cut_off - 3.0) / self.knee_v) - 1.0)

    def figures(self):
        """A night or two under conditions of the bench, with its errors."""
        rng = self.rng
        room, ended = rng.uniform(15.0, 30.0), rng.choice([0.06, 0.1, 0.15])
        if rng.random() < 0.2:
            room = rng.uniform(8.0, 36.0)
        rates = [rng.choice([0.1, 0.2, 0.2, 0.2, 0.204, 0.5])]
        if rng.random() < 0.5:
            rates.append(1.0)
        gain = rng.normal(0.0, 1.0)  # one meter is one gain
        found = []
        for step, rate in enumerate(rates, start=4):
            found += self._night(step, rate, ended, room, gain)
        share = rng.uniform(0.71, 1.1)
        left = max(self.tail_s / 3600.0 * (ended - 0.06), 0.0) * share
        if ended > 0.06:
            found.append(
                figure("not-put-in.one-exponential.2", left, "Ah", 0.001, 2, termination_a=0.06)
            )
        return found

    def _night(self, step: int, rate: float, ended: float, room: float, gain: float):
        u = 0.004 * self.ah
        seen = {
            round(v, 2): self.given(rate, v, ended, room) + gain * u for v in (3.0, 3.05, 3.1, 3.15)
        }
        at: dict = {"rate_c": rate, "current_a": 3.0 * rate, "termination_a": ended, "room_c": room}
        if self.rng.random() < 0.1:
            at |= {"room_c": None, "surface_start_c": None} if 18.0 <= room <= 28.0 else {}
        whole = discharge(seen[3.0], u, step, **at)
        return [whole, *yields(whole, seen)]


# The campaign


@dataclass
class Found:
    """What came of the claims of one stance in one world."""

    world: str
    stance: str
    words: Counter
    wrong: int

    @property
    def count(self) -> int:
        """How many claims."""
        return self.words.total()


def campaign(count: int, first: int = 0, worlds=("nights", "conditions")) -> list[Found]:
    """The sellers of ``count`` seeds in each world."""
    judged = {"nights": night, "conditions": conditions}
    found = []
    for world in worlds:
        outcomes = [one for seed in range(first, first + count) for one in judged[world](seed)]
        for stance in STANCES:
            mine = [one for one in outcomes if one.stance == stance]
            words = Counter(one.word for one in mine)
            found.append(Found(world, stance, words, sum(one.is_wrong for one in mine)))
    return found


def main() -> None:
    """Run the campaign and print a line a stance; exit 1 when more than 5 % are wrong anywhere."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    found = campaign(given.count, given.first)
    if given.json:
        print(
            json.dumps(
                [{**vars(f), "words": {w.value: n for w, n in f.words.items()}} for f in found]
            )
        )
    else:
        print(
            f"{'':24}{'claims':>7}"
            + "".join(f"{word.value[:14]:>16}" for word in VerdictWord)
            + "   wrong"
        )
        for one in found:
            shares = "".join(f"{one.words[word] / one.count:16.1%}" for word in VerdictWord)
            print(
                f"{one.world:11} {one.stance:12}{one.count:7}{shares}{one.wrong / one.count:8.2%}"
            )
    raise SystemExit(0 if all(one.wrong <= AT_MOST_WRONG * one.count for one in found) else 1)


if __name__ == "__main__":
    main()

"""Any mixture of troubles, drawn by seed: off is never called proven while current flows.

``NIGHTBENCH_FUZZ_RUNS`` draws more of them.
"""

import os
import random

from tests.drivers.off.scripted_bench import (
    CONTACTOR,
    LOAD,
    METER,
    SUPPLY,
    ScriptedBench,
    contactor,
    meter,
    source,
)

RUNS = int(os.environ.get("NIGHTBENCH_FUZZ_RUNS", "150"))


class Circuit:
    """A cell, what drives it, and perhaps a contactor between them; everybody tells the truth."""

    def __init__(self, chance: random.Random) -> None:
        self.supply = source(obeys=chance.random() < 0.7, lag=chance.choice((0.01, 0.2, 0.45)))
        self.load = source("load", obeys=chance.random() < 0.7, lag=chance.choice((0.01, 0.3)))
        self.load.is_on = chance.random() < 0.5
        self.contactor = contactor(obeys=chance.random() < 0.7) if chance.random() < 0.5 else None
        for one in (self.supply, self.load):
            one.answers["M?"] = lambda one=one: self._measured(one)

    @property
    def is_closed(self) -> bool:
        """Whether supply and load reach the cell."""
        return self.contactor is None or self.contactor.is_on

    @property
    def flows(self) -> bool:
        """Whether anything drives or draws current."""
        return self.is_closed and (self.supply.is_on or self.load.is_on)

    def _measured(self, one) -> str:
        flows = one.is_on and self.is_closed
        volts = 3.7 if self.is_closed or one.is_on else 0.0
        return f"{volts};{1.0 if flows else 0.0};{int(one.is_on)}"


def troubled(one, chance):
    """One instrument, with one trouble of its link or none."""
    trouble = chance.randrange(14)
    if trouble == 0:
        one.refuses = [OSError("busy") for _ in range(chance.randrange(1, 20))]
    elif trouble == 1:
        one.breaks_at = chance.randrange(1, 30)
    elif trouble == 2:
        one.opens_after = chance.choice((0.1, 0.45, 0.7, 5.0))
    elif trouble == 3:
        one.answers.pop("WHO")
    elif trouble == 4:
        one.answers["WHO"] = "I,somebody"
    elif trouble == 5:
        one.is_shared = True
    elif trouble == 6:
        one.lag = chance.choice((0.25, 0.39, 0.45, 0.9, 1.7))
    elif trouble == 7:
        falls_silent(one, chance)
    return one


def falls_silent(one, chance):
    """Its questions are answered some times, then some times not, and so on."""
    asked, answers, silences = [], chance.randrange(1, 6), chance.randrange(1, 20)
    for line in set(one.answers) & {"M?", "S?", "V?"}:
        answer = one.answers[line]

        def sometimes(answer=answer):
            asked.append(1)
            is_silent = len(asked) % (answers + silences) >= answers
            return None if is_silent else (answer() if callable(answer) else answer)

        one.answers[line] = sometimes


def test_off_is_never_proven_while_current_flows(monkeypatch):
    """Nor does anything raise or hang; whoever obeys and is reached is off."""
    proven = 0
    for seed in range(RUNS):
        chance = random.Random(seed)
        circuit = Circuit(chance)
        pairs = [(SUPPLY, circuit.supply), (LOAD, circuit.load), (METER, meter())]
        pairs += [(CONTACTOR, circuit.contactor)] if circuit.contactor else []
        scripted = ScriptedBench(
            monkeypatch, *[(one, troubled(it, chance)) for one, it in pairs], seed=seed
        )
        if chance.random() < 0.3:
            scripted.threads.standstills[chance.randrange(1, 60)] = chance.choice((0.3, 2.0, 60.0))
        proof = scripted.make_safe() if chance.random() < 0.8 else scripted.prove_off()
        assert not (proof.is_off and circuit.flows), (seed, proof)
        assert not circuit.flows or proof.honest_a > 0.5, (seed, proof)
        assert len(proof.evidence) >= len(pairs)
        proven += proof.is_off
        assert scripted.threads.left() == 0, seed
        scripted.threads.close()
    assert 0.1 * RUNS < proven < 0.9 * RUNS  # both are drawn

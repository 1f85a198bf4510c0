"""Making safe on a computer that is busy: off is said however late, no word against off is lost."""

import time
from itertools import count
from types import SimpleNamespace

import pytest

from drivers.off import carrying_out, raw_links
from drivers.off.carrying_out import make_safe
from drivers.off.plan import plan_safing
from sequencer.vocabulary.verdict import Level
from tests.drivers.instruments.scripted import DEFINITIONS, ScriptedBench

LEAP_S = 60.0


@pytest.fixture
def bench():
    """Five instruments, the supply charging with 1 A."""
    with ScriptedBench() as scripted:
        circuit = scripted.circuit
        circuit.supply_on, circuit.supply_set = True, [4.2, 1.0]
        yield scripted


def leap_at(monkeypatch, nth):
    """Clocks of both modules that leap once by a minute, when they are read the ``nth`` time: what
    a process sees that was stopped there. Answers how often they were read."""
    reads = count(1)
    seen = [0]

    def monotonic():
        seen[0] = next(reads)
        return time.monotonic() + (LEAP_S if seen[0] >= nth else 0.0)

    clock = SimpleNamespace(monotonic=monotonic, sleep=time.sleep)
    monkeypatch.setattr(carrying_out, "time", clock)
    monkeypatch.setattr(raw_links, "time", clock)
    return lambda: seen[0]


@pytest.mark.parametrize("without", [(), ("breaker",)])
def test_a_process_that_was_stopped_says_off_and_proves_it(without):
    """Wherever in making safe it stood still for longer than all of it may take."""
    for nth in count(1):
        with ScriptedBench() as bench, pytest.MonkeyPatch.context() as monkeypatch:
            circuit = bench.circuit
            circuit.supply_on, circuit.supply_set = True, [4.2, 1.0]
            plan = plan_safing(bench.document(*without), DEFINITIONS)
            reads = leap_at(monkeypatch, nth)
            proof = make_safe(plan, pause=lambda _: None)
            assert (nth, proof.is_off, proof.contradicted) == (nth, True, False), proof.evidence
            assert not any((circuit.supply_on, circuit.load_on))
        if reads() < nth:
            break
    assert nth > 20


def test_silence_takes_no_word_against_off_back(bench, monkeypatch):
    """The supply ignores off, says so once and is silent then; the contact lies. What it said last
    stands: a contact that is said to be open does not outweigh it."""
    monkeypatch.setattr(carrying_out, "REPLY_S", 1.5)
    monkeypatch.setattr(carrying_out, "TOTAL_S", 2.0)
    supply, answers = bench["psu"], []

    def once(line, reply):
        if line.startswith("MEAS"):
            answers.append(reply)
            supply.mute = True
        return reply

    supply.ignore.add("OUTP")
    supply.garble = once
    bench["breaker"].ignore.add("OPEN")
    bench.feedback_lies = True
    proof = make_safe(plan_safing(bench.document(), DEFINITIONS))
    assert answers == ["3.750;1.000;1"]
    assert (proof.contradicted, proof.is_off) == (True, False)
    assert proof.evidence[:2] == (
        "psu reads 1.000 A (resolves 20.5 mA, current flows), output on (does not count)",
        "psu: does not answer",
    )


def test_a_round_that_the_end_cuts_off_leaves_the_word_before_it(bench, monkeypatch):
    """The contactor says that it is closed to the very end, so there are many rounds, and the last
    one is never through: what the supply said before it still counts."""
    monkeypatch.setattr(carrying_out, "REPLY_S", 0.3)
    monkeypatch.setattr(carrying_out, "OPEN_S", 0.3)
    monkeypatch.setattr(carrying_out, "TOTAL_S", 0.6)
    breaker, supply = bench["breaker"], bench["psu"]
    breaker.ignore.add("OPEN")
    asked = []

    def slow_from_the_third_on(line, reply):
        if line == "*IDN?":
            asked.append(line)
            supply.mute = len(asked) == 3
        return reply

    supply.garble = slow_from_the_third_on
    real_hear = carrying_out._hear

    def until_the_end(link, one, ends):
        said = real_hear(link, one, ends)
        while not said.counts and time.monotonic() < ends:  # silent until the time is up
            time.sleep(0.01)
        return said

    monkeypatch.setattr(carrying_out, "_hear", until_the_end)
    proof = make_safe(plan_safing(bench.document(), DEFINITIONS), pause=lambda _: None)
    assert (proof.level, proof.is_off) == (Level.B, True)
    assert len(asked) == 3


def test_a_pause_that_an_instrument_needs_does_not_keep_off_from_it(bench):
    """With a gap of 0.15 s between lines saying off takes longer than one answer may."""
    plan = plan_safing(bench.document(), DEFINITIONS)
    slow = tuple(one._replace(gap_s=0.15) for one in plan.instruments)
    proof = make_safe(plan._replace(instruments=slow))
    assert bench["psu"].lines[:4] == ["", "OUTP OFF", "*CLS", "OUTP OFF"]
    assert (proof.level, proof.is_off) == (Level.A, True)

"""Making safe on a computer that is busy: off is said however late, no word against off is lost."""

import time
from functools import partial
from itertools import count
from types import SimpleNamespace

import pytest

from drivers.off import carrying_out, raw_links
from drivers.off.plan import plan_safing
from sequencer.vocabulary.verdict import Level
from tests.drivers.instruments.scripted import DEFINITIONS, ScriptedBench

LEAP_S = 60.0
make_safe = partial(carrying_out.make_safe, pause=lambda _: None)
"""These instruments need no time to settle: no pause is waited for, and it counts all the same."""


@pytest.fixture
def bench():
    """Five instruments, the supply charging with 1 A."""
    with ScriptedBench() as scripted:
        circuit = scripted.circuit
        circuit.supply_on, circuit.supply_set = True, [4.2, 1.0]
        yield scripted


def plan_of(bench, *without, answer_s=0.4):
    """The bench's safing plan; this run has seen the contact part and join."""
    plan = plan_safing(bench.document(*without), DEFINITIONS)
    timed = tuple(one._replace(answer_s=answer_s) for one in plan.instruments)
    return plan._replace(instruments=timed, contact_seen=True)


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
    """Wherever in making safe it stood still for longer than all of it may take. Every third look
    at the clock: five instruments look at it by the same lines, and every look of the carrying-out
    is met in virtual time (``test_bounds``)."""
    for nth in count(1, 3):
        with ScriptedBench() as bench, pytest.MonkeyPatch.context() as monkeypatch:
            circuit = bench.circuit
            circuit.supply_on, circuit.supply_set = True, [4.2, 1.0]
            plan = plan_of(bench, *without)
            reads = leap_at(monkeypatch, nth)
            proof = make_safe(plan)
            assert (nth, proof.is_off, proof.contradicted) == (nth, True, False), proof.evidence
            assert not any((circuit.supply_on, circuit.load_on))
        if reads() < nth:
            break
    assert nth > 20


def test_silence_takes_no_word_against_off_back(bench):
    """The supply ignores off, says so once and is silent then; the contact lies. What it said last
    stands: a contact that is said to be open does not outweigh it."""
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
    proof = make_safe(plan_of(bench))
    assert answers == ["3.750;1.000;1"]
    assert (proof.contradicted, proof.is_off) == (True, False)
    assert proof.evidence[:2] == (
        (
            "psu reads 1.000 A (current flows: it may show 21 mA without any), output on"
            " (does not count)"
        ),
        "psu: does not answer",
    )


def test_a_round_that_the_end_would_cut_off_is_not_begun(bench):
    """The contactor says that it is closed to the very end, so that there are many rounds, and the
    supply answers only just in time: off is proven by the last two, and everybody answers in it."""
    bench["breaker"].ignore.add("OPEN")
    supply = bench["psu"]
    asked = []

    def slow(line, reply):
        if line == "*IDN?":
            asked.append(line)
            time.sleep(0.05 * len(asked))  # the instrument's own time, not the test's
        return reply

    supply.garble = slow
    proof = make_safe(plan_of(bench, answer_s=1.0))
    assert (proof.level, proof.is_off) == (Level.B, True)
    assert len(asked) > 3


def test_a_pause_that_an_instrument_needs_does_not_keep_off_from_it(bench):
    """With a gap of 0.15 s between lines saying off takes longer than one answer may."""
    plan = plan_of(bench)
    slow = tuple(one._replace(gap_s=0.15) for one in plan.instruments)
    proof = carrying_out.make_safe(plan._replace(instruments=slow))
    assert bench["psu"].lines[:4] == ["", "OUTP OFF", "*CLS", "OUTP OFF"]
    assert (proof.level, proof.is_off) == (Level.A, True)

"""Making safe over links that break or lead to others, and without threads, line by line."""

import pytest

from drivers.off import raw_links
from drivers.off.carrying_out import get_ready
from sequencer.documents.safing import AnswerPart, Ask, Identify, Safed, SafingLink, SafingPlan
from sequencer.vocabulary.verdict import Level, Proof
from tests.drivers.off.scripted_bench import (
    CONTACTOR,
    LOAD,
    METER,
    SUPPLY,
    contactor,
    idle,
    meter,
    mute,
    output,
    source,
)
from tests.drivers.off.virtual_threads import Scripted

HELD = "its line is held by another process"


def test_a_stranger_is_told_off_and_not_believed_however_often(scripted):
    """Its word for on counts all the same: it is told again and again."""
    stranger = source(obeys=False, amps=0.0)
    stranger.answers["WHO"] = "I,somebody"
    one = scripted((SUPPLY, stranger), (CONTACTOR, contactor()), (LOAD, idle()), (METER, meter()))
    proof = one.make_safe()
    assert proof.level is Level.A
    assert proof.evidence[:2] == (
        "supply reads 3.700 V, reads 0.000 A (at most 20 mA), output on (does not count)",
        "supply: is not who it should be: 'I,somebody'",
    )
    assert one.said("supply").count("OFF") > 4


@pytest.mark.parametrize(
    ("serial", "level"), [(None, Level.B), ("S1", Level.B), ("S2", Level.NONE)]
)
def test_the_serial_number_must_be_the_one_of_the_plan(scripted, serial, level):
    """Where the plan has one."""
    who = Identify("WHO", "I,supply,(?P<serial>.+)", serial)
    named = source()
    named.answers["WHO"] = "I,supply,S1"
    one = scripted((SUPPLY._replace(identify=who), named), (METER, meter()))
    assert one.make_safe().level is level


def test_a_serial_number_that_the_pattern_cannot_say_is_nobody(scripted):
    """The plan wants S1 and the answer has no place for it."""
    who = Identify("WHO", "I,supply", "S1")
    one = scripted((SUPPLY._replace(identify=who), source()), (METER, meter()))
    assert one.make_safe().level is Level.NONE


def test_what_came_before_the_known_answer_is_no_answer(scripted):
    """Off provoked two lines: they are read away, and the questions begin behind them."""
    noisy = source()
    noisy.answers["WHO"] = lambda: ["0.000", "3.7;1;1", "I,supply"]
    one = scripted((SUPPLY, noisy), (METER, meter()))
    assert (one.make_safe().level, one.said("supply").count("WHO")) == (Level.B, 2)


def test_after_an_answer_that_does_not_fit_nothing_of_that_round_counts(scripted):
    """Neither what fitted before; two questions, the second one answered with something else."""
    voltage = Ask("V?", "(?P<v>[0-9.]+)", (AnswerPart("voltage", "v"),))
    wrong = source()
    wrong.answers["V?"] = "busy"
    one = scripted((SUPPLY._replace(asks=(*SUPPLY.asks, voltage)), wrong), (METER, meter()))
    proof = one.make_safe()
    assert proof.level is Level.NONE
    assert proof.evidence[:2] == (
        "supply reads 3.700 V, reads 0.000 A (at most 20 mA), output off (does not count)",
        "supply: asked V?: answer 'busy' does not fit",
    )


def test_who_holds_the_line_is_not_alone(scripted):
    """Two owners swap replies: what is read does not count, with a known answer or without."""
    for one_safed in (SUPPLY, SUPPLY._replace(identify=None)):
        shared = source()
        shared.is_shared = True
        one = scripted((one_safed, shared), (METER, meter()))
        proof = one.make_safe()
        assert proof.level is Level.NONE
        assert any(line.endswith(f": {HELD}") for line in proof.evidence)


def test_without_a_known_answer_the_line_is_read_until_it_is_quiet(scripted):
    """What off provoked is no answer; 50 ms of quiet, then the question."""
    noisy = source()
    goes_off = noisy.answers["OFF"]
    noisy.answers["OFF"] = lambda: (goes_off(), "OK")[1]
    one = scripted((SUPPLY._replace(identify=None), noisy), (METER, meter()))
    assert one.make_safe().level is Level.B
    assert one.said("supply") == ["open b'\\n'", "", "OFF", "OFF", "M?", "M?"]
    assert one.lines("supply")[-2:] == [(0.25, "M?\n"), (0.51, "M?\n")]
    assert one.threads.passed == 0.52


def test_where_answers_end_by_silence_the_line_is_read_until_it_is_quiet(scripted):
    """50 ms of quiet, then the question: without an end, two answers would be read as one."""
    silent = SUPPLY._replace(reply_end="")
    one = scripted((silent, source()), (METER, meter()))
    assert one.make_safe().level is Level.B
    assert one.lines("supply")[3:5] == [(0.0, "OFF\n"), (0.25, "WHO\n")]


def test_without_a_known_answer_a_poisoned_link_is_opened_anew(scripted):
    """There is nothing to part late answers from new ones with, so the link goes."""
    late = source()
    late.answers["M?"] = ["busy", "3.7;0;0"]
    one = scripted((SUPPLY._replace(identify=None), late), (METER, meter()))
    proof = one.make_safe()
    assert (proof.level, proof.is_off) == (Level.B, True)
    assert one.said("supply")[:14] == [
        *("open b'\\n'", "", "OFF", "OFF", "M?", "", "OFF", "OFF", "close"),
        *("open b'\\n'", "", "OFF", "OFF", "M?"),
    ]


def test_a_poisoned_link_that_cannot_be_opened_anew_says_why_it_was(scripted):
    """Its last trouble is its evidence, and the others do not wait for it."""
    nameless = SUPPLY._replace(identify=None)
    one = scripted(
        (nameless, mute(source())), (CONTACTOR, contactor()), (LOAD, idle()), (METER, meter())
    )
    proof = one.make_safe()
    assert proof.level is Level.A
    assert proof.evidence[0] == "supply: supply:1: asked M?: no answer in time"


def test_nobody_at_all_on_threads(scripted):
    """No thread to be had: everybody is told off before anybody is asked, one after the other."""
    one = scripted((SUPPLY, source()), (CONTACTOR, contactor()), (METER, meter()))
    one.threads.threads_to_be_had = 0
    proof = one.make_safe(off_sent=lambda: one.threads.note("caller", "off sent"))
    assert (proof.level, proof.is_off) == (Level.A, True)
    rounds = [
        *("supply", "WHO\n", "supply", "M?\n", "contactor", "WHO\n", "contactor", "S?\n"),
        *("meter", "WHO\n", "meter", "V?\n"),
    ]
    assert [word for _, *line in one.threads.trace for word in line] == [
        *("supply", "open b'\\n'", "supply", "\n", "supply", "OFF\n", "supply", "OFF\n"),
        *("contactor", "open b'\\n'", "contactor", "\n", "contactor", "OPEN\n"),
        *("contactor", "OPEN\n", "meter", "open b'\\n'", "caller", "off sent"),
        *rounds,
        *rounds,
        *("supply", "close", "contactor", "close", "meter", "close"),
    ]
    assert one.threads.passed == 0.52


def test_without_threads_who_ignores_off_is_told_again(scripted):
    """As with threads: twice after every word that denies it."""
    one = scripted((SUPPLY, source(obeys=False)), (METER, meter()))
    one.threads.threads_to_be_had = 0
    proof = one.make_safe()
    assert (proof.level, proof.contradicted) == (Level.NONE, True)
    asked = one.said("supply").count("M?")
    assert asked > 5
    assert one.said("supply").count("OFF") == 2 + 2 * asked


@pytest.mark.parametrize("nth", [1, 2, 3, 4])
def test_without_threads_a_link_that_breaks_is_a_line_of_evidence(scripted, nth):
    """Making safe never raises; the others are asked all the same."""
    broken = source()
    broken.breaks_at = nth
    one = scripted((SUPPLY, broken), (CONTACTOR, contactor()), (LOAD, idle()), (METER, meter()))
    one.threads.threads_to_be_had = 0
    proof = one.make_safe()
    assert (proof.level, proof.contradicted) == (Level.A, False)
    assert "supply: supply:1: broken" in proof.evidence
    assert one.said("meter").count("V?") == 2
    assert broken.reads == nth
    assert one.said("supply").count("close") == 1


def test_without_threads_who_cannot_be_opened_keeps_nobody_from_being_told_and_asked(scripted):
    """Its half second passes, then the next one is told."""
    refuses = source("load")
    refuses.refuses = [OSError("busy") for _ in range(1000)]
    one = scripted((LOAD, refuses), (SUPPLY, source()), (CONTACTOR, contactor()), (METER, meter()))
    one.threads.threads_to_be_had = 0
    proof = one.make_safe()
    assert (proof.level, proof.evidence[0]) == (Level.A, "load: load:1: busy")
    assert not one.instruments[1].is_on
    assert one.lines("supply")[0][0] <= 0.5


@pytest.mark.parametrize("threads", [1, 2])
def test_where_threads_run_out_everybody_is_told_off_all_the_same(scripted, threads):
    """Whoever has a thread does not wait for those who come after."""
    one = scripted(
        (SUPPLY, source()), (LOAD, source("load")), (CONTACTOR, contactor()), (METER, meter())
    )
    one.threads.threads_to_be_had = threads
    assert one.make_safe().level is Level.A
    assert [each.is_on for each in one.instruments[:3]] == [False] * 3
    assert one.threads.left() == 0


def test_a_link_that_breaks_at_closing_changes_nothing(scripted):
    """What was said was said."""
    broken = source()
    broken.breaks_at_closing = True
    one = scripted((SUPPLY, broken), (METER, meter()))
    assert one.make_safe().level is Level.B
    assert one.threads.left() == 0
    assert one.said("supply").count("open b'\\n'") == 1


def test_nobody_to_ask(scripted):
    """An empty plan is over once off would have settled."""
    one = scripted()
    assert one.make_safe() == Proof(Level.NONE, (), float("inf"))
    assert one.threads.passed == 0.2


def test_a_library_is_loaded_beforehand_only_where_a_link_needs_it(monkeypatch):
    """One VISA link among raw ones is enough."""
    loaded = []
    monkeypatch.setattr(raw_links, "load_visa", lambda: loaded.append("visa"))
    raw = Safed("a", ("charge",), SafingLink("tcp", "192.0.2.1", 1))
    visa = raw._replace(name="b", link=SafingLink("visa", resource="USB0::1::2::S::INSTR"))
    get_ready(SafingPlan("raw", (raw,)))
    assert loaded == []
    get_ready(SafingPlan("mixed", (raw, visa)))
    assert loaded == ["visa"]


def test_every_instrument_for_itself(scripted):
    """Two supplies of one kind: the answer of one is not the other's."""
    second = output("second")
    one = scripted(
        (SUPPLY, source()), (second, Scripted("second", {"WHO": "I,supply", "M?": "3.7;0;0"}))
    )
    assert "second: is not who it should be: 'I,supply'" in one.make_safe().evidence


def test_whoever_is_told_that_off_was_sent_may_break(scripted):
    """Making safe and its proof go on."""

    def breaks():
        raise OSError("no space left on device")

    one = scripted((SUPPLY, source()), (METER, meter()))
    assert one.make_safe(off_sent=breaks).level is Level.B

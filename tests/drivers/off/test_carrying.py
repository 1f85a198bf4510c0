"""What making safe says to whom, line by line: a stage in virtual time, links that answer so."""

import pytest

from drivers.off import carrying_out
from drivers.off.carrying_out import get_ready
from sequencer.documents.safing import Ask, Identify, Link, Part, Safed, SafingPlan
from sequencer.vocabulary.verdict import Level, Proof
from tests.drivers.off.cast import (
    CONTACTOR,
    LOAD,
    METER,
    SUPPLY,
    contactor,
    meter,
    mute,
    output,
    source,
)
from tests.drivers.off.stage import Scripted

HELD = "its line is held by another process"


def test_the_whole_of_an_ordinary_making_safe(play):
    """Everybody is told off before anybody is asked; one round of questions, and it is over."""
    one = play((SUPPLY, source()), (CONTACTOR, contactor()), (METER, meter()))
    assert one.make_safe() == Proof(
        Level.A,
        (
            "supply reads 3.700 V, reads 0.000 A (resolves 20 mA), output off",
            "contactor feedback open",
            "meter reads 3.700 V",
        ),
        0.02,
        False,
    )
    assert one.stage.passed == 0.02
    assert one.stage.left() == 0
    assert one.stage.trace == [
        (0.0, "supply", "open b'\\n'"),
        (0.0, "supply", "\n"),
        (0.0, "supply", "OFF\n"),
        (0.0, "supply", "OFF\n"),
        (0.0, "contactor", "open b'\\n'"),
        (0.0, "contactor", "\n"),
        (0.0, "contactor", "OPEN\n"),
        (0.0, "contactor", "OPEN\n"),
        (0.0, "meter", "open b'\\n'"),
        (0.0, "meter", "WHO\n"),
        (0.0, "supply", "WHO\n"),
        (0.0, "contactor", "WHO\n"),
        (0.01, "meter", "V?\n"),
        (0.01, "supply", "M?\n"),
        (0.01, "contactor", "S?\n"),
        (0.02, "supply", "close"),
        (0.02, "contactor", "close"),
        (0.02, "meter", "close"),
    ]


def test_proving_says_nothing_but_questions(play):
    """The same rounds without a command; a closed contact beside an output that is off is fine."""
    off = source()
    off.is_on = False
    one = play((SUPPLY, off), (CONTACTOR, contactor()), (METER, meter()))
    proof = one.prove_off()
    assert (proof.level, proof.contradicted, one.stage.passed) == (Level.B, False, 0.02)
    assert one.said("supply") == ["open b'\\n'", "WHO", "M?"]
    assert one.said("contactor") == ["open b'\\n'", "WHO", "S?"]
    assert one.stage.left() == 0


def test_proving_goes_on_as_long_as_something_is_on_and_still_commands_nothing(play):
    """Until its time is up: the load is on, only nothing flows."""
    one = play((SUPPLY, source(amps=0.0)), (CONTACTOR, contactor(obeys=False)))
    one.players[1].answers["S?"] = "0"
    proof = one.prove_off()
    assert (proof.level, proof.contradicted) == (Level.A, False)
    assert one.said("supply").count("WHO") == 22
    assert "OFF" not in one.said("supply")
    assert "" not in one.said("supply")


def test_who_opens_late_is_waited_for_before_anybody_is_asked(play):
    """A current that is read while another still drives says nothing."""
    slow = source("load")
    slow.opens_after = 0.2
    one = play((SUPPLY, source()), (LOAD, slow))
    assert one.make_safe().level is Level.B
    assert one.lines("supply")[3:5] == [(0.0, "OFF\n"), (0.2, "WHO\n")]
    assert one.lines("load")[:2] == [(0.0, "open b'\\n'"), (0.2, "\n")]


def test_the_order_of_words_pauses_and_line_ends_of_the_plan(play):
    """What opens the session goes between the two offs; each line is followed by its pause."""
    slow = SUPPLY._replace(line_end="\r\n", reply_end="\r", opens=("REMOTE",), gap_s=0.1)
    one = play((slow, source()), (METER, meter()))
    assert one.make_safe().level is Level.B
    assert one.lines("supply") == [
        (0.0, "open b'\\r'"),
        (0.0, "\r\n"),
        (0.1, "OFF\r\n"),
        (0.2, "REMOTE\r\n"),
        (0.3, "OFF\r\n"),
        (0.4, "WHO\r\n"),
        (0.41, "M?\r\n"),
    ]
    assert one.stage.passed == 0.51


def test_an_output_that_ignores_off_is_told_again_after_every_answer(play):
    """Twice at first, twice after each of its 22 words: contradicted to the end."""
    one = play((SUPPLY, source(obeys=False)), (METER, meter()))
    proof = one.make_safe()
    assert (proof.level, proof.contradicted) == (Level.NONE, True)
    assert one.stage.left() == 0
    assert one.said("supply").count("OFF") == 46
    assert one.said("supply").count("M?") == 22
    assert one.said("meter").count("V?") == 22
    assert one.said("supply").count("open b'\\n'") == 1
    assert one.stage.passed == 1.49


def test_an_output_that_obeys_the_second_time_is_proven_off_then(play):
    """No word is wasted on it afterwards."""
    late = source()
    asked = []
    late.answers["M?"] = lambda: asked.append(1) or ("3.7;0;0" if len(asked) > 1 else "3.7;1;1")
    one = play((SUPPLY, late), (METER, meter()))
    assert one.make_safe().is_off
    assert one.said("supply").count("OFF") == 4
    assert one.lines("supply")[-2:] == [(0.07, "WHO\n"), (0.08, "M?\n")]


def test_a_contactor_that_stays_closed_is_told_to_the_end(play):
    """Off is proven without it, and all the same it says that it did not obey."""
    one = play((SUPPLY, source()), (METER, meter()), (CONTACTOR, contactor(obeys=False)))
    proof = one.make_safe()
    assert (proof.level, proof.is_off) == (Level.B, True)
    assert one.said("contactor").count("OPEN") == 46
    assert one.said("supply").count("OFF") == 2


def test_a_contactor_that_cannot_be_asked_is_not_waited_for(play):
    """It was told twice; without a question there is no answer to wait for."""
    one = play((SUPPLY, source()), (METER, meter()), (CONTACTOR._replace(asks=()), contactor()))
    assert one.make_safe().level is Level.B
    assert one.said("contactor").count("OPEN") == 2
    assert one.stage.passed == 0.02


def test_an_output_that_cannot_be_asked_is_told_to_the_end(play):
    """The contactor proves off, and nobody knows what the output does behind it."""
    one = play((SUPPLY._replace(asks=()), source()), (CONTACTOR, contactor()))
    assert one.make_safe().level is Level.A
    assert one.said("supply").count("OFF") > 40
    assert one.said("contactor").count("OPEN") == 2


def test_a_silent_one_is_not_asked_again_where_an_open_contact_proves_off(play):
    """One answer's time is waited; off is said again, and that is all."""
    one = play((SUPPLY, mute(source())), (CONTACTOR, contactor()))
    proof = one.make_safe()
    assert (proof.level, proof.evidence[0]) == (Level.A, "supply: does not answer")
    assert one.stage.passed == 0.4
    assert one.stage.left() == 0
    assert one.said("supply") == ["open b'\\n'", "", "OFF", "OFF", "WHO", "", "OFF", "OFF", "close"]


def test_a_silent_one_that_nothing_parts_is_asked_until_the_time_is_up(play):
    """Every answer has its time, the last one what is left."""
    one = play((SUPPLY, mute(source())), (METER, meter()))
    assert one.make_safe().level is Level.NONE
    assert one.links.of("supply", "line") == [0.4, 0.85, 1.3, 1.5]
    assert one.links.of("supply", "WHO\n") == [0.4, 0.85, 1.3, 1.5]
    assert one.stage.passed == 1.5


def test_a_stranger_is_told_off_and_not_believed_however_often(play):
    """Its word for on counts all the same: it is told again and again."""
    stranger = source(obeys=False, amps=0.0)
    stranger.answers["WHO"] = "I,somebody"
    one = play((SUPPLY, stranger), (CONTACTOR, contactor()))
    proof = one.make_safe()
    assert proof.level is Level.A
    assert proof.evidence[:2] == (
        "supply reads 3.700 V, reads 0.000 A (resolves 20 mA), output on (does not count)",
        "supply: is not who it should be: 'I,somebody'",
    )
    assert one.said("supply").count("OFF") > 4


@pytest.mark.parametrize(
    ("serial", "level"), [(None, Level.B), ("S1", Level.B), ("S2", Level.NONE)]
)
def test_the_serial_number_must_be_the_one_of_the_plan(play, serial, level):
    """Where the plan has one."""
    who = Identify("WHO", "I,supply,(?P<serial>.+)", serial)
    named = source()
    named.answers["WHO"] = "I,supply,S1"
    one = play((SUPPLY._replace(identify=who), named), (METER, meter()))
    assert one.make_safe().level is level


def test_a_serial_number_that_the_pattern_cannot_say_is_nobody(play):
    """The plan wants S1 and the answer has no place for it."""
    who = Identify("WHO", "I,supply", "S1")
    one = play((SUPPLY._replace(identify=who), source()), (METER, meter()))
    assert one.make_safe().level is Level.NONE


def test_what_came_before_the_known_answer_is_no_answer(play):
    """Off provoked two lines: they are read away, and the questions begin behind them."""
    noisy = source()
    noisy.answers["WHO"] = lambda: ["0.000", "3.7;1;1", "I,supply"]
    one = play((SUPPLY, noisy), (METER, meter()))
    assert (one.make_safe().level, one.said("supply").count("WHO")) == (Level.B, 1)


def test_after_an_answer_that_does_not_fit_nothing_of_that_round_counts(play):
    """Neither what fitted before; two questions, the second one answered with something else."""
    voltage = Ask("V?", "(?P<v>[0-9.]+)", (Part("voltage", "v"),))
    wrong = source()
    wrong.answers["V?"] = "busy"
    one = play((SUPPLY._replace(asks=(*SUPPLY.asks, voltage)), wrong), (METER, meter()))
    proof = one.make_safe()
    assert proof.level is Level.NONE
    assert proof.evidence[:2] == (
        "supply reads 3.700 V, reads 0.000 A (resolves 20 mA), output off (does not count)",
        "supply: asked V?: answer 'busy' does not fit",
    )


def test_who_holds_the_line_is_not_alone(play):
    """Two owners swap replies: what is read does not count, with a known answer or without."""
    for one_safed in (SUPPLY, SUPPLY._replace(identify=None)):
        shared = source()
        shared.is_shared = True
        one = play((one_safed, shared), (METER, meter()))
        proof = one.make_safe()
        assert proof.level is Level.NONE
        assert any(line.endswith(f": {HELD}") for line in proof.evidence)


def test_without_a_known_answer_the_line_is_read_until_it_is_quiet(play):
    """What off provoked is no answer; 50 ms of quiet, then the question."""
    noisy = source()
    goes_off = noisy.answers["OFF"]
    noisy.answers["OFF"] = lambda: (goes_off(), "OK")[1]
    one = play((SUPPLY._replace(identify=None), noisy), (METER, meter()))
    assert one.make_safe().level is Level.B
    assert one.said("supply") == ["open b'\\n'", "", "OFF", "OFF", "M?"]
    assert one.lines("supply")[-1] == (0.06, "M?\n")
    assert one.stage.passed == 0.07


def test_without_a_known_answer_a_poisoned_link_is_opened_anew(play):
    """There is nothing to part late answers from new ones with, so the link goes."""
    late = source()
    late.answers["M?"] = ["busy", "3.7;0;0"]
    one = play((SUPPLY._replace(identify=None), late), (METER, meter()))
    proof = one.make_safe()
    assert (proof.level, proof.is_off) == (Level.B, True)
    assert one.said("supply")[:14] == [
        *("open b'\\n'", "", "OFF", "OFF", "M?", "", "OFF", "OFF", "close"),
        *("open b'\\n'", "", "OFF", "OFF", "M?"),
    ]


def test_a_poisoned_link_that_cannot_be_opened_anew_says_why_it_was(play):
    """Its last trouble is its evidence, and the others do not wait for it."""
    one = play((SUPPLY._replace(identify=None), mute(source())), (CONTACTOR, contactor()))
    proof = one.make_safe()
    assert proof.level is Level.A
    assert proof.evidence[0] == "supply: supply:1: asked M?: no answer in time"


def test_nobody_at_all_on_threads(play):
    """No thread to be had: each is told and asked in turn, once, without waiting for the others."""
    one = play((SUPPLY, source()), (CONTACTOR, contactor()), (METER, meter()))
    one.stage.threads_to_be_had = 0
    assert one.make_safe().level is Level.A
    assert one.stage.passed == 0.06
    assert one.lines("contactor")[0] == (0.02, "open b'\\n'")
    assert one.said("supply") == ["open b'\\n'", "", "OFF", "OFF", "WHO", "M?", "close"]


@pytest.mark.parametrize("threads", [1, 2])
def test_where_threads_run_out_everybody_is_told_off_all_the_same(play, threads):
    """Whoever has a thread does not wait for those who come after."""
    one = play((SUPPLY, source()), (LOAD, source("load")), (CONTACTOR, contactor()))
    one.stage.threads_to_be_had = threads
    assert one.make_safe().level is Level.A
    assert [player.is_on for player in one.players] == [False] * 3
    assert one.stage.left() == 0


def test_a_link_that_breaks_at_closing_changes_nothing(play):
    """What was said was said."""
    broken = source()
    broken.breaks_at_closing = True
    one = play((SUPPLY, broken), (METER, meter()))
    assert one.make_safe().level is Level.B
    assert one.stage.left() == 0
    assert one.said("supply").count("open b'\\n'") == 1


def test_nobody_to_ask(play):
    """An empty plan is over at once."""
    one = play()
    assert one.make_safe() == Proof(Level.NONE, (), float("inf"), False)
    assert one.stage.passed == 0.0


def test_a_library_is_loaded_beforehand_only_where_a_link_needs_it(monkeypatch):
    """One VISA link among raw ones is enough."""
    loaded = []
    monkeypatch.setattr(carrying_out, "load_visa", lambda: loaded.append("visa"))
    raw = Safed("a", ("charge",), Link("tcp", "192.0.2.1", 1))
    visa = raw._replace(name="b", link=Link("visa", resource="USB0::1::2::S::INSTR"))
    get_ready(SafingPlan("raw", (raw,)))
    assert loaded == []
    get_ready(SafingPlan("mixed", (raw, visa)))
    assert loaded == ["visa"]


def test_every_instrument_for_itself(play):
    """Two supplies of one kind: the answer of one is not the other's."""
    second = output("second")
    one = play(
        (SUPPLY, source()), (second, Scripted("second", {"WHO": "I,supply", "M?": "3.7;0;0"}))
    )
    assert "second: is not who it should be: 'I,supply'" in one.make_safe().evidence

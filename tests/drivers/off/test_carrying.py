"""What making safe says to whom, line by line: threads in virtual time, scripted links."""

import pytest

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
    source,
)

HELD = "its line is held by another process"


def test_the_whole_of_an_ordinary_making_safe(scripted):
    """Everybody is told off before anybody is asked; it settles, two rounds of questions at least
    200 ms apart agree, and it is over."""
    one = scripted((SUPPLY, source()), (CONTACTOR, contactor()), (METER, meter()))
    assert one.make_safe(off_sent=lambda: one.threads.note("caller", "off sent")) == Proof(
        Level.A,
        (
            "supply reads 0.000 V, reads 0.000 A (at most 20 mA), output off",
            "contactor feedback open",
            "meter reads 3.700 V",
        ),
        honest_a=0.0,
        lying_a=0.0,
    )
    assert one.threads.passed == 0.44
    assert one.threads.left() == 0
    assert one.threads.trace == [
        (0.0, "supply", "open b'\\n'"),
        (0.0, "supply", "\n"),
        (0.0, "supply", "OFF\n"),
        (0.0, "supply", "OFF\n"),
        (0.0, "contactor", "open b'\\n'"),
        (0.0, "contactor", "\n"),
        (0.0, "contactor", "OPEN\n"),
        (0.0, "contactor", "OPEN\n"),
        (0.0, "meter", "open b'\\n'"),
        (0.0, "caller", "off sent"),
        (0.2, "meter", "WHO\n"),
        (0.2, "supply", "WHO\n"),
        (0.2, "contactor", "WHO\n"),
        (0.21, "meter", "V?\n"),
        (0.21, "supply", "M?\n"),
        (0.21, "contactor", "S?\n"),
        (0.42, "contactor", "WHO\n"),
        (0.42, "meter", "WHO\n"),
        (0.42, "supply", "WHO\n"),
        (0.43, "contactor", "S?\n"),
        (0.43, "meter", "V?\n"),
        (0.43, "supply", "M?\n"),
        (0.44, "meter", "close"),
        (0.44, "supply", "close"),
        (0.44, "contactor", "close"),
    ]


def test_proving_says_nothing_but_questions(scripted):
    """The same rounds without a command, and without waiting for off to settle."""
    off = source()
    off.is_on = False
    one = scripted((SUPPLY, off), (METER, meter()))
    proof = one.prove_off()
    assert (proof.level, proof.contradicted, one.threads.passed) == (Level.B, False, 0.24)
    assert one.said("supply") == ["open b'\\n'", "WHO", "M?", "WHO", "M?"]
    assert one.said("meter") == ["open b'\\n'", "WHO", "V?", "WHO", "V?"]
    assert one.threads.left() == 0


def test_proving_beside_a_closed_contact_is_level_b_and_commands_nothing(scripted):
    """It stays closed, so that the best level is not reached: rounds until the time is up."""
    off = source()
    off.is_on = False
    one = scripted((SUPPLY, off), (CONTACTOR, contactor()), (METER, meter()))
    proof = one.prove_off()
    assert (proof.level, proof.is_off, one.threads.passed) == (Level.B, True, 2.88)
    assert set(one.said("contactor")) == {"open b'\\n'", "WHO", "S?"}
    assert one.said("contactor").count("S?") == 14


def test_proving_goes_on_as_long_as_something_is_on_and_still_commands_nothing(scripted):
    """Until its time is up: the supply is on behind an open contact and nothing flows, but its
    terminal reads what the cell might read, so nobody knows whether the contact parts it."""
    one = scripted((SUPPLY, source(amps=0.0)), (CONTACTOR, contactor()), (LOAD, idle()))
    one.instruments[1].is_on = False
    proof = one.prove_off()
    assert (proof.level, proof.contradicted) == (Level.NONE, True)
    assert one.said("supply").count("WHO") == 14
    assert "OFF" not in one.said("supply")
    assert "" not in one.said("supply")


def test_who_opens_late_is_waited_for_before_anybody_is_asked(scripted):
    """A current that is read while another still drives says nothing."""
    slow = source("load")
    slow.opens_after = 0.2
    one = scripted((SUPPLY, source()), (LOAD, slow))
    assert one.make_safe().level is Level.B
    assert one.lines("supply")[3:5] == [(0.0, "OFF\n"), (0.4, "WHO\n")]
    assert one.lines("load")[:2] == [(0.0, "open b'\\n'"), (0.2, "\n")]


def test_the_order_of_words_pauses_and_line_ends_of_the_plan(scripted):
    """What opens the session goes between the two offs; each line is followed by its pause."""
    slow = SUPPLY._replace(line_end="\r\n", reply_end="\r", opens=("REMOTE",), gap_s=0.1)
    one = scripted((slow, source()), (METER, meter()))
    assert one.make_safe().level is Level.B
    assert one.lines("supply") == [
        (0.0, "open b'\\r'"),
        (0.0, "\r\n"),
        (0.1, "OFF\r\n"),
        (0.2, "REMOTE\r\n"),
        (0.3, "OFF\r\n"),
        (0.6, "WHO\r\n"),
        (0.7, "M?\r\n"),
        (1.0, "WHO\r\n"),
        (1.1, "M?\r\n"),
    ]
    assert one.threads.passed == 1.2


def test_an_output_that_ignores_off_is_told_again_after_every_answer(scripted):
    """Twice at first, twice after each of its 13 words: contradicted to the end."""
    one = scripted((SUPPLY, source(obeys=False)), (METER, meter()))
    proof = one.make_safe()
    assert (proof.level, proof.contradicted) == (Level.NONE, True)
    assert one.threads.left() == 0
    assert one.said("supply").count("OFF") == 28
    assert one.said("supply").count("M?") == 13
    assert one.said("meter").count("V?") == 13
    assert one.said("supply").count("open b'\\n'") == 1
    assert one.threads.passed == 2.86


def test_an_output_that_obeys_the_second_time_is_proven_off_then(scripted):
    """Two rounds after it obeyed: its word for on and the first for off do not agree. No word is
    wasted on it afterwards."""
    late = source()
    asked = []
    late.answers["M?"] = lambda: asked.append(1) or ("3.7;0;0" if len(asked) > 1 else "3.7;1;1")
    one = scripted((SUPPLY, late), (METER, meter()))
    assert one.make_safe().is_off
    assert one.said("supply").count("OFF") == 4
    assert [at for at, what in one.lines("supply") if what == "M?\n"] == [0.21, 0.43, 0.65]
    assert one.threads.passed == 0.66


@pytest.mark.parametrize("rounds", [1, 2, 5])
def test_current_in_the_first_rounds_counts_no_more_after_two_rounds_without(scripted, rounds):
    """A reading that falls slowly after off: current is shown that many times, and the proof is the
    one of the last two rounds."""
    slow = source()
    asked = []
    slow.answers["M?"] = lambda: asked.append(1) or f"3.7;{0.5 * (len(asked) <= rounds)};0"
    one = scripted((SUPPLY, slow), (METER, meter()))
    proof = one.make_safe()
    assert (proof.level, proof.contradicted, proof.honest_a) == (Level.B, False, 0.02)
    assert len(asked) == rounds + 2
    assert one.said("supply").count("OFF") == 2


def test_the_larger_of_two_readings_bounds_the_current(scripted):
    """Both are within what the supply may show without any; the wider range of them counts."""
    restless = source()
    restless.answers["M?"] = ["3.7;0.015;0", "3.7;0.001;0"]
    proof = scripted((SUPPLY, restless), (METER, meter())).make_safe()
    assert (proof.level, proof.honest_a) == (Level.B, pytest.approx(0.035))


def test_what_needs_longer_to_settle_is_asked_later(scripted):
    """The longest settling of the plan passes before the first question."""
    one = scripted((SUPPLY._replace(settles_s=0.75), source()), (METER, meter()))
    assert one.make_safe().level is Level.B
    assert one.lines("meter")[1] == (0.75, "WHO\n")
    assert one.threads.passed == 0.99


def test_off_sent_is_called_once_after_the_last_off_and_before_any_question(scripted):
    """Also where the first round does not prove off, and where a link opens late."""
    slow = source("load", obeys=False)
    slow.opens_after = 0.25
    for load in (idle(), slow):
        one = scripted((SUPPLY, source()), (LOAD, load), (CONTACTOR, contactor()), (METER, meter()))
        one.make_safe(off_sent=lambda one=one: one.threads.note("caller", "off sent"))
        whats = [what for _, _, what in one.threads.trace]
        assert whats.count("off sent") == 1
        first = whats.index("WHO\n")
        told = {"\n", "OFF\n", "OPEN\n"}
        last = max(nth for nth, what in enumerate(whats[:first]) if what in told)
        assert last < whats.index("off sent") < first
        assert [what for what in whats[:first] if what in told].count("\n") == 3


def test_proving_calls_nobody(scripted):
    """Off is not said, so that it cannot have been sent."""
    one = scripted((SUPPLY, idle("supply")), (METER, meter()))
    with pytest.raises(TypeError):
        one.prove_off(off_sent=lambda: None)


def test_a_contactor_that_stays_closed_is_told_to_the_end(scripted):
    """Off is proven without it, and all the same it says that it did not obey."""
    one = scripted((SUPPLY, source()), (METER, meter()), (CONTACTOR, contactor(obeys=False)))
    proof = one.make_safe()
    assert (proof.level, proof.is_off) == (Level.B, True)
    assert one.said("contactor").count("OPEN") == 28
    assert one.said("supply").count("OFF") == 2


def test_a_contactor_that_cannot_be_asked_is_not_waited_for(scripted):
    """It was told twice; without a question there is no answer to wait for."""
    one = scripted((SUPPLY, source()), (METER, meter()), (CONTACTOR._replace(asks=()), contactor()))
    assert one.make_safe().level is Level.B
    assert one.said("contactor").count("OPEN") == 2
    assert one.threads.passed == 0.44


def test_an_output_that_cannot_be_asked_is_told_to_the_end(scripted):
    """The contactor proves off, and nobody knows what the output does behind it."""
    one = scripted(
        (SUPPLY._replace(asks=()), source()),
        (CONTACTOR, contactor()),
        (LOAD, idle()),
        (METER, meter()),
    )
    assert one.make_safe().level is Level.A
    assert one.said("supply").count("OFF") == 28
    assert one.said("contactor").count("OPEN") == 2


def test_a_silent_one_is_not_asked_again_where_an_open_contact_proves_off(scripted):
    """One answer's time in the first round; in the second, before it, another one for what comes
    late. Off is said again after each, and that is all. The load's terminals show that the contact
    parts."""
    one = scripted(
        (SUPPLY, mute(source())), (CONTACTOR, contactor()), (LOAD, idle()), (METER, meter())
    )
    proof = one.make_safe()
    assert (proof.level, proof.evidence[0]) == (Level.A, "supply: does not answer")
    assert one.threads.passed == 1.6
    assert one.threads.left() == 0
    assert one.said("supply") == [
        *("open b'\\n'", "", "OFF", "OFF", "WHO", "", "OFF", "OFF", "WHO", "", "OFF", "OFF"),
        "close",
    ]


def test_a_silent_one_behind_a_contact_that_nothing_else_looks_at_is_not_proven(scripted):
    """Nobody shows that the contact parts: its feedback alone is not enough."""
    one = scripted((SUPPLY, mute(source())), (CONTACTOR, contactor()), (METER, meter()))
    proof = one.make_safe()
    assert (proof.level, proof.is_off) == (Level.NONE, False)


def test_a_contact_that_this_run_has_not_seen_part_anything_proves_nothing(scripted):
    """The supply is silent, the terminal behind the contact is parted, and all the same."""
    one = scripted(
        (SUPPLY, mute(source())), (CONTACTOR, contactor()), (LOAD, idle()), (METER, meter())
    )
    one.plan = one.plan._replace(contact_seen=False)
    assert one.make_safe().level is Level.NONE


def test_a_welded_contact_whose_feedback_says_open_proves_nothing(scripted):
    """The load's terminals still read what the cell reads; the silent supply may drive it."""
    welded = contactor(obeys=False)
    welded.answers["S?"] = "0"
    silent = mute(source(obeys=False))
    one = scripted((SUPPLY, silent), (CONTACTOR, welded), (LOAD, idle()), (METER, meter()))
    proof = one.make_safe()
    assert (proof.level, proof.is_off) == (Level.NONE, False)


def test_a_silent_one_that_nothing_parts_is_asked_until_the_time_is_up(scripted):
    """Every answer has its time, from the second round on also what comes late; no round is begun
    that the end would cut off."""
    one = scripted((SUPPLY, mute(source())), (METER, meter()))
    assert one.make_safe().level is Level.NONE
    assert one.links.of("supply", "line") == [0.6, 1.2, 1.6, 2.2, 2.6]
    assert one.links.of("supply", "WHO\n") == [0.6, 1.6, 2.6]
    assert one.threads.passed == 2.6


@pytest.mark.parametrize("silent_from", [0.0, 0.4, 1.3, 2.5])
def test_who_falls_silent_is_not_proven_by_what_it_said_before(scripted, silent_from):
    """The supply says off until then, while the contact denies to the end."""
    silent = source()
    one = scripted((SUPPLY, silent), (METER, meter()), (CONTACTOR, contactor(obeys=False)))
    who = silent.answers["WHO"]
    silent.answers["WHO"] = lambda: who if one.threads.passed < silent_from else None
    proof = one.make_safe()
    assert (proof.level, proof.is_off) == (Level.NONE, False)
    assert "supply: does not answer" in proof.evidence
    assert one.threads.left() == 0


def test_who_answers_every_second_round_only_is_not_proven(scripted):
    """Never two rounds in a row: nothing agrees."""
    flickers = source()
    asked = []
    flickers.answers["WHO"] = lambda: None if asked.append(1) or len(asked) % 2 else "I,supply"
    one = scripted((SUPPLY, flickers), (METER, meter()))
    assert one.make_safe().level is Level.NONE
    assert len(asked) > 3


def test_the_time_of_an_answer_runs_from_its_question_and_not_from_the_pause_behind_it(scripted):
    """As in a session: the read time-out is what it says."""
    slow = SUPPLY._replace(gap_s=0.1, answer_s=0.4)
    one = scripted((slow, source()), (METER, meter()))
    assert one.make_safe().level is Level.B
    asked = [at for at, line in one.lines("supply") if line in ("WHO\n", "M?\n", "V?\n")]
    assert one.links.of("supply", "line") == pytest.approx([at + 0.4 for at in asked])


def test_on_a_shared_line_an_answer_shows_that_off_was_read_before_the_turn_ends(scripted):
    """The identity is asked for within the turn of off, besides the two rounds."""
    shared = SUPPLY._replace(link=SUPPLY.link._replace(turns="a line"))
    one = scripted((shared, source()))
    assert one.make_safe().is_off
    assert one.said("supply").count("WHO") == 3


def test_a_frame_that_is_no_answer_leaves_the_doubt_and_the_questions(scripted):
    """It is said why, and nothing that the instrument answers counts."""

    def refuses():
        raise ValueError("exception 2: no such register")

    doubtful = source()
    doubtful.answers["WHO"] = refuses
    proof = scripted((SUPPLY, doubtful)).make_safe()
    assert proof.level is Level.NONE
    assert any("exception 2" in words for words in proof.evidence)


def test_what_comes_on_again_behind_an_open_contact_is_asked_once_more(scripted):
    """The last round says so, not the one before it: it is told off again, and off is seen."""
    flips, asked = source(), []
    words = {2: "4.2;0;1"}
    flips.answers["M?"] = lambda: asked.append(1) or words.get(len(asked), "0;0;0")
    one = scripted((SUPPLY, flips), (CONTACTOR, contactor()), (METER, meter()))
    assert one.make_safe().level is Level.A
    assert len(asked) == 3
    assert one.said("supply").count("OFF") > 2


def test_a_round_waits_for_the_slowest_of_those_that_were_late(scripted):
    """The meter is mute and quick about it; the supply misses the first round, and answers the
    second behind what came late."""
    slow, quick = source(lag=0.39), mute(meter())
    who = [None, "I,supply"]
    slow.answers["WHO"] = lambda: who.pop(0) if len(who) > 1 else who[0]
    one = scripted((SUPPLY, slow), (METER._replace(answer_s=0.1), quick))
    evidence = one.make_safe().evidence
    assert evidence[0] == "supply reads 3.700 V, reads 0.000 A (at most 20 mA), output off"
    assert one.threads.passed == pytest.approx(1.98)

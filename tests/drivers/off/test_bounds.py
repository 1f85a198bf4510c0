"""How long making safe takes at most, and what becomes of whoever is late, gone or hangs."""

from itertools import count

import pytest

from drivers.off import carrying_out
from sequencer.vocabulary.verdict import Level
from tests.drivers.off.cast import (
    CONTACTOR,
    LOAD,
    METER,
    SUPPLY,
    contactor,
    meter,
    source,
)

AGES = 1000.0


@pytest.fixture
def halves(monkeypatch):
    """Bounds that floats hold exactly, so that an edge can be met; the proportions are the same."""
    monkeypatch.setattr(carrying_out, "_ROUND_S", 0.0625)
    monkeypatch.setattr(carrying_out, "OPEN_S", 0.5)
    monkeypatch.setattr(carrying_out, "REPLY_S", 0.5)
    monkeypatch.setattr(carrying_out, "TOTAL_S", 1.5)


def refuses(one, times=1000, error=None):
    """The same instrument, whose link does not open that many times."""
    one.refuses = [error or OSError("busy") for _ in range(times)]
    return one


def test_who_answers_slowly_is_waited_for(play):
    """0.3 s an answer is within an answer's time: one round, however long it takes altogether."""
    one = play((SUPPLY, source(lag=0.3)), (METER, meter()))
    assert one.make_safe().level is Level.B
    assert one.stage.passed == 0.6
    assert one.said("supply").count("WHO") == 1
    assert one.links.of("supply", "open") == [0.5]
    assert one.links.of("supply", "OFF\n") == [0.4, 0.4]
    assert one.links.of("supply", "line") == [0.4, 0.7]
    assert one.links.of("supply", "M?\n") == [0.7]


def test_a_link_that_hangs_keeps_the_others_for_half_a_second_and_the_proof_to_its_end(play):
    """It may be switched on, so it is waited for; off is said to it whenever it opens."""
    hangs = source("load")
    hangs.opens_after = AGES
    one = play((SUPPLY, source()), (LOAD, hangs), (CONTACTOR, contactor()))
    proof = one.make_safe()
    assert (proof.level, one.stage.passed) == (Level.A, 1.5)
    assert one.lines("supply")[3:5] == [(0.0, "OFF\n"), (0.5, "WHO\n")]
    assert proof.evidence[1] == "load: no answer"
    assert one.stage.left() == 0
    assert one.lines("load")[1:4] == [(AGES, "\n"), (AGES, "OFF\n"), (AGES, "OFF\n")]
    assert not hangs.is_on


def test_the_proof_has_a_second_from_the_last_off_on(play):
    """The load's link opens after 1.4 s; who was proven meanwhile is asked again with it."""
    late = source("load", obeys=False)
    late.opens_after = 1.4
    one = play((SUPPLY, source()), (LOAD, late))
    assert one.make_safe().contradicted
    assert 2.3 < one.stage.passed <= 2.4
    assert one.lines("supply")[4] == (0.5, "WHO\n")
    assert one.lines("load")[1] == (1.4, "\n")


def test_who_cannot_be_opened_is_tried_for_half_a_second(play, halves):
    """Then it is said why, and nobody waits for the end: there is nobody left to ask."""
    one = play((SUPPLY, refuses(source())))
    proof = one.make_safe()
    assert (proof.level, proof.evidence) == (Level.NONE, ("supply: supply:1: busy",))
    assert [at for at, _ in one.lines("supply")] == [0.0625 * n for n in range(8)]
    assert one.stage.passed == 0.4375
    assert one.stage.left() == 0


def test_who_cannot_be_opened_keeps_nobody_from_being_asked(play):
    """Its off is as much said as it can be."""
    one = play((SUPPLY, source()), (LOAD, refuses(source("load"))), (CONTACTOR, contactor()))
    proof = one.make_safe()
    assert (proof.level, proof.evidence[1]) == (Level.A, "load: load:1: busy")
    assert one.lines("supply")[4] == (0.0, "WHO\n")
    assert one.lines("load")[:2] == [(0.0, "open b'\\n'"), (0.05, "open b'\\n'")]
    assert one.stage.passed <= 0.5


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (OSError("no such device"), "no such device"),
        (MemoryError(), "MemoryError"),
        (ValueError("odd"), "odd"),
        (TimeoutError(), "TimeoutError"),
    ],
)
def test_whatever_breaks_is_a_line_of_evidence(play, error, words):
    """Making safe never raises; an error without words has its name."""
    one = play((SUPPLY, refuses(source(), error=error)), (CONTACTOR, contactor()))
    assert one.make_safe().evidence[0] == f"supply: supply:1: {words}"


def test_a_link_that_opens_at_the_third_attempt_is_told_and_asked(play):
    """Some owner had to die first."""
    one = play((SUPPLY, refuses(source(), 2)), (METER, meter()))
    assert one.make_safe().level is Level.B
    assert one.lines("supply")[:4] == [
        (0.0, "open b'\\n'"),
        (0.05, "open b'\\n'"),
        (0.1, "open b'\\n'"),
        (0.1, "\n"),
    ]


def breaks_at(one, nth):
    """The same, whose link breaks for good when it is read for the ``nth`` time."""
    one.breaks_at = nth
    return one


def test_what_was_said_against_off_stands_when_the_link_is_gone(play):
    """The load says that it is on and breaks in the twentieth round: contradicted to the end,
    though the contact says open; and nobody's time is made longer by it."""
    on = source("load", obeys=False)
    one = play((SUPPLY, source()), (LOAD, breaks_at(on, 40)), (CONTACTOR, contactor()))
    proof = one.make_safe()
    assert proof.contradicted
    assert proof.evidence[1:3] == (
        "load reads 1.000 A (resolves 20 mA, current flows), output on (does not count)",
        "load: load:1: broken",
    )
    assert one.stage.passed == 1.49


def test_who_is_gone_is_no_longer_asked_to_admit_off(play):
    """It was on behind an open contact until its link broke: then nobody is left who denies."""
    on = source(obeys=False, amps=0.0)
    one = play((SUPPLY, breaks_at(on, 15)), (CONTACTOR, contactor()))
    assert one.make_safe().level is Level.A
    assert 0.4 < one.stage.passed < 0.7


def test_rounds_end_where_the_next_one_would_not_fit(play, halves):
    """Of an eighth of a second each twelve fit into 1.5 s; a thirteenth would begin at its end."""
    one = play((SUPPLY, source(obeys=False, lag=0.03125)), (METER, meter(lag=0.03125)))
    assert one.make_safe().contradicted
    assert one.said("meter").count("V?") == 12
    assert one.stage.passed == 1.4375


def stands_still(one, *leaps):
    """Carries out while each pause between rounds takes so long, in turn; then as they should."""
    durations = [*leaps]
    pauses = []

    def pause(seconds):
        pauses.append(one.stage.passed)
        one.stage.now += durations.pop(0) if durations else seconds

    return carrying_out.make_safe(one.plan, pause=pause), pauses


def test_time_in_which_the_computer_stood_still_is_given_again_twice(play):
    """Three standstills of ten seconds: after the third it is over."""
    one = play((SUPPLY, source(obeys=False)), (METER, meter()))
    proof, pauses = stands_still(one, 10.0, 10.0, 10.0, 10.0)
    assert proof.contradicted
    assert pauses == [0.02, 10.02, 20.02]
    assert one.stage.passed == 30.02
    assert one.stage.left() == 0
    assert one.said("meter").count("WHO") == 1  # nobody begins a round when all is over


def test_what_is_given_again_is_a_second(play, halves):
    """As much as the proof has after the last off."""
    one = play((SUPPLY, source(obeys=False, lag=0.03125)), (METER, meter(lag=0.03125)))
    stands_still(one, 10.0)
    assert one.stage.passed == pytest.approx(11.0, abs=0.13)
    assert one.said("meter").count("V?") == 9


@pytest.mark.parametrize(("leap", "ends"), [(1.6875, 1.75), (1.75, 1.8125 + 1.0)])
def test_less_than_a_quarter_of_a_second_too_late_is_no_standstill(play, halves, leap, ends):
    """The first round takes 0.0625 s; to the edge at 1.75 s nothing is given."""
    one = play((SUPPLY, source(obeys=False, lag=0.03125)), (METER, meter(lag=0.03125)))
    stands_still(one, leap)
    assert one.stage.passed == pytest.approx(ends, abs=0.13)


@pytest.mark.parametrize("hanging", [False, True])
def test_wherever_the_computer_stands_still_off_is_said_and_proven(play, hanging):
    """A minute, at each look at the clock in turn; also while another link hangs."""
    asked_at = []
    for nth in count(1):
        idle = source("load")
        idle.opens_after = AGES if hanging else 0.0
        pairs = [(SUPPLY, source()), (CONTACTOR, contactor()), (LOAD, idle)]
        one = play(*pairs)
        one.stage.standstills[nth] = 60.0
        proof = one.make_safe()
        assert (nth, proof.level, proof.contradicted) == (nth, Level.A, False), proof.evidence
        assert [player.is_on for player in one.players] == [False, False, hanging]
        if one.stage.reads < nth:
            break
        asked_at.append(min(at for at, what in one.lines("supply") if what == "WHO\n"))
        one.stage.close()
    assert nth > 15
    # where the time for it is over, the link that hangs is not waited for before the questions
    assert asked_at[1:5] == [60.0] * 4
    assert set(asked_at) == ({0.5, 60.0, 60.5} if hanging else {0.0, 60.0})


@pytest.mark.parametrize("seed", range(25))
def test_in_whatever_order_they_come_to_their_turn_nothing_is_lost(play, seed):
    """Off before questions, every word against off kept, nobody left behind. The supply falls
    silent at 1.2 s: whether its last round or the end comes first, its word before it stands."""
    silent = source()
    one = play((SUPPLY, silent), (METER, meter()), (CONTACTOR, contactor(obeys=False)), seed=seed)
    who = silent.answers["WHO"]
    silent.answers["WHO"] = lambda: who if one.stage.passed < 1.2 else None
    proof = one.make_safe()
    assert (proof.level, proof.is_off) == (Level.B, True)
    assert one.stage.left() == 0
    whats = [what for _, _, what in one.stage.trace]
    assert whats.index("WHO\n") > max(whats.index("OFF\n"), whats.index("OPEN\n")) + 1
    assert one.stage.passed <= 1.51


@pytest.mark.parametrize("seed", range(25))
def test_in_whatever_order_a_load_that_stays_on_contradicts(play, seed):
    """It says so once, and is silent then."""
    on = source("load", obeys=False)
    one = play((SUPPLY, source()), (LOAD, on), (CONTACTOR, contactor()), seed=seed)
    measured, asked = on.answers["M?"], []
    on.answers["M?"] = lambda: asked.append(1) or (measured() if len(asked) == 1 else None)
    proof = one.make_safe()
    assert (proof.contradicted, proof.is_off) == (True, False)
    assert "output on" in proof.evidence[1]


def test_without_a_known_answer_a_babbler_is_drained_no_longer_than_an_answer_takes(play, halves):
    """A line every sixteenth of a second from off on: after eight of them it is asked, and what
    comes is judged by its form."""
    babbles = source(lag=0.0625)
    babbles.answers["OFF"] = lambda: ["noise"] * 1000
    babbles.spacing = 0.0625
    one = play((SUPPLY._replace(offs=("OFF",), identify=None), babbles), (CONTACTOR, contactor()))
    proof = one.make_safe()
    assert proof.level is Level.A
    assert proof.evidence[0].endswith("asked M?: answer 'noise' does not fit")
    asked = next(at for at, what in one.lines("supply") if what == "M?\n")
    assert asked == 0.5
    drained = [at for at in one.links.of("supply", "line") if at <= 0.5]
    assert drained == [0.0625 * n for n in range(1, 9)]

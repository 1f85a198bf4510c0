"""How long making safe takes at most, and what becomes of whoever is late, gone or hangs."""

from itertools import count

import pytest

from drivers.off import carrying_out
from sequencer.documents import safing
from sequencer.vocabulary.verdict import Level
from tests.drivers.off.scripted_bench import (
    CONTACTOR,
    LOAD,
    METER,
    SUPPLY,
    contactor,
    idle,
    meter,
    source,
)

AGES = 1000.0


@pytest.fixture
def halves(monkeypatch):
    """Bounds that floats hold exactly, so that an edge can be met; the proportions are the same.
    An answer may take 0.5 s; nothing else settles than what the plan says."""
    for name, seconds in {"_RETRY_S": 0.0625, "_SPARE_S": 0.125, "LEAST_SETTLING_S": 0.25}.items():
        monkeypatch.setattr(carrying_out, name, seconds)
    monkeypatch.setattr(safing, "LEAST_SETTLING_S", 0.25)


def in_halves(*instruments):
    """The same instruments, an answer of which may take half a second."""
    return [one._replace(answer_s=0.5) for one in instruments]


def refuses(one, times=1000, error=None):
    """The same instrument, whose link does not open that many times."""
    one.refuses = [error or OSError("busy") for _ in range(times)]
    return one


@pytest.mark.parametrize("lag", [0.25, 0.45, 0.9])
def test_who_answers_slowly_but_in_its_time_is_proven_off(scripted, lag):
    """With a read time-out of 1 s: two rounds, however long they take altogether."""
    slow, sees = (one._replace(answer_s=1.0) for one in (SUPPLY, METER))
    one = scripted((slow, source(lag=lag)), (sees, meter(lag=lag)))
    proof = one.make_safe()
    assert (proof.level, proof.is_off) == (Level.B, True)
    assert one.threads.passed == pytest.approx(0.4 + 4 * lag, abs=1e-3)
    assert one.said("supply").count("WHO") == 2
    assert one.threads.passed < one.plan.proof_s == 4.9
    assert one.links.of("supply", "open") == [0.5]
    assert one.links.of("supply", "OFF\n") == [0.4, 0.4]
    ends = [0.2, 0.2 + lag, 0.4 + 2 * lag, 0.4 + 3 * lag]
    assert one.links.of("supply", "line") == pytest.approx([1.0 + at for at in ends])


@pytest.mark.parametrize("lag", [0.45, 0.9])
def test_who_is_slower_than_its_time_is_not_proven_off(scripted, lag):
    """No answer of the supply comes within 0.4 s, and nothing else speaks for it."""
    one = scripted((SUPPLY, source(lag=lag)), (METER, meter()))
    proof = one.make_safe()
    assert (proof.is_off, one.threads.left()) == (False, 0)


def test_a_link_that_hangs_keeps_the_others_for_a_moment_and_the_proof_to_its_end(scripted):
    """Opening and writing have their time, then it settles. It may be switched on, so it is waited
    for in two rounds; off is said to it whenever it opens."""
    hangs = source("load")
    hangs.opens_after = AGES
    one = scripted((SUPPLY, source()), (LOAD, hangs), (CONTACTOR, contactor()), (METER, meter()))
    proof = one.make_safe()
    assert (proof.level, one.threads.passed) == (Level.A, 3.0)
    assert one.lines("supply")[3:5] == [(0.0, "OFF\n"), (1.1, "WHO\n")]
    assert proof.evidence[1] == "load: no answer"
    assert one.threads.left() == 0
    assert one.lines("load")[1:4] == [(AGES, "\n"), (AGES, "OFF\n"), (AGES, "OFF\n")]
    assert not hangs.is_on


def test_the_proof_has_its_time_from_the_last_off_on(scripted):
    """The load's link opens after 1.4 s; who was proven meanwhile is asked again with it."""
    late = source("load", obeys=False)
    late.opens_after = 1.4
    one = scripted((SUPPLY, source()), (LOAD, late))
    assert one.make_safe().contradicted
    assert 3.4 < one.threads.passed <= 1.4 + one.plan.proof_s == 3.9
    assert one.lines("supply")[4] == (1.1, "WHO\n")
    assert one.lines("load")[1] == (1.4, "\n")


def test_who_opens_late_and_is_off_is_proven_by_its_next_two_rounds(scripted):
    """The first round is over without its answer: what it says then does not count."""
    late = source("load")
    late.opens_after = 2.0
    one = scripted((SUPPLY, source()), (LOAD, late), (METER, meter()))
    assert one.make_safe().level is Level.B
    assert [at for at, what in one.lines("load") if what == "M?\n"] == [2.01, 2.16, 2.38]
    assert one.threads.passed == 2.39
    assert one.threads.left() == 0


def test_who_cannot_be_opened_is_tried_for_half_a_second(scripted, halves):
    """Then it is said why, and nobody waits for the end: there is nobody left to ask."""
    one = scripted((SUPPLY, refuses(source())))
    proof = one.make_safe()
    assert (proof.level, proof.evidence) == (Level.NONE, ("supply: supply:1: busy",))
    assert [at for at, _ in one.lines("supply")] == [0.0625 * n for n in range(8)]
    assert one.threads.passed == 0.4375
    assert one.threads.left() == 0


def test_who_cannot_be_opened_keeps_nobody_from_being_asked(scripted):
    """Its off is as much said as it can be."""
    busy = refuses(source("load"))
    one = scripted((SUPPLY, source()), (LOAD, busy), (CONTACTOR, contactor()), (METER, meter()))
    proof = one.make_safe()
    assert (proof.level, proof.evidence[1]) == (Level.A, "load: load:1: busy")
    assert one.lines("supply")[4] == (0.2, "WHO\n")
    assert one.lines("load")[:2] == [(0.0, "open b'\\n'"), (0.05, "open b'\\n'")]
    assert one.threads.passed <= 0.8


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (OSError("no such device"), "no such device"),
        (MemoryError(), "MemoryError"),
        (ValueError("odd"), "odd"),
        (TimeoutError(), "TimeoutError"),
    ],
)
def test_whatever_breaks_is_a_line_of_evidence(scripted, error, words):
    """Making safe never raises; an error without words has its name."""
    one = scripted((SUPPLY, refuses(source(), error=error)), (CONTACTOR, contactor()))
    assert one.make_safe().evidence[0] == f"supply: supply:1: {words}"


def test_a_link_that_opens_at_the_third_attempt_is_told_and_asked(scripted):
    """Some owner had to die first."""
    one = scripted((SUPPLY, refuses(source(), 2)), (METER, meter()))
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


def test_what_was_said_against_off_stands_when_the_link_is_gone(scripted):
    """The load says that it is on and breaks in the tenth round: contradicted to the end,
    though the contact says open; and nobody's time is made longer by it."""
    on = source("load", obeys=False)
    one = scripted((SUPPLY, source()), (LOAD, breaks_at(on, 20)), (CONTACTOR, contactor()))
    proof = one.make_safe()
    assert proof.contradicted
    assert proof.evidence[1:3] == (
        (
            "load reads 1.000 A (current flows: it may show 20 mA without any), output on"
            " (does not count)"
        ),
        "load: load:1: broken",
    )
    assert 2.3 < one.threads.passed <= 3.0


def test_who_is_gone_is_no_longer_asked_to_admit_off(scripted):
    """It was on behind an open contact until its link broke: then nobody is left who denies."""
    on = source(obeys=False, amps=0.0)
    one = scripted(
        (SUPPLY, breaks_at(on, 11)), (CONTACTOR, contactor()), (LOAD, idle()), (METER, meter())
    )
    assert one.make_safe().level is Level.A
    assert 1.3 < one.threads.passed < 1.6


def restless(lag, scripted):
    """A supply that ignores off beside a meter, an answer of which takes ``lag``."""
    instruments = source(obeys=False, lag=lag), meter(lag=lag)
    pairs = zip(in_halves(SUPPLY, METER), instruments, strict=True)
    return scripted(*pairs)


def test_rounds_end_where_the_next_one_would_not_fit(scripted, halves):
    """Proof 3.0 s and opening 0.5 s. Rounds of 0.0625 s begin at 0.25 s and then every 0.3125 s.
    The tenth ends at 3.125 s: pause, round and spare time would end at 3.5625 s."""
    one = restless(0.03125, scripted)
    assert one.plan.proof_s == 3.0
    assert one.make_safe().contradicted
    assert one.said("meter").count("V?") == 10
    assert one.threads.passed == 0.25 + 9 * 0.3125 + 0.0625


@pytest.mark.parametrize("real_share", [0.0, 0.5])
def test_a_pause_counts_in_full_where_bench_time_is_led(scripted, halves, real_share):
    """Ten rounds as above, in the real time that answers and the rest of the pauses take."""
    one = restless(0.03125, scripted)
    led = carrying_out.make_safe(one.plan, pause=lambda s: one.threads.sleep(real_share * s))
    assert led.contradicted
    assert one.said("meter").count("V?") == 10
    assert one.threads.passed == 10 * (0.0625 + 0.25 * real_share)


def test_two_rounds_are_asked_whatever_they_take(scripted, halves):
    """Every answer just in time."""
    one = restless(0.46875, scripted)
    assert one.make_safe().contradicted
    assert one.said("meter").count("V?") == 2
    assert one.threads.passed == 0.5 + 4 * 0.46875


def stands_still(one, *leaps):
    """Carries out while each pause takes so much longer, in turn; then as they should."""
    durations = [*leaps]
    pauses = []

    def pause(seconds):
        pauses.append(one.threads.passed)
        one.threads.now += (durations.pop(0) if durations else 0.0) + seconds

    return carrying_out.make_safe(one.plan, pause=pause), pauses


def test_time_in_which_the_computer_stood_still_is_given_again_twice(scripted, halves):
    """Standstills of ten seconds in every pause: two rounds in any case, two more for the time
    that is given again, and then it is over."""
    one = restless(0.0, scripted)
    proof, pauses = stands_still(one, *[10.0] * 9)
    assert proof.contradicted
    assert pauses == [0.0, 10.25, 20.5, 30.75]
    assert one.threads.passed == 41.0
    assert one.threads.left() == 0


def test_what_is_given_again_is_the_time_of_the_proof(scripted, halves):
    """As much as there is after the last off, from where the standstill was noticed."""
    one = restless(0.0, scripted)
    stands_still(one, 0.0, 10.0)
    assert one.threads.passed == 10.5 + 0.25 * 11
    assert one.threads.passed + 0.25 + 0.125 >= 10.5 + one.plan.proof_s


@pytest.mark.parametrize(("leap", "is_given"), [(3.25, False), (3.3125, True)])
def test_less_than_a_quarter_of_a_second_too_late_is_no_standstill(
    scripted, halves, leap, is_given
):
    """The second round is over at 3.75 s where the leap is 3.25 s: up to there nothing is given."""
    one = restless(0.0, scripted)
    stands_still(one, leap)
    assert (one.threads.passed > 0.5 + leap) is is_given
    assert (one.said("meter").count("V?") > 2) is is_given


@pytest.mark.parametrize("hanging", [False, True])
def test_wherever_the_computer_stands_still_off_is_said_and_proven(scripted, hanging):
    """A minute, at each look at the clock in turn; also while another link hangs."""
    asked_at = []
    for nth in count(1):
        other = source("load")
        other.opens_after = AGES if hanging else 0.0
        pairs = [(SUPPLY, source()), (CONTACTOR, contactor()), (LOAD, other)]
        one = scripted(*pairs, (METER, meter()))
        one.threads.standstills[nth] = 60.0
        proof = one.make_safe()
        assert (nth, proof.level, proof.contradicted) == (nth, Level.A, False), proof.evidence
        assert [each.is_on for each in one.instruments[:3]] == [False, False, hanging]
        if one.threads.reads < nth:
            break
        asked_at.append(min(at for at, what in one.lines("supply") if what == "WHO\n"))
        one.threads.close()
    assert nth > 15
    # where the time for it is over, the link that hangs is not waited for before the questions
    assert asked_at[1:5] == [60.2] * 4
    assert set(asked_at) == ({1.1, 60.2, 61.1} if hanging else {0.2, 60.2})


@pytest.mark.parametrize("seed", range(25))
def test_in_whatever_order_they_come_to_their_turn_nothing_is_lost(scripted, seed):
    """Off before questions, every word of every round kept, nobody left behind. The contact denies
    to the end, so that there are many rounds."""
    one = scripted(
        (SUPPLY, source()), (METER, meter()), (CONTACTOR, contactor(obeys=False)), seed=seed
    )
    proof = one.make_safe()
    assert (proof.level, proof.is_off) == (Level.B, True)
    assert one.threads.left() == 0
    whats = [what for _, _, what in one.threads.trace]
    assert whats.index("WHO\n") > max(whats.index("OFF\n"), whats.index("OPEN\n")) + 1
    assert {one.said(who).count("WHO") for who in ("supply", "meter", "contactor")} == {13}
    assert one.threads.passed <= 3.0


@pytest.mark.parametrize("seed", range(25))
@pytest.mark.parametrize("silent_from", [1.2, 2.85])
def test_in_whatever_order_who_falls_silent_is_not_proven(scripted, seed, silent_from):
    """Whether its last round or the end comes first: the last two rounds lack its word."""
    silent = source()
    one = scripted(
        (SUPPLY, silent), (METER, meter()), (CONTACTOR, contactor(obeys=False)), seed=seed
    )
    silent.answers["M?"] = lambda: "3.7;0;0" if one.threads.passed < silent_from else None
    proof = one.make_safe()
    assert (proof.level, proof.is_off) == (Level.NONE, False)
    assert one.threads.left() == 0
    assert one.threads.passed <= 3.0


@pytest.mark.parametrize("seed", range(25))
def test_in_whatever_order_a_load_that_stays_on_contradicts(scripted, seed):
    """It says so once, and is silent then."""
    on = source("load", obeys=False)
    one = scripted((SUPPLY, source()), (LOAD, on), (CONTACTOR, contactor()), seed=seed)
    measured, asked = on.answers["M?"], []
    on.answers["M?"] = lambda: asked.append(1) or (measured() if len(asked) == 1 else None)
    proof = one.make_safe()
    assert (proof.contradicted, proof.is_off) == (True, False)
    assert "output on" in proof.evidence[1]


def test_without_a_known_answer_what_sends_without_end_is_drained_no_longer_than_an_answer_takes(
    scripted, halves
):
    """A line every sixteenth of a second from off on: half a second after the first question would
    have come it is asked, and what comes is judged by its form."""
    babbles = source(lag=0.0625)
    babbles.answers["OFF"] = lambda: ["noise"] * 1000
    babbles.spacing = 0.0625
    pairs = [(METER, meter()), (LOAD, idle()), (CONTACTOR, contactor())]
    nameless, *others = in_halves(SUPPLY._replace(identify=None), *(one for one, _ in pairs))
    rest = zip(others, (each for _, each in pairs), strict=True)
    one = scripted((nameless, babbles), *rest)
    proof = one.make_safe()
    assert proof.level is Level.A
    assert proof.evidence[0].endswith("asked M?: answer 'noise' does not fit")
    asked = next(at for at, what in one.lines("supply") if what == "M?\n")
    assert asked == 0.75
    drained = [at for at in one.links.of("supply", "line") if at <= 0.75]
    assert drained[-4:] == [0.5625, 0.625, 0.6875, 0.75]

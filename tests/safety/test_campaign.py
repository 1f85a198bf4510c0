"""A seeded sample of the campaign: safe whatever strikes; the same seed gives the same bytes."""

import pytest

from tests.safety.campaign import Campaign
from tests.safety.catalogue import ELSEWHERE, ROWS, TROUBLES
from tests.safety.matrix import cells, reviews
from tests.safety.served_trials import draw_faults, run_served
from tests.safety.small_night import BENCHES, PHASES, START_NS, Moment
from tests.safety.trial import run_trial, spans

SEED = 20
SAMPLE = 240
RUNS = 80
SERVED = 4


def test_every_row_of_the_catalogue_is_brought_about_or_tested_elsewhere():
    """All 36, each once in one of the two lists."""
    struck = {one.row for one in TROUBLES}
    assert sorted(ROWS) == list(range(1, 37))
    assert struck | set(ELSEWHERE) == set(ROWS)
    assert struck & set(ELSEWHERE) == set()


def test_every_exception_is_about_something_and_gives_a_reason():
    """The reviewed list is read; what it names exists."""
    assert all(len(one.reason) > 20 for one in reviews())


@pytest.mark.parametrize("bench", BENCHES)
def test_the_night_has_every_phase_and_ends_done(bench):
    """Undisturbed: exit 0, nothing lost, the cell inside its limits; and a matrix of it all."""
    trial = run_trial((), bench)
    assert (trial.word, trial.findings) == ("0", ())
    assert set(PHASES) - {"checking"} == set(spans(bench)) - {"resting"}
    assert len({cell.moment.phase for cell in cells(bench)}) == len(PHASES)


def test_a_sample_ends_safe_and_replays_byte_for_byte():
    """No output on behind an exit below 7, no row lost, no limit passed; twice the same report,
    which ends with a hash over every record."""
    first, second = (Campaign(SEED, RUNS // 2, SAMPLE // 2) for _ in range(2))
    report = list(first.report())
    assert first.wrong == 0, "\n".join(line for line in report if line.startswith("WRONG"))
    assert first.count > SAMPLE // 3
    assert report == list(second.report())


def test_what_was_left_on_and_does_not_go_off_is_no_mere_refusal():
    """Before anything was energised by us, without a contactor: exit 7, not 3."""
    left_on = next(one for one in TROUBLES if one.name == "supply on, and stays on")
    for call in range(3):
        trial = run_trial([(Moment("checking", call, START_NS, call), left_on)], "modest")
        assert (trial.word, trial.findings) == ("7", ())
        assert trial.ports.energised()


@pytest.mark.parametrize("bench", BENCHES)
def test_what_comes_on_after_the_trip_goes_off_again(bench):
    """A sensor dies, the run trips, and while the cell is watched somebody switches the load on. On
    a bench without contactor that withdraws the proof; behind an open one nothing flows."""
    dies = next(one for one in TROUBLES if one.name == "marker")
    comes_on = next(one for one in TROUBLES if (one.row, one.name) == (31, "load on"))
    at_ns = START_NS + 50_000_000_000
    struck = [(Moment("any", 0, at_ns), dies), (Moment("any", 0, at_ns + 6_000_000_000), comes_on)]
    trial = run_trial(struck, bench)
    assert (trial.word, trial.findings) == ("7" if bench == "modest" else "6", ())
    assert not trial.ports.twin.bench.is_driving
    assert [one.kind for one in trial.recorded.entries].count("off again") == 1


@pytest.mark.parametrize(("path", "at_s"), list(draw_faults(SEED, SERVED)))
def test_a_sample_over_sockets_and_terminals_ends_safe(path, at_s):
    """Real drivers, real transports, the served bench: off in truth, and an honest exit."""
    result = run_served(path, at_s)
    assert result.wrong == (), str(result)

"""Going on after a pause, on the twin: another cell, another instrument, a pause without end."""

from drivers.simulated.cell import Cell
from drivers.simulated.truths import parameters_of
from sequencer.ports import Identity
from sequencer.recording.run import read_run
from sequencer.replaying.recorded_run import replay_run
from sequencer.vocabulary.intent import CONTINUE_REFUSED, State
from tests.resuming.recorded import record
from tests.safety.small_night import make_twin, run_documents


class Meanwhile:
    """Pauses a charge, does something to the bench meanwhile, asks to go on, at last aborts."""

    def __init__(self, twin, does, ticks: int = 30) -> None:
        self._twin, self._does, self._left = twin, does, ticks
        self._is_asked = False

    def __call__(self, state: str, ticks: int) -> str:
        """The wish."""
        if state == "charging" and ticks == 5 and not self._is_asked:
            self._is_asked = True
            return "pause"
        if not self._is_asked:
            return ""
        self._left -= 1
        if self._left == 5:
            self._does(self._twin)
        if self._left == 0:
            return "continue"
        return "abort" if self._left == -5 and state == "paused" else ""


def _exchange(to_soc: float):
    """Another cell of the same kind, at another state of charge."""

    def does(twin) -> None:
        bundle = run_documents().bench
        assert bundle is not None
        assert bundle.simulated_cell is not None
        twin.bench.cell = Cell(parameters_of(bundle.simulated_cell.document), to_soc, 22.0)
        twin.bench.changed()

    return does


def _refusals(folder) -> list[str]:
    return [one["reason"] for one in read_run(folder).all(CONTINUE_REFUSED)]


def _is_replayed(folder) -> bool:
    told = replay_run(folder)
    return (told.replayed.differences, told.missing) == ((), ())


def test_another_cell_is_refused_and_the_record_replays(tmp_path):
    """One that is 3 % fuller; the run stays paused until it is aborted."""
    twin = make_twin()
    outcome = record(tmp_path / "run", Meanwhile(twin, _exchange(0.93)), twin=twin)
    assert outcome is not None
    assert outcome.state is State.ABORTED
    (why,) = _refusals(tmp_path / "run")
    assert "as no rest moves it" in why
    assert _is_replayed(tmp_path / "run")


def test_the_same_cell_goes_on(tmp_path):
    """Nothing was done: the night ends as ever."""
    twin = make_twin()
    outcome = record(tmp_path / "run", Meanwhile(twin, lambda _: None), twin=twin)
    assert outcome is not None
    assert (outcome.state, _refusals(tmp_path / "run")) == (State.DONE, [])


def test_a_pause_that_is_longer_than_the_run_may_last_trips_nothing(tmp_path):
    """It was counted, and tripped *total time* in the pause."""
    twin, ticks = make_twin(), 1200
    assert run_documents().plan.limits.total_time_s < ticks
    options = Meanwhile(twin, lambda _: None, ticks)
    outcome = record(tmp_path / "run", options, twin=twin)
    assert outcome is not None
    assert (outcome.state, outcome.trip) == (State.DONE, None)
    assert _is_replayed(tmp_path / "run")


def test_another_instrument_ends_the_run(tmp_path):
    """Its identity is asked again before anything goes on; the answer is in the record."""
    twin = make_twin()

    def swapped(bench) -> None:
        known = bench.identify()
        other = [
            one._replace(serial="another", raw="another one") if one.instrument == "load" else one
            for one in known
        ]
        bench.identify = lambda: list[Identity](other)

    outcome = record(tmp_path / "run", Meanwhile(twin, swapped), twin=twin)
    assert outcome is not None
    assert outcome.state is State.FAULTED
    assert outcome.trip is not None
    assert outcome.trip.reason == "load: identity changed: another one answers"
    assert _is_replayed(tmp_path / "run")

"""What the computer says is journaled when it may decide, and not when it only trembles."""

import random
from pathlib import Path

import pytest

from sequencer import clocks
from sequencer.clocks import WallClock
from sequencer.executive import Outcome
from sequencer.recording.medium import Disk
from sequencer.recording.run import RecordedRun, read_run
from sequencer.recording.synchronising import Synchroniser
from sequencer.vocabulary.verdict import Exit
from tests.builders import S, charge, rest
from tests.replaying.recorded import RoundedBench, again, go

STEPS = (rest(600), charge(1.5, 4.2, 0.35, 2), rest(600, 3))
MB = 1_000_000


class SharedDisk(Disk):
    """A disk that others write to as well: its room comes and goes around ``middle``."""

    def __init__(self, middle: int, swing: int) -> None:
        self._draw, self._middle, self._swing = random.Random(7), middle, swing

    def free_bytes(self, path: Path) -> int:
        """Anything within the swing."""
        return self._middle + self._draw.randint(-self._swing, self._swing)


def _run(folder: Path, disk: Disk) -> tuple[Outcome, RecordedRun]:
    went = go(folder, RoundedBench(), STEPS, disk)
    return went.outcome, read_run(folder)


@pytest.mark.parametrize(
    ("middle", "swing"),
    [(300_000 * MB, 20_000 * MB), (800 * MB, 8 * MB)],
    ids=["plenty", "less than plenty"],
)
def test_a_disk_that_others_use_writes_no_journal_lines(
    middle: int, swing: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """At most one line says how much room there is, and a replay decides the same."""
    waits = random.Random(8)
    monkeypatch.setattr(Synchroniser, "unsynced_ns", lambda _: waits.randint(0, 5 * S - 1))
    outcome, record = _run(tmp_path / "run", SharedDisk(middle, swing))
    assert outcome.exit is Exit.DONE
    told = record.all("host")
    assert len(told) <= (middle < 1 << 30), told
    for one in told:
        assert middle - 3 * swing <= one["free_bytes"] <= middle
    told_again = again(tmp_path / "run", STEPS)
    assert told_again.differences == ()
    assert told_again.lines > 5


def test_room_that_shrinks_is_told_and_ends_the_run(tmp_path: Path):
    """No more is told than there is, and the rule sees it before less than 48 MB are left."""

    class FillingDisk(SharedDisk):
        def free_bytes(self, path: Path) -> int:
            self._middle -= 5 * MB
            return super().free_bytes(path)

    outcome, record = _run(tmp_path / "run", FillingDisk(400 * MB, 0))
    assert outcome.trip is not None
    assert outcome.trip.interlock == "disk nearly full"
    told = [one["free_bytes"] for one in record.all("host")]
    assert told == sorted(told, reverse=True)
    assert 15 <= len(told) <= 30
    assert again(tmp_path / "run", STEPS).differences == ()


@pytest.mark.parametrize(("waited_s", "told_s"), [(4.999, 0), (10.0, 10), (10.001, 15)])
def test_rows_that_wait_for_the_disk_end_the_run_after_what_the_rule_says(
    waited_s: float, told_s: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """The rule says 10 s: that long is well, any longer is not."""
    looks: list[int] = []

    def unsynced_ns(_: Synchroniser) -> int:
        looks.append(1)
        return round(waited_s * S) if len(looks) > 3 else 0

    monkeypatch.setattr(Synchroniser, "unsynced_ns", unsynced_ns)
    outcome, record = _run(tmp_path / "run", Disk())
    is_tripped = outcome.trip is not None and outcome.trip.interlock == "record failed"
    assert is_tripped is (waited_s > 10.0)
    assert {row.sample.host.unsynced_ns for row in record.rows} == {0, told_s * S}
    assert again(tmp_path / "run", STEPS).differences == ()


def test_two_readings_of_clocks_are_no_sleep(monkeypatch: pytest.MonkeyPatch):
    """What is between two readings is not told; a sleep is, whole; short ones add up."""
    ahead = iter([0, 150, -90, 400, 30, 1_500_000_250, 1_500_000_100, 1_508_000_000, 1_516_000_000])
    monkeypatch.setattr(clocks, "_boot_ahead_ns", lambda: next(ahead))
    clock = WallClock()
    slept = [clock.slept_ns() for _ in range(8)]
    assert slept == [0, 0, 0, 0, 1_500_000_250, 0, 0, 15_999_750]

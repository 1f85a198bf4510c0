"""Kill and freeze: ``python -m tests.safety.kills --count 500``.

A whole ``nightbench run`` on the served demonstration bench, over real sockets and terminals, is
struck at a moment drawn by seed: the executive or the watchdog killed or stopped. Off is
looked up on the bench itself; every row that was in the file before the attack must be there after
it, whole, and the record may be one tick behind the bench, no more.
"""

import argparse
import contextlib
import json
import random
import signal
import statistics
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from sequencer.recording.run import read_run
from sequencer.watchdog.attendant import LOST_S
from sequencer.watchdog.requests import wait_until
from tests.watchdog.nights import Night, send

PROFILE = Path(__file__).with_name("kill-night.yaml")
OFF_WITHIN_S = 3.0
"""From the death or the silence of the executive, or the death of the watchdog, to off."""
OFF_WITHOUT_ECHO_S = LOST_S + 5.0
"""From the silence of the watchdog to off, in a run that nobody attends; a cycle that a loaded
computer makes late begins the twenty seconds anew."""
LONGEST_TICK_NS = 1_100_000_000
"""A sampling period and its rounding: the bench may be one tick ahead of the record."""
LATEST_ROW = 800
_CURRENT_A = 0.05
"""More than any meter of that bench shows without current."""
PATIENCE_S = 60.0
LOOK_S = 0.005
"""Between two looks at the bench after an attack: the run needs the computer too."""
ATTACKS = {
    "SIGKILL of the executive": signal.SIGKILL,
    "SIGSTOP of the executive": signal.SIGSTOP,
    "SIGKILL of the watchdog": signal.SIGKILL,
    "SIGSTOP of the watchdog": signal.SIGSTOP,
}
BY_EXECUTIVE = ("SIGKILL of the watchdog", "SIGSTOP of the watchdog")
"""Attacks after which the executive makes safe by itself."""


class AttackResult(NamedTuple):
    """What came of one attack. ``wrong`` says in words what must not be; empty is a pass."""

    attack: str
    state: str
    seconds: float
    exit: int
    level: str
    wrong: tuple[str, ...]


def strike(attack: str, row: int, place: Path, module: str = "sequencer.cli") -> AttackResult:
    """One night, struck when its record has ``row`` rows (0: as soon as it has a folder)."""
    night = Night(place / "run", profile=PROFILE, module=module)
    try:
        samples = night.folder / "samples.csv"
        wait_until(lambda: _is_at(night, row) or night.parent.poll() is not None, 120.0)
        if not _is_at(night, row) or night.parent.poll() is not None:
            return AttackResult(
                attack, "", 0.0, -1, "", (f"never came to row {row}: {night.said()}",)
            )
        child = night.executive
        night.observe()
        before = samples.read_bytes()
        whole = before[: before.rfind(b"\n") + 1]
        send(night.parent.pid if attack in BY_EXECUTIVE else child, ATTACKS[attack])
        bench_ns = _bench_ns(night)
        seconds = _seconds_to_off(night, goes_on=attack == "SIGSTOP of the watchdog")
        wait_until(lambda: _has_ended(night) or _is_gone(child), PATIENCE_S)
        return _account(night, attack, seconds, whole, bench_ns)
    finally:
        if night.parent.poll() is None:
            send(night.parent.pid, signal.SIGCONT)
        night.close()


def strike_somewhere(attack: str, row: int) -> AttackResult:
    """The same, in a folder that nobody needs afterwards."""
    with tempfile.TemporaryDirectory(
        prefix="nightbench-kills-", ignore_cleanup_errors=True
    ) as place:
        return strike(attack, row, Path(place))


def _seconds_to_off(night: Night, *, goes_on: bool) -> float:
    """Real seconds from now until no output drives the cell (what follows is proof, and the
    contactor). A bench that has ended was let go by an executive that had proven off. Where the
    run ``goes_on`` after the attack, off counts only from its trip: a rest of the plan is none."""
    began = time.monotonic()

    def is_off() -> bool:
        if goes_on and not any(kind == "trip" for kind, _ in night.entries()):
            return False
        try:
            truth = night.observe()
        except OSError:
            return True
        drives = (truth["supply_on"] or truth["load_on"]) and truth["contactor_closed"]
        return not drives and abs(truth["current_a"]) < 1e-3

    while not is_off() and time.monotonic() - began < PATIENCE_S:
        time.sleep(LOOK_S)
    return time.monotonic() - began


def _is_at(night: Night, row: int) -> bool:
    return _rows(night.folder / "samples.csv") >= row and _is_held(night)


def _rows(samples: Path) -> int:
    return samples.read_bytes().count(b"\n") - 1 if samples.exists() else -1


def _is_held(night: Night) -> bool:
    return (night.folder / "safing.json").exists() and (night.folder / "live.json").exists()


def _has_ended(night: Night) -> bool:
    return any(kind == "end" for kind, _ in night.entries())


def _is_gone(process_id: int) -> bool:
    """Dead, whether or not anybody has fetched its exit code."""
    try:
        state = Path(f"/proc/{process_id}/stat").read_text(encoding="ascii").rpartition(")")[2]
    except (FileNotFoundError, ProcessLookupError):
        return True
    return state.split()[0] == "Z"


def _bench_ns(night: Night) -> int:
    """Bench time at the attack; 0 when the bench is gone already."""
    try:
        return int(night.observe()["at_ns"])
    except OSError:
        return 0


def _account(
    night: Night, attack: str, seconds: float, whole: bytes, bench_ns: int
) -> AttackResult:
    """Everything that must hold afterwards."""
    by_child, is_dead = attack in BY_EXECUTIVE, attack == "SIGKILL of the watchdog"
    if attack == "SIGSTOP of the watchdog":
        send(night.parent.pid, signal.SIGCONT)  # it goes on, and says what the executive told it
    said = "" if is_dead else night.said()
    ended, entries = _has_ended(night), night.entries()
    if not any(kind == "identity" for kind, _ in entries):
        return _before_anything(night, attack, seconds)
    wrong = [] if ended else [f"no end in the journal: {said}"]
    states = [entry["state"] for kind, entry in entries if kind == "state"]
    if seconds > limit_s(attack):
        wrong.append(f"off after {seconds:.2f} s")
    code = night.last("end")["exit"] if ended else -1
    if not is_dead and night.parent.returncode != code:
        wrong.append(f"exit {night.parent.returncode}, the journal says {code}")
    if code != (6 if states or not by_child else 3):  # without a watchdog no run begins
        wrong.append(f"exit {code}: {said}")
    if by_child and ended and "watchdog" not in night.last("end")["reason"]:
        wrong.append(f"another cause: {night.last('end')['reason']}")
    level = _level(entries)
    if level not in _levels(night.folder):
        wrong.append(f"proof level {level}: {said}")
    wrong += _losses(night.folder, whole, 0 if by_child else bench_ns)
    return AttackResult(
        attack, states[-1] if states else "checking", seconds, code, level, tuple(wrong)
    )


def _before_anything(night: Night, attack: str, seconds: float) -> AttackResult:
    """Nobody was even asked: a refusal by an executive without a watchdog, what a watchdog says of
    one that is gone before it had a plan (1), or the plan carried out."""
    code = night.last("end")["exit"] if _has_ended(night) else 3
    wrong = () if code in (1, 3, 6) else (f"exit {code} before anything was opened",)
    return AttackResult(attack, "before anything", seconds, code, "none", wrong)


def _levels(folder: Path) -> tuple[str, ...]:
    """What may be proven: what was announced. Before the first current, whoever makes safe may not
    have been told yet that the contact was seen to part and to join the cell: level B, exit 6."""
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    has_driven = any(abs(row.sample.current_a) > _CURRENT_A for row in read_run(folder).rows)
    announced = manifest["proof_within_reach"]
    return (announced,) if has_driven else (announced, "B")


def _level(entries) -> str:
    proofs = [
        entry["proof"] if kind == "rescue" else entry
        for kind, entry in entries
        if kind in ("rescue", "proof")
    ]
    return proofs[-1]["level"] if proofs else ""


def _losses(folder: Path, whole: bytes, bench_ns: int) -> Iterator[str]:
    after = (folder / "samples.csv").read_bytes()
    if not after.startswith(whole):
        yield "rows that were there before the attack are not there after it"
    rows = read_run(folder).rows
    if [row.number for row in rows] != list(range(1, len(rows) + 1)):
        yield "the record has gaps"
    if rows and bench_ns - rows[-1].sample.at_ns > LONGEST_TICK_NS:
        yield f"the record ends {(bench_ns - rows[-1].sample.at_ns) / 1e9:.2f} s before the bench"


def limit_s(attack: str) -> float:
    """Within how many seconds of an attack the bench must be off."""
    return OFF_WITHOUT_ECHO_S if attack == "SIGSTOP of the watchdog" else OFF_WITHIN_S


def draw(seed: int, count: int, attacks: list[str]) -> Iterator[tuple[str, int]]:
    """Which attack at which row; one in ten before the first row or shortly after it."""
    chance = random.Random(seed)
    for number in range(count):
        row = chance.randint(0, 3) if chance.random() < 0.1 else chance.randint(4, LATEST_ROW)
        yield attacks[number % len(attacks)], row


def figures(seconds: list[float]) -> str:
    """Median, 99th percentile and largest."""
    ranked = sorted(seconds)
    p99 = ranked[min(len(ranked) - 1, int(0.99 * len(ranked)))]
    return f"median {statistics.median(ranked):.2f} s, p99 {p99:.2f} s, max {ranked[-1]:.2f} s"


def report(results: list[AttackResult]) -> Iterator[str]:
    """What came of all attacks, for a person."""
    for attack in ATTACKS:
        mine = [one for one in results if one.attack == attack]
        if not mine:
            continue
        in_time = sum(one.seconds <= limit_s(attack) for one in mine)
        yield f"{attack}: {in_time} of {len(mine)} off within {limit_s(attack):.0f} s; " + figures(
            [one.seconds for one in mine]
        )
        for title, values in (
            ("struck while", Counter(one.state for one in mine)),
            ("exit", Counter(str(one.exit) for one in mine)),
            ("proof level", Counter(one.level for one in mine)),
        ):
            told = ", ".join(f"{name or 'none'} {count}" for name, count in values.most_common())
            yield f"    {title}: {told}"
    bad = [one for one in results if one.wrong]
    yield from (f"WRONG {one.attack} while {one.state}: {'; '.join(one.wrong)}" for one in bad)
    yield f"{len(results)} attacks, {len(bad)} wrong"


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(prog="python -m tests.safety.kills")
    parser.add_argument("--count", type=int, default=500, help="attacks of each kind")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--attack", choices=[*ATTACKS], action="append", help="this kind alone")
    parser.add_argument("--minutes", type=float, default=1e9, help="stop after so long")
    given = parser.parse_args()
    attacks = given.attack or list(ATTACKS)
    results: list[AttackResult] = []
    ends = time.monotonic() + 60.0 * given.minutes
    with contextlib.suppress(KeyboardInterrupt):  # what was found until then is reported
        for attack, row in draw(given.seed, given.count * len(attacks), attacks):
            if time.monotonic() > ends:
                break
            results.append(strike_somewhere(attack, row))
            if results[-1].wrong:
                print(f"at row {row}: {results[-1]}", file=sys.stderr, flush=True)
    for line in report(results):
        print(line)
    return 1 if any(one.wrong for one in results) else 0


if __name__ == "__main__":
    sys.exit(main())

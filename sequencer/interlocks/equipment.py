"""Rules over instruments, links, the loop, the computer, and the person in front of it."""

from collections.abc import Callable, Sequence
from operator import itemgetter
from typing import NamedTuple

from sequencer.interlocks.rule import Judge
from sequencer.vocabulary import units
from sequencer.vocabulary.faults import FaultKind
from sequencer.vocabulary.intent import DRIVING, Awaited, Intent, State
from sequencer.vocabulary.measuring_channels import MeasuringChannels
from sequencer.vocabulary.sample import GONE, LOST, OFF, ON, Host, Sample

SETTLING_NS = 2_000_000_000
AT_ONCE = frozenset(
    {
        FaultKind.SETTING_DIFFERS,
        FaultKind.OUTPUT_DIFFERS,
        FaultKind.ERROR_QUEUE,
        FaultKind.IDENTITY_CHANGED,
        FaultKind.LINK_LOST,
    }
)
"""Faults that are never a glitch; the others must come back in consecutive samples."""
NEVER = frozenset({FaultKind.AWAITED, FaultKind.REOPENED})
"""Faults that end nothing by themselves: readings that stay away grow old (``reading_old``)."""


def reading_invalid(k: int) -> Judge:
    """An instrument does not send what is no reading, ``k`` times in a row."""
    return _repeated(frozenset({FaultKind.INVALID_READING}), k)


def link_failing(k: int) -> Judge:
    """An instrument answers, and answers the question, without ``k`` failures in a row on whichever
    of its channels."""
    return _repeated(frozenset(FaultKind) - AT_ONCE - NEVER - {FaultKind.INVALID_READING}, k)


def _repeated(kinds: frozenset[FaultKind], k: int) -> Judge:
    streaks: dict[str, int] = {}

    def judge(sample: Sample, _intent: Intent) -> str:
        if not sample.faults:
            if streaks:
                streaks.clear()
            return ""
        now = {one.culprit: one for one in sample.faults if one.kind in kinds}
        for culprit in [one for one in streaks if one not in now]:
            del streaks[culprit]
        for culprit, fault in now.items():
            streaks[culprit] = streaks.get(culprit, 0) + 1
            if streaks[culprit] >= k:
                times = f"{k} times in a row" if k > 1 else "once"
                return f"{culprit}: {fault.kind.value} {times}: {fault.detail}"
        return ""

    return judge


def instrument_fault() -> Judge:
    """No instrument reports an error, forgets a setting, changes identity or loses its link."""

    def judge(sample: Sample, _intent: Intent) -> str:
        for fault in sample.faults:
            if fault.kind in AT_ONCE:
                return f"{fault.culprit}: {fault.kind.value}: {fault.detail}"
        return ""

    return judge


class Watched(NamedTuple):
    """A channel whose age matters: its time in a sample, its words, and whether it decides while
    an output is on."""

    field: str
    words: str
    decides: bool


def reading_old(channels: Sequence[Watched], driven_ns: int, resting_ns: int) -> Judge:
    """Every reading is young enough to decide with; one that never came is as old as can be, and
    one from the future is no younger than one as old.

    ``driven_ns`` holds while an output is on for channels that decide then, ``resting_ns``
    otherwise.
    """
    fields = Sample._fields.index
    times_of = itemgetter(*(fields(one.field) for one in channels), fields("at_ns"))
    shortest = min(driven_ns, resting_ns)

    def judge(sample: Sample, intent: Intent) -> str:
        times = times_of(sample)
        at_ns = sample.at_ns
        if at_ns - min(times) <= shortest and max(times) - at_ns <= shortest:
            return ""
        driven = intent.state in DRIVING
        for channel, read_at in zip(channels, times, strict=False):
            allowed = driven_ns if driven and channel.decides else resting_ns
            if not -allowed <= at_ns - read_at <= allowed:
                old, _ = units.apart(1, (at_ns - read_at) / 1e9, allowed / 1e9)
                return f"{channel.words} reading is {old} s old"
        return ""

    return judge


def output_state(channels: MeasuringChannels) -> Judge:
    """Every output is in the state that was commanded, by its own word; unknown is not off."""

    supply, load, contactor = channels.supply_a.present, channels.load_a.present, channels.contactor

    def judge(sample: Sample, intent: Intent) -> str:
        since, state = intent.since_ns, intent.state
        if sample.at_ns - since <= SETTLING_NS or state is State.CHECKING:
            return ""
        if supply:
            wanted = ON if state is State.CHARGING else OFF
            if sample.supply_on != wanted and sample.supply_at_ns > since:
                return _differs("supply output", sample.supply_on, wanted)
        if load:
            wanted = ON if state is State.DISCHARGING else OFF
            if sample.load_on != wanted and sample.load_at_ns > since:
                return _differs("load input", sample.load_on, wanted)
        if contactor:
            wanted = ON if intent.connected else OFF
            if sample.contactor_closed != wanted and sample.contactor_at_ns > since:
                return _differs("contactor", sample.contactor_closed, wanted)
        return ""

    return judge


_STATES = {ON: "on", OFF: "off"}


def _differs(what: str, seen: int, wanted: int) -> str:
    return f"{what} says {_STATES.get(seen, 'nothing')} and should be {_STATES[wanted]}"


def step_time() -> Judge:
    """A step ends within its bound."""

    def judge(sample: Sample, intent: Intent) -> str:
        if not sample.at_ns <= intent.step_ends_by_ns:
            over, _ = units.apart(1, (sample.at_ns - intent.step_ends_by_ns) / 1e9, 0.0)
            why = "; ".join(_missed(one, sample) for one in intent.awaited)
            return f"the step is {over} s past its time bound{why and f': {why}'}"
        return ""

    return judge


def charge_counted() -> Judge:
    """What a step to a state of charge counts from is known."""

    def judge(_sample: Sample, intent: Intent) -> str:
        return intent.lacks

    return judge


def _missed(wanted: Awaited, sample: Sample) -> str:
    """What a rest waited for, how long, and where that stood at the end."""
    waited = units.duration((sample.at_ns - wanted.since_ns) // 1_000_000_000)
    told = f"{wanted.words} did not come in {waited}"
    if not wanted.channel:
        return told
    last_c: float = getattr(sample, wanted.channel)
    return f"{told}; last seen " + (f"{last_c:.2f} degC" if last_c == last_c else "no reading")


def total_time() -> Judge:
    """The run ends within its bound."""

    def judge(sample: Sample, intent: Intent) -> str:
        if not sample.at_ns <= intent.run_ends_by_ns:
            over, _ = units.apart(1, (sample.at_ns - intent.run_ends_by_ns) / 1e9, 0.0)
            if intent.state is State.PAUSED:
                return f"the pause is {over} s longer than may be before the cell is recharged"
            return f"the run is {over} s past its total time"
        return ""

    return judge


def loop_late(allowed_ns: int) -> Judge:
    """The loop looks when it meant to."""

    def judge(sample: Sample, intent: Intent) -> str:
        if intent.state in DRIVING and not sample.late_ns <= allowed_ns:
            return f"the loop is {sample.late_ns / 1e9:.2f} s late"
        return ""

    return judge


def computer_slept(allowed_ns: int) -> Judge:
    """The computer does not sleep."""

    def holds(host: Host) -> str:
        if not host.slept_ns <= allowed_ns:
            return f"the computer slept for {host.slept_ns / 1e9:.1f} s"
        return ""

    return _host(holds)


def disk_full(least_bytes: int) -> Judge:
    """The disk that holds the record has room."""

    def holds(host: Host) -> str:
        if not host.free_bytes >= least_bytes:
            return f"only {host.free_bytes / 1e6:.0f} MB are free on the record's disk"
        return ""

    return _host(holds)


def record_failed(oldest_ns: int) -> Judge:
    """Rows reach the disk: no write failed, the run folder is there, and the last sync is not too
    old. Judged before the room on the disk, which nobody can tell of a folder that is gone."""

    def holds(host: Host) -> str:
        if host.write_failure:
            return f"the record cannot be kept: {host.write_failure}"
        if not host.unsynced_ns <= oldest_ns:
            return f"rows have not reached the disk for {host.unsynced_ns / 1e9:.0f} s"
        return ""

    return _host(holds)


def person_asked() -> Judge:
    """Nobody asks for an end."""

    def holds(host: Host) -> str:
        return "a person asked to abort" if host.request == "abort" else ""

    return _host(holds)


def watchdog_answers(lost_s: float, *, attended: bool) -> Judge:
    """The watchdog process lives; and where no person stays with the run, it answers."""

    def holds(host: Host) -> str:
        if host.watchdog == GONE:
            return "the watchdog process is gone"
        if host.watchdog == LOST and not attended:
            return (
                f"the watchdog process has not answered for {lost_s:.0f} s, and no person stays "
                "with this run"
            )
        return ""

    return _host(holds)


def _host(holds: Callable[[Host], str]) -> Judge:
    """A rule over what the computer says."""
    return lambda sample, _intent: holds(sample.host)

"""Judging one interlock alone, and samples of a healthy run to judge it with."""

from collections.abc import Callable, Iterable

from sequencer.interlocks.panel import make_panel
from sequencer.interlocks.rule import Rule
from sequencer.vocabulary.commands import RESTING, CurrentLimitRow, Direction, Drive
from sequencer.vocabulary.intent import Intent, State
from sequencer.vocabulary.sample import Sample
from tests.builders import CHANNELS, LIMITS, S, sample

CHARGING = Intent(State.CHARGING, Drive(Direction.CHARGE, 1.5, 4.2), S, connected=True)
DISCHARGING = Intent(State.DISCHARGING, Drive(Direction.DISCHARGE, 3.0, 3.0), S, connected=True)
RESTS = Intent(State.RESTING, RESTING, S, connected=True)


def interlock(name: str, limits=LIMITS, channels=CHANNELS) -> Rule:
    """One rule, fresh."""
    rules = [rule for rule in make_panel(limits, channels).rules if rule.id == name]
    assert len(rules) == 1, f"no interlock {name}"
    return rules[0]


def tripped(name: str, intent: Intent, samples: Iterable[Sample], limits=LIMITS, channels=CHANNELS):
    """The reason of the one named interlock over these samples, judged alone; empty if clear."""
    rule = interlock(name, limits, channels)
    return next((reason for one in samples if (reason := rule.judge(one, intent))), "")


def charging(at_s: float = 100, volts: float = 3.9, amps: float = 1.5, **fields) -> Sample:
    """A healthy sample while charging."""
    return sample(at_s, volts, amps, **fields)


def discharging(at_s: float = 100, volts: float = 3.5, amps: float = -3.0, **fields) -> Sample:
    """A healthy sample while discharging."""
    return sample(at_s, volts, amps, **fields)


MAKE: dict[Intent, Callable[..., Sample]] = {
    CHARGING: charging,
    DISCHARGING: discharging,
    RESTS: sample,
}
"""How to make a healthy sample for each intent."""
BANDS = LIMITS._replace(
    table=(CurrentLimitRow(Direction.CHARGE, 2.0), CurrentLimitRow(Direction.DISCHARGE, 4.0))
)
"""Limits with a table of currents."""

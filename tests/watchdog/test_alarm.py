"""The alarm: rings, says why, calls, and not more often than once a minute."""

from pathlib import Path

from sequencer.executive import ALARM
from sequencer.watchdog.alarm import PHASE, Alarm
from sequencer.watchdog.calling import Calls


def test_an_alarm_rings_says_why_and_calls():
    """A minute passes before the next ring."""
    said: list[str] = []
    called: list[tuple[str, str, Path | None]] = []
    now = [0.0]
    calls = Calls("")
    calls.call = lambda *told: called.append(told)  # type: ignore[method-assign]
    alarm = Alarm(calls, said.append, lambda: now[0])
    alarm.sound("the cell keeps warming", Path("run"))
    now[0] = 59.9
    alarm.sound("the cell keeps warming", Path("run"))
    assert said == ["\aALARM: the cell keeps warming"]
    assert called == [("alarm", "the cell keeps warming", Path("run"))]
    now[0] = 60.0
    alarm.sound("again")
    assert said[-1] == "\aALARM: again"
    assert called[-1] == ("alarm", "again", None)


def test_the_executive_and_the_watchdog_mean_the_same_word():
    """Two processes, one word."""
    assert ALARM == PHASE

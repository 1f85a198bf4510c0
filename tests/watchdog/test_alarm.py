"""The alarm: rings, says why, starts the user's command, and not more often than once a minute."""

import os
from pathlib import Path

from sequencer.executive import ALARM
from sequencer.watchdog.alarm import PHASE, Alarm


def test_an_alarm_rings_says_why_and_starts_the_command(tmp_path: Path):
    """The command finds the words in its environment; a minute passes before the next ring."""
    said: list[str] = []
    now = [0.0]
    fifo = tmp_path / "told"
    os.mkfifo(fifo)
    alarm = Alarm(f'echo "$NIGHTBENCH_ALARM" > {fifo}', said.append, lambda: now[0])
    alarm.sound("the cell keeps warming")
    assert fifo.read_text() == "the cell keeps warming\n"
    now[0] = 59.9
    alarm.sound("the cell keeps warming")
    assert said == ["\aALARM: the cell keeps warming"]
    now[0] = 60.0
    Alarm("", said.append, lambda: now[0]).sound("again")
    assert said[-1] == "\aALARM: again"


def test_the_executive_and_the_watchdog_mean_the_same_word():
    """Two processes, one word."""
    assert ALARM == PHASE

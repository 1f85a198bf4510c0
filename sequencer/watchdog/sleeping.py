"""Keeping the computer awake during a run, where the system offers it; saying so where not."""

import shutil
from typing import Final

from sequencer.watchdog.processes import Started, start_program

_SETTLE_S: Final = 0.3


def inhibit_sleep(why: str) -> tuple[Started | None, str]:
    """Ask the system not to sleep while this process and the one started here live.

    The second value says what was reached, in words. The inhibitor ends by itself when the pipe to
    it closes, so a killed watchdog leaves nothing behind.
    """
    program = shutil.which("systemd-inhibit")
    if program is None:
        return None, "sleep is NOT inhibited: this system has no systemd-inhibit; switch it off"
    started = start_program(
        [
            program,
            "--what=sleep:idle:handle-lid-switch",
            "--who=nightbench",
            f"--why={why}",
            "--mode=block",
            "cat",
        ]
    )
    if started is None or started.wait(_SETTLE_S):
        return None, "sleep is NOT inhibited: systemd-inhibit was refused; switch sleep off"
    return started, "sleep is inhibited by systemd-inhibit"

"""The end of an executive whose watchdog is gone: nobody else is left to say how it ended.

Owns that it is said, and that off is tried again where it is not proven, as the watchdog would.
"""

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, Final

from sequencer.assembly.run_result import RunResult
from sequencer.watchdog import rescue
from sequencer.watchdog.afterword import write_apart
from sequencer.watchdog.calling import ALARM, Calls
from sequencer.watchdog.orphans import SAFING
from sequencer.watchdog.speaking import Say

TRIES: Final = 300
"""So often off is tried again, every two seconds: nobody can stop it with Ctrl-C, and a person who
comes must find the links free at some time (our choice)."""

_FOR_LONG: Final = partial(rescue.rescue, attempts=TRIES)


def end_alone(
    result: RunResult,
    say: Say,
    calls: Calls,
    make_safe: Callable[..., rescue.Rescue] = _FOR_LONG,
) -> None:
    """Say ``result`` and, where off is not proven, call a person and go on trying."""
    for line in result.lines:
        say(line)
    folder = result.data.get("folder")
    if result.off or not folder:
        return
    words = "the outputs are NOT proven off, and the watchdog is gone"
    say(f"\aALARM: {words}")
    calls.call(ALARM, words, Path(folder))
    try:
        plan = rescue.load_plan(Path(folder) / SAFING)
    except (OSError, ValueError) as error:
        say(f"off cannot be tried again: {error}")
        return
    done = make_safe(plan, say)
    entry: dict[str, Any] = {
        "why": words,
        "attempts": done.attempts,
        "exit": int(done.exit),
        "proof": rescue.proof_entry(done.proof),
    }
    for line in rescue.proof_lines(done.proof):
        say(line)
    if why := write_apart(Path(folder), [("rescue", entry)]):
        say(f"the journal could not be completed: {why}")

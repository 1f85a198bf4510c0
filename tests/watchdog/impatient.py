"""``nightbench`` whose executive waits less long for a watchdog that does not answer.

An alarm after 2 s and the end after 6 s, where the program itself waits 5 and 20 s: its own times
are held in ``test_messages``, and these only spare real waiting. Started as ``nightbench`` is; the
executive, a child of it, is this module again.
"""

import sys
from typing import Any

from sequencer.interlocks import panel
from sequencer.watchdog import attendant

SILENT_S, LOST_S = 2.0, 6.0


def main() -> None:
    """The command line, or the executive that it starts."""
    if "--channel" not in sys.argv:
        from sequencer import cli
        from sequencer.commands import run

        run.CHILD = "tests.watchdog.impatient"
        cli.entry()
    times: dict[Any, dict[str, float]] = {
        attendant: {"SILENT_S": SILENT_S, "LOST_S": LOST_S},
        panel: {"WATCHDOG_LOST_S": LOST_S},
    }
    for module, named in times.items():
        for name, seconds in named.items():
            assert hasattr(module, name)
            setattr(module, name, seconds)
    from sequencer.assembly import child

    child.entry()


if __name__ == "__main__":
    main()

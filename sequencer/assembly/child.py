"""The executive's process: reads, locks, assembles, runs, and says goodbye to its watchdog.

Owns the order of a run's beginning and end. Shows no traceback and prints nothing but an alarm of
its own: what it has to say goes through the channel and into the run folder.
"""

import argparse
import json
import os
import sys
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any, Final, NoReturn

from sequencer.assembly.alone import end_alone
from sequencer.assembly.run_result import RunResult, bug
from sequencer.clocks import WallClock, unix_ns
from sequencer.vocabulary.faults import (
    DocumentError,
    InstrumentError,
    NightbenchError,
    RefusedError,
    UsageError,
)
from sequencer.vocabulary.verdict import Exit
from sequencer.watchdog.alarm import Alarm
from sequencer.watchdog.attendant import Attendant, attend
from sequencer.watchdog.calling import Calls
from sequencer.watchdog.speaking import Say, Speaker

READING_S: Final = 30.0
SAYING_S: Final = 4.0
"""For so long a terminal may take the last lines."""


def main(arguments: Sequence[str]) -> int:
    """Run what was wished, and answer to the watchdog on the inherited handle."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--channel", type=int, required=True)
    parser.add_argument("--terminal", type=int, required=True)
    parser.add_argument("--options", type=json.loads, required=True)
    given = parser.parse_args(arguments)
    attendant = attend(given.channel)
    attendant.beat("reading the documents", READING_S)
    calls, say = Calls(given.options.get("call", "")), partial(_say, given.terminal)
    alarm = Alarm(calls, say)
    said = Speaker(alarm.sound).say, Speaker(Alarm(calls, say).sound).say
    result = told(lambda: _run(given.options, attendant, *said))
    if not attendant.say_goodbye(
        int(result.exit), result.lines, result.data, off=result.off, brief=result.brief
    ):
        speaker = Speaker(say)
        end_alone(result, speaker.say, calls)
        speaker.finish(SAYING_S)
    return int(result.exit)


def _say(terminal: int, line: str) -> None:
    os.write(terminal, f"{line}\n".encode())


def told(run: Callable[[], RunResult]) -> RunResult:
    """Errors from before anything was energised, as the result of the run."""
    try:
        return run()
    except DocumentError as error:
        faults = [fault._asdict() for fault in error.faults]
        return RunResult(Exit.USAGE, [str(one) for one in error.faults], {"faults": faults})
    except UsageError as error:
        return _wrong(Exit.USAGE, [str(error)])
    except RefusedError as error:
        return _wrong(Exit.REFUSED, error.reasons)
    except (InstrumentError, NightbenchError) as error:
        return _wrong(Exit.REFUSED, [str(error)])
    except Exception as error:  # noqa: BLE001 - nothing was energised yet; told, and kept in a file
        return bug(error, None)


def _wrong(code: Exit, lines: Sequence[str]) -> RunResult:
    return RunResult(code, lines, {"errors": list(lines)})


def _run(
    options: Mapping[str, Any], attendant: Attendant, alarm: Say, urgent: Say | None = None
) -> RunResult:
    from sequencer.assembly.night import Night
    from sequencer.run_documents.reading import RunOptions, read_run_documents

    folder = Path(options["folder"]) if options["folder"] else None
    attended = bool(options.get("attended"))
    if options.get("resume"):
        from sequencer.resuming.resumption import resume_from

        old = Path(options["resume"])
        resumes = resume_from(old, unix_ns(), WallClock().now_ns())
        night = Night(resumes.run_documents, attendant, alarm, resumes, urgent=urgent)
        return night.run(folder, attended=attended)
    named = RunOptions(
        Path(options["profile"]),
        Path(options["cell"]),
        Path(options["bench"]),
        Path(options["specimen"]) if options["specimen"] else None,
        tuple(Path(one) for one in options["faults"]),
        options["settings"],
    )
    night = Night(read_run_documents(named), attendant, alarm, urgent=urgent)
    return night.run(folder, attended=attended)


def entry() -> NoReturn:
    """The process; ended at once, because a hung worker is never waited for."""
    code = main(sys.argv[1:])
    sys.stderr.flush()
    os._exit(code)


if __name__ == "__main__":
    entry()

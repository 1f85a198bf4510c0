"""The command line: it prints what commands answer and exits with their codes.

Owns the words on the command line and how an answer is shown. Everything behind a command is
imported when that command is given, because a bare ``--help`` must load no large library.
"""

import argparse
import json
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from threading import Timer
from typing import Final, NoReturn, TextIO

from sequencer.commands.answer import Answer
from sequencer.commands.arguments import add_commands
from sequencer.commands.spelling import is_unicode, spell_on
from sequencer.vocabulary.faults import (
    DocumentError,
    NightbenchError,
    RefusedError,
    UnprovenError,
    UsageError,
)
from sequencer.vocabulary.verdict import Exit

SOON_S: Final = 1.0
"""Nobody should wait longer for a word (s)."""


def entry() -> NoReturn:
    """The console script."""
    for stream in (sys.stdout, sys.stderr):
        spell_on(stream)
    raise SystemExit(main(sys.argv[1:]))


def main(arguments: Sequence[str]) -> int:
    """Carry out one command; its exit code (see ``Exit``)."""
    given, unknown = make_parser().parse_known_args(arguments)
    if unknown:
        given.wrong(f"unrecognized arguments: {' '.join(unknown)}")
    with _said_soon(given.doing):
        answer = _carry_out(given)
    _show(answer, as_json=given.json)
    return int(answer.exit)


@contextmanager
def _said_soon(words: str) -> Iterator[None]:
    """A person at a terminal reads what is being done, where it takes more than a second."""
    timer = Timer(SOON_S, _say_aside, [words])
    timer.daemon = True
    if words and sys.stderr.isatty():
        timer.start()
    try:
        yield
    finally:
        timer.cancel()


def make_parser() -> argparse.ArgumentParser:
    """Every command and every option."""
    parser = _Parser(
        prog="nightbench",
        description="Runs a cell through charge, discharge and pulses overnight, on real "
        "instruments or a rehearsal of them, and ends safe.",
        epilog="Exit: 0 done, 2 wrong document or usage, 3 refused before energising, 4 aborted "
        "by a person, 5 tripped, 6 instrument or computer fault (4 to 6: proven off), "
        "7 NOT proven off (also when nothing was energised, but nobody answers for off), "
        "1 our own bug.",
    )
    parser.add_argument("--version", action=_Version)
    add_commands(parser)
    return parser


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        self.print_usage(sys.stderr)
        self.exit(int(Exit.USAGE), f"{self.prog}: {message}\n")


class _Version(argparse.Action):
    def __init__(self, option_strings: Sequence[str], dest: str) -> None:
        super().__init__(option_strings, dest, nargs=0, help="show the version and exit")

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> NoReturn:
        from sequencer.commands.version import version

        _say(f"nightbench {version()}")
        parser.exit(0)


def _carry_out(given: argparse.Namespace) -> Answer:
    import gc
    from importlib import import_module

    say = _say_aside if given.json else _tell
    if given.drives:
        from sequencer.watchdog.layers import missing_layers

        if missing := missing_layers():
            return Answer.wrong(Exit.REFUSED, missing)
    gc.disable()  # what is imported is never garbage
    try:
        command = import_module(f"sequencer.commands.{given.module}")
        gc.freeze()
        gc.enable()
        answer: Answer = command.answer(given, say)
    except DocumentError as error:
        return _faults_told(error)
    except UsageError as error:
        return Answer.wrong(Exit.USAGE, [str(error)])
    except UnprovenError as error:
        return Answer.wrong(Exit.UNPROVEN, error.reasons)
    except RefusedError as error:
        return Answer.wrong(Exit.REFUSED, error.reasons)
    except NightbenchError as error:
        return Answer.wrong(Exit.REFUSED, [str(error)])
    except KeyboardInterrupt:
        return Answer.wrong(Exit.ABORTED, ["interrupted"])
    except Exception as error:  # noqa: BLE001 - a traceback belongs in a file, not on a bench's screen
        return _bug(error)
    return answer


def _faults_told(error: DocumentError) -> Answer:
    faults = [fault._asdict() for fault in error.faults]
    lines = [str(fault) for fault in error.faults]
    return Answer.wrong(Exit.USAGE, lines, {"faults": faults})


def _bug(error: Exception) -> Answer:
    import tempfile
    import traceback

    with tempfile.NamedTemporaryFile(
        "w", prefix="nightbench-bug-", suffix=".txt", delete=False, encoding="utf-8"
    ) as file:
        traceback.print_exception(error, file=file)
    return Answer.wrong(
        Exit.BUG,
        [f"a bug of nightbench's own: {type(error).__name__}: {error}", f"details: {file.name}"],
    )


def _tell(line: str, stream: TextIO | None = None) -> None:
    """Words for a person: on a terminal no word is broken at its edge."""
    stream = stream or sys.stdout
    for part in _parts(line) if stream.isatty() else [line]:
        _print(part, stream)


def _parts(line: str) -> list[str]:
    import textwrap

    from sequencer.commands.terminal import columns

    indent = " " * (len(line) - len(line.lstrip()) + 2)
    wrapper = textwrap.TextWrapper(
        columns() or 80, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )
    return wrapper.wrap(line) or [line]


def _say(line: str) -> None:
    _print(line, sys.stdout)


def _say_aside(line: str) -> None:
    _print(line, sys.stderr)


def _print(line: str, stream: TextIO) -> None:
    """A reader that has left, or a terminal that has gone, changes nothing else: from then on the
    words go nowhere, and the exit code is what it would have been."""
    try:
        print(line, file=stream, flush=True)
    except OSError:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


def _show(answer: Answer, *, as_json: bool) -> None:
    if as_json:
        whole = {"exit": int(answer.exit), **answer.data}
        _say(json.dumps(whole, ensure_ascii=not is_unicode(sys.stdout), indent=1))
        return
    aside = answer.exit in (Exit.BUG, Exit.USAGE, Exit.REFUSED)
    for line in answer.lines:
        if aside:
            _tell(f"nightbench: {line}" if answer.exit is Exit.BUG else line, sys.stderr)
        else:
            _tell(line)


if __name__ == "__main__":
    entry()

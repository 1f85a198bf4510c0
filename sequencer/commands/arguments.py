"""The commands' names, arguments and one-line helps; which module answers each."""

import argparse
from pathlib import Path
from typing import Any, Final

from sequencer.commands.init_questions import listed

REHEARSING: Final = "rehearsing the plan: some seconds for each day of it ..."
READING: Final = "reading the record: some seconds for each day of it ..."


def add_commands(parser: argparse.ArgumentParser) -> None:
    """Add every command that exists."""
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _add_judging(commands)
    _add_run(commands)
    _add_run_requests(commands)
    _add_looking(commands)
    _add_profile(commands)
    _add_init(commands)
    _add_bench(commands)


def _command(
    commands: Any, name: str, module: str, line: str, *, drives: bool = False, doing: str = ""
) -> argparse.ArgumentParser:
    """``drives``: it speaks to instruments, or to a process that does. ``doing``: what it is doing
    where it takes its time."""
    made: argparse.ArgumentParser = commands.add_parser(name, help=line, description=line)
    made.set_defaults(module=module, command=name, drives=drives, doing=doing, wrong=made.error)
    made.add_argument("--json", action="store_true", help="answer as JSON on standard output")
    return made


def _documents(
    made: argparse.ArgumentParser, *, bench_needed: bool, cell_needed: bool = True
) -> None:
    made.add_argument("profile", type=Path, metavar="PROFILE", help="what to do (YAML)")
    made.add_argument(
        "--cell", type=Path, required=cell_needed, metavar="CELL", help="cell document"
    )
    made.add_argument(
        "--bench", type=Path, required=bench_needed, metavar="BENCH", help="bench document"
    )
    made.add_argument("--specimen", type=Path, metavar="SPECIMEN", help="specimen document")
    made.add_argument(
        "--set",
        type=_setting,
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="a parameter of the profile, such as rate='0.5 C'; may be given again",
    )


def _setting(text: str) -> list[str]:
    name, equals, value = text.partition("=")
    if not equals:
        raise argparse.ArgumentTypeError(f"'{text}' is not of the form NAME=VALUE")
    return [name.strip(), value.strip()]


def _faults(made: argparse.ArgumentParser) -> None:
    made.add_argument(
        "--fault",
        type=Path,
        action="append",
        default=[],
        metavar="FAULT",
        help="fault document for a simulated bench; may be given again",
    )


def _add_judging(commands: Any) -> None:
    line = "validate everything and say the plan; energises nothing"
    check = _command(commands, "check", "check", line, doing=REHEARSING)
    _documents(check, bench_needed=False)
    line = "run the profile on the bench's simulated twin, in seconds"
    rehearse = _command(commands, "rehearse", "rehearse", line, doing=REHEARSING)
    _documents(rehearse, bench_needed=True)
    _faults(rehearse)
    rehearse.add_argument("--folder", type=Path, metavar="RUN", help="keep the record here")


def _add_profile(commands: Any) -> None:
    profile = commands.add_parser("profile", help="what concerns the profile alone")
    parts = profile.add_subparsers(title="profile commands", metavar="COMMAND", required=True)
    line = "say in plain words what a profile does, how long, and which claims it decides"
    made = _command(parts, "explain", "profile_explain", line, doing=REHEARSING)
    _documents(made, cell_needed=False, bench_needed=False)


def _add_run(commands: Any) -> None:
    run = _command(commands, "run", "run", "run the profile on the bench", drives=True)
    _documents(run, bench_needed=True)
    _faults(run)
    _supervised(run)
    resume = _command(
        commands, "resume", "run", "take up a run that was broken off, as a new run", drives=True
    )
    resume.add_argument("run", type=Path, metavar="RUN", help="folder of the run broken off")
    _supervised(resume)


def _supervised(run: argparse.ArgumentParser) -> None:
    run.add_argument("--folder", type=Path, metavar="RUN", help="run folder to make")
    run.add_argument("--yes", action="store_true", help="the cautions are read and accepted")
    run.add_argument(
        "--attended",
        action="store_true",
        help="a person stays with the run; asked for where it may not be left alone",
    )
    run.add_argument("--no-screen", action="store_true", help="no live screen, only the ending")
    run.add_argument("--no-report", action="store_true", help="no report at the end")
    run.add_argument(
        "--call",
        default="",
        metavar="COMMAND",
        help="shell command called on every alarm, trip, wait, long pause and ending; finds words"
        " in NIGHTBENCH_EVENT, NIGHTBENCH_WORDS and NIGHTBENCH_RUN",
    )
    run.add_argument(
        "--attempts",
        type=int,
        default=0,
        metavar="N",
        help="when off cannot be proven: attempts before ending with exit 7 (default: goes on)",
    )


def _add_run_requests(commands: Any) -> None:
    for name, line in (
        ("abort", "make a living run safe and end it"),
        ("pause", "switch a living run's outputs off until it is told to continue"),
        ("continue", "let a paused run go on"),
    ):
        made = _command(commands, name, "run_request", line, drives=True)
        made.add_argument("run", type=Path, metavar="RUN", help="run folder")
    safe = _command(
        commands, "make-safe", "make_safe", "switch a bench off by hand and prove it", drives=True
    )
    which = safe.add_mutually_exclusive_group(required=True)
    which.add_argument(
        "target",
        type=Path,
        nargs="?",
        metavar="RUN_OR_BENCH",
        help="run folder or bench document",
    )
    which.add_argument(
        "--orphans",
        type=Path,
        nargs="?",
        const=Path("runs"),
        metavar="FOLDER",
        help="every run in this folder that broke off and is not proven off (default: runs)",
    )
    safe.add_argument(
        "--by-hand",
        metavar="WORDS",
        help="nothing is asked: record for RUN, whose bench is gone, what you did to make it safe",
    )


def _add_looking(commands: Any) -> None:
    watch = _command(commands, "watch", "look", "follow a living or finished run; read-only")
    watch.add_argument("run", type=Path, metavar="RUN", help="run folder")
    watch.add_argument("--once", action="store_true", help="show it as it is now and end")
    watch.add_argument("--plain", action="store_true", help="lines instead of a screen")
    runs = _command(commands, "runs", "look", "list the runs in a folder")
    runs.add_argument(
        "folder", type=Path, nargs="?", default=Path("runs"), metavar="FOLDER", help="default: runs"
    )
    _add_report(commands)
    shelf = _command(
        commands, "specimen", "specimen", "one cell: its drift on the shelf, its runs, what is due"
    )
    shelf.add_argument("specimen", type=Path, metavar="SPECIMEN", help="specimen document")
    shelf.add_argument("--cell", type=Path, metavar="CELL", required=True, help="cell document")
    shelf.add_argument(
        "--runs", type=Path, default=Path("runs"), metavar="FOLDER", help="default: runs"
    )
    line = "decide a recorded run again; a difference is a failure"
    replay = _command(commands, "replay", "replay", line, doing=READING)
    replay.add_argument("run", type=Path, metavar="RUN", help="run folder")
    line = "write a bundle for others, samples in the Battery Data Format"
    export = _command(commands, "export", "look", line, doing=READING)
    export.add_argument("run", type=Path, metavar="RUN", help="run folder")
    export.add_argument(
        "--institution", default="", metavar="NAME", help="for the standard's file name"
    )
    export.add_argument(
        "--to", type=Path, metavar="FOLDER", help="where to (default: the run folder)"
    )
    export.add_argument(
        "--with-identity",
        action="store_true",
        help="keep host, user, paths, addresses and serial numbers, which are left out otherwise",
    )


def _add_report(commands: Any) -> None:
    line = "numbers, uncertainties and verdicts of a run, and a page"
    report = _command(commands, "report", "report", line, doing=READING)
    report.add_argument(
        "run", type=Path, metavar="RUN", help="run folder, bundle, or file of samples"
    )
    report.add_argument(
        "--page", type=Path, metavar="FILE", help="the page (default: in RUN, or beside it)"
    )
    report.add_argument("--csv", action="store_true", help="answer as one CSV table")
    report.add_argument(
        "--cell", type=Path, metavar="CELL", help="judge by this cell document instead"
    )
    report.add_argument(
        "--use", type=Path, metavar="USE", help="a product: how long it would run on this cell"
    )
    report.add_argument(
        "--pictures", type=Path, metavar="FOLDER", help="also each picture as an SVG file in there"
    )
    report.add_argument(
        "--bench",
        type=Path,
        metavar="BENCH",
        help="this bench's instruments measured it: gives a file of samples its uncertainties",
    )


def _add_init(commands: Any) -> None:
    init = _command(
        commands, "init", "init", "copy out what ships: profiles, cells, a first bench, definitions"
    )
    init.add_argument("folder", type=Path, metavar="FOLDER", help="new or empty folder")
    init.add_argument(
        "--ask", action="store_true", help="ask what stands on your bench, and write its document"
    )
    init.formatter_class = argparse.RawDescriptionHelpFormatter
    init.epilog = "\n".join(["--ask asks, and judges each answer at once:", *listed()])


def _add_bench(commands: Any) -> None:
    bench = commands.add_parser("bench", help="what concerns the bench alone")
    parts = bench.add_subparsers(title="bench commands", metavar="COMMAND", required=True)
    serve = _command(
        parts,
        "serve",
        "serve",
        "serve the simulated twin of a bench for another terminal; prints addresses",
        drives=True,
    )
    serve.add_argument("bench", type=Path, metavar="BENCH", help="bench document")
    serve.add_argument(
        "--cell",
        type=Path,
        metavar="CELL",
        help="cell document, for a bench without a simulation: a likely cell of its type",
    )
    _faults(serve)
    serve.add_argument(
        "--write",
        type=Path,
        metavar="FILE",
        help="write the bench document with the addresses filled in",
    )
    look = _command(
        parts, "check", "bench_check", "open a bench, off first, and say what is there", drives=True
    )
    look.add_argument("bench", type=Path, metavar="BENCH", help="bench document")
    _faults(look)
    line = "guided proof test on a resistor; never on a cell"
    prove = _command(parts, "prove", "bench_prove", line, drives=True)
    prove.add_argument("bench", type=Path, metavar="BENCH", help="bench document")
    prove.add_argument("--yes", action="store_true", help="every prompt is answered already")
    _faults(prove)
    _add_finding(parts)
    _add_trial(parts)


def _add_trial(parts: Any) -> None:
    tried = _command(
        parts,
        "try",
        "bench_try",
        "try one instrument by its definition; never on a cell",
        drives=True,
    )
    tried.add_argument("bench", type=Path, metavar="BENCH", help="bench document")
    tried.add_argument("instrument", metavar="INSTRUMENT", help="its name in the bench document")
    tried.add_argument(
        "--outputs",
        action="store_true",
        help="on and off too, at most 1 V and 0.1 A for some 2 s, on nothing or a resistor",
    )
    tried.add_argument(
        "--resistor",
        metavar="OHM",
        help="the resistor that is joined to it, such as '10 Ohm': what a supply reads is compared",
    )
    tried.add_argument(
        "--source",
        metavar="V",
        help="a source that is joined to a load or a meter, such as '0.4 V' by another meter: what"
        " it reads is compared",
    )
    tried.add_argument("--yes", action="store_true", help="every prompt is answered already")


def _add_finding(parts: Any) -> None:
    ports = _command(parts, "ports", "bench_ports", "list where instruments may be; opens nothing")
    ports.add_argument(
        "--ask",
        action="append",
        default=[],
        metavar="ADDRESS",
        help="send '*IDN?' there, and nowhere else; may be given again",
    )
    ports.add_argument("--baud", type=int, default=9600, metavar="N", help="for serial ports")
    asked = _command(
        parts, "ask", "bench_ask", "speak to one instrument line by line; logged", drives=True
    )
    asked.add_argument("bench", type=Path, metavar="BENCH", help="bench document")
    asked.add_argument("instrument", metavar="INSTRUMENT", help="its name in the bench document")
    asked.add_argument(
        "--log", type=Path, default=Path("asked.log"), metavar="FILE", help="default: asked.log"
    )
    words = _command(
        parts, "definition", "bench_definition", "say an instrument definition in words"
    )
    words.add_argument("definition", metavar="FILE", help="file, or a name that ships")

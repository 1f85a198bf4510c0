"""``init``: what ships, copied out to be changed: profiles, cells, a bench, definitions, twins."""

import argparse
import shlex
import shutil
from collections.abc import Callable
from pathlib import Path

from sequencer.commands.answer import Answer, Say
from sequencer.source.schemas.copying import copy_schemas
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.units import counted
from sequencer.vocabulary.verdict import Exit

FOLDERS = ("profiles", "sim_configs")
BENCH = Path("profiles") / "benches" / "my-desk.yaml"
"""A first bench of one's own; it is copied to the top, beside the definitions that it names."""
UNITS = Path(__file__).resolve().parents[1] / "watchdog" / "units"
"""Example units for systemd: a run kept by it, and what broke off made safe at every start."""
_LEFT_OUT = shutil.ignore_patterns("__pycache__", "*.py", "*.pyc", BENCH.name)
_HERE = {"../drivers/definitions": "../definitions", "../../profiles": "../profiles"}
"""How a shipped text points to the definitions, and theirs to it; in a copy they lie elsewhere."""


def shipped_root() -> Path:
    """Where the shipped documents lie: inside the wheel, or at the root of a checkout."""
    package = Path(__file__).resolve().parents[1]
    inside = package / "shipped"
    return inside if inside.is_dir() else package.parent


def answer(given: argparse.Namespace, say: Say) -> Answer:
    """Copy into a new or empty folder; nothing that exists is overwritten. With ``--ask`` the bench
    is the one that a person describes: before the last answer nothing is written."""
    target: Path = given.folder
    try:
        if target.exists() and not target.is_dir():
            raise UsageError(f"{target}: is a file; name a new or empty folder")
        if target.exists() and any(target.iterdir()):
            raise UsageError(f"{target}: exists and is not empty; nothing was copied")
        attended = _asked(target, say) if given.ask else _copied(target)
    except OSError as error:
        reason = (error.strerror or "something of it").lower()
        raise UsageError(f"{target}: cannot be written: {reason}") from error
    files = sorted(str(path.relative_to(target)) for path in target.rglob("*") if path.is_file())
    lines = _lines(target, len(files), is_asked=given.ask, attended=attended)
    return Answer(Exit.DONE, lines, {"folder": str(target), "files": files})


def _asked(target: Path, say: Say) -> bool:
    from sequencer.assembly.bench_draft import BenchDraft
    from sequencer.commands.init_ask import ask_bench

    with BenchDraft(BENCH.name) as draft:
        attended = ask_bench(draft, say)
        _copied(target, draft.copy_to)
    return attended


def _copied(target: Path, further: Callable[[Path], None] = lambda _: None) -> bool:
    """All of it, or on any trouble nothing."""
    is_new = not target.exists()
    try:
        _copy(target, further)
    except BaseException:
        for path in target.iterdir() if target.is_dir() else ():
            shutil.rmtree(path) if path.is_dir() else path.unlink()
        if is_new and target.is_dir():
            target.rmdir()
        raise
    return False


def _copy(target: Path, further: Callable[[Path], None]) -> None:
    from sequencer.assembly.shipped import definitions_folder

    for name in FOLDERS:
        shutil.copytree(shipped_root() / name, target / name, ignore=_LEFT_OUT)
    (target / BENCH).parent.rmdir()
    shutil.copyfile(shipped_root() / BENCH, target / BENCH.name)
    shutil.copytree(definitions_folder(), target / "definitions", ignore=_LEFT_OUT)
    shutil.copytree(UNITS, target / UNITS.name)
    further(target)
    copy_schemas(target)
    for path in target.rglob("*.md"):
        text = path.read_text(encoding="utf-8")
        for old, new in _HERE.items():
            text = text.replace(old, new)
        path.write_text(text, encoding="utf-8")


def _lines(target: Path, count: int, *, is_asked: bool, attended: bool) -> list[str]:
    go = "" if target.resolve() == Path.cwd() else f"cd {shlex.quote(str(target))} && "
    night = f"{go}nightbench %s profiles/overnight-rates.yaml --cell profiles/cells/lamp-pouch.yaml"
    rehearse = f"{night % 'rehearse'} --bench sim_configs/benches/demonstration.yaml"
    own = f"your own bench: write your instruments into {BENCH.name}, as profiles/README.md says"
    if is_asked:
        own = f"your own bench: {BENCH.name}, as you have said it, each line explained"
    stays = [f"to run it: {night % 'run'} --bench {BENCH.name} --attended"] if attended else []
    return [
        f"{counted(count, 'file')} copied to {target}",
        f"a simulated night: {rehearse}",
        own,
        f"then: {night % 'check'} --bench {BENCH.name}",
        *stays,
    ]

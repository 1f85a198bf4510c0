"""``init``: what ships, copied out to be changed: profiles, cells, a bench, definitions, twins."""

import argparse
import shlex
import shutil
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
_HERE = "../drivers/definitions"
"""How a shipped text points to the definitions; in a copy they lie elsewhere."""


def shipped_root() -> Path:
    """Where the shipped documents lie: inside the wheel, or at the root of a checkout."""
    package = Path(__file__).resolve().parents[1]
    inside = package / "shipped"
    return inside if inside.is_dir() else package.parent


def answer(given: argparse.Namespace, _say: Say) -> Answer:
    """Copy into a new or empty folder; nothing that exists is overwritten."""
    target: Path = given.folder
    try:
        if target.exists() and not target.is_dir():
            raise UsageError(f"{target}: is a file; name a new or empty folder")
        if target.exists() and any(target.iterdir()):
            raise UsageError(f"{target}: exists and is not empty; nothing was copied")
        _copy(target)
    except OSError as error:
        reason = (error.strerror or "something of it").lower()
        raise UsageError(f"{target}: cannot be written: {reason}") from error
    files = sorted(str(path.relative_to(target)) for path in target.rglob("*") if path.is_file())
    return Answer(Exit.DONE, _lines(target, len(files)), {"folder": str(target), "files": files})


def _copy(target: Path) -> None:
    from sequencer.assembly.shipped import definitions_folder

    for name in FOLDERS:
        shutil.copytree(shipped_root() / name, target / name, ignore=_LEFT_OUT)
    (target / BENCH).parent.rmdir()
    shutil.copyfile(shipped_root() / BENCH, target / BENCH.name)
    shutil.copytree(definitions_folder(), target / "definitions", ignore=_LEFT_OUT)
    shutil.copytree(UNITS, target / UNITS.name)
    copy_schemas(target)
    for path in target.rglob("*.md"):
        text = path.read_text(encoding="utf-8")
        path.write_text(text.replace(_HERE, "../definitions"), encoding="utf-8")


def _lines(target: Path, count: int) -> list[str]:
    go = "" if target.resolve() == Path.cwd() else f"cd {shlex.quote(str(target))} && "
    night = f"{go}nightbench %s profiles/overnight-rates.yaml --cell profiles/cells/lamp-pouch.yaml"
    rehearse = f"{night % 'rehearse'} --bench sim_configs/benches/demonstration.yaml"
    return [
        f"{counted(count, 'file')} copied to {target}",
        f"a pretended night: {rehearse}",
        f"your own bench: write your instruments into {BENCH.name}, as profiles/README.md says",
        f"then: {night % 'check'} --bench {BENCH.name}",
    ]

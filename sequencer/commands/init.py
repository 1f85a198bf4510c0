"""``init``: the shipped profiles, cells and simulations, copied out to be changed."""

import argparse
import shutil
from pathlib import Path

from sequencer.commands.answer import Answer, Say
from sequencer.source.schemas.copying import copy_schemas
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.verdict import Exit

FOLDERS = ("profiles", "sim_configs")
UNITS = Path(__file__).resolve().parents[1] / "watchdog" / "units"
"""Example units for systemd: a run kept by it, and what broke off made safe at every start."""


def shipped_root() -> Path:
    """Where the shipped documents lie: inside the wheel, or at the root of a checkout."""
    package = Path(__file__).resolve().parents[1]
    inside = package / "shipped"
    return inside if inside.is_dir() else package.parent


def answer(given: argparse.Namespace, _say: Say) -> Answer:
    """Copy into a new or empty folder; nothing that exists is overwritten."""
    target: Path = given.folder
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise UsageError(f"{target}: exists and is not empty; nothing was copied")
    try:
        for name in FOLDERS:
            shutil.copytree(
                shipped_root() / name,
                target / name,
                ignore=shutil.ignore_patterns("__pycache__", "*.py", "*.pyc"),
            )
        copy_schemas(target)
        shutil.copytree(UNITS, target / UNITS.name)
    except OSError as error:
        raise UsageError(f"{target}: cannot be written: {error}") from error
    files = sorted(str(path.relative_to(target)) for path in target.rglob("*") if path.is_file())
    lines = [
        f"{len(files)} documents copied to {target}",
        (
            f"next: cd {target} && nightbench rehearse profiles/overnight-rates.yaml "
            "--cell profiles/cells/lamp-pouch.yaml --bench sim_configs/benches/demonstration.yaml"
        ),
    ]
    return Answer(Exit.DONE, lines, {"folder": str(target), "files": files})

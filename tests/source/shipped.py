"""Every document that ships, by the kind that its first line names."""

import re
from pathlib import Path

from sequencer.source.schemas.generation import KINDS
from tests.house.tree import ROOT

FOLDERS = ("profiles", "sim_configs", "drivers/definitions")
MODELINE = re.compile(r"# yaml-language-server: \$schema=(?P<schema>\S+)")
FOREIGN = ("sim_configs/visa",)
"""Written for another program: the configurations of PyVISA's simulated backend."""


def documents() -> list[Path]:
    """The YAML files in the shipped folders, relative to the root."""
    found = [path for folder in FOLDERS for path in (ROOT / folder).rglob("*.y*ml")]
    names = [path.relative_to(ROOT) for path in sorted(found)]
    return [path for path in names if not path.as_posix().startswith(FOREIGN)]


def schema_of(path: Path) -> Path | None:
    """Where the first line of a document says that its schema lies; None without such a line."""
    first = (ROOT / path).read_text(encoding="utf-8").partition("\n")[0]
    match = MODELINE.fullmatch(first)
    return (ROOT / path).parent / match.group("schema") if match else None


def kind_of(path: Path) -> str:
    """The kind of a document, from the name of its schema.

    Raises:
        KeyError: it names none.
    """
    schema = schema_of(path)
    kind = schema.name.removesuffix(".schema.json") if schema is not None else ""
    if kind not in KINDS:
        raise KeyError(f"{path} names no schema of a known kind on its first line")
    return kind

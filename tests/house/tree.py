"""What is in the repository: the tracked files, and the syntax trees of the Python ones."""

import ast
import subprocess
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
UNTRACKED = {".git", ".venv", ".mypy_cache", ".ruff_cache", ".pytest_cache", "__pycache__"}


@cache
def tracked() -> tuple[Path, ...]:
    """Every file of the repository, relative to its root; without git, every file that is there."""
    if (ROOT / ".git").exists():
        answer = subprocess.run(
            ["git", "-c", "safe.directory=*", "ls-files", "-z"],
            cwd=ROOT,
            capture_output=True,
            check=True,
            text=True,
        )
        found = [Path(name) for name in answer.stdout.split("\0") if name]
    else:
        found = [path.relative_to(ROOT) for path in ROOT.rglob("*") if path.is_file()]
        found = [path for path in found if not UNTRACKED & set(path.parts)]
    return tuple(sorted(path for path in found if (ROOT / path).is_file()))


@cache
def python_files() -> tuple[Path, ...]:
    """Every tracked Python file, relative to the root."""
    return tuple(path for path in tracked() if path.suffix == ".py")


@cache
def syntax(path: Path) -> ast.Module:
    """The syntax tree of a tracked file."""
    return ast.parse((ROOT / path).read_text(encoding="utf-8"))


def under(path: Path, *rooms: str) -> bool:
    """Whether ``path`` is one of ``rooms`` (files or folders, from the root) or inside one."""
    text = path.as_posix()
    return any(text == room or text.startswith(f"{room.rstrip('/')}/") for room in rooms)

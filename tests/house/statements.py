"""How much there is: ``python -m tests.house.statements [REVISION …]``.

Counts the statements of each room, docstrings not counted, in the files that git has: of the
working tree, or of the revisions named, side by side.
"""

import ast
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator, Sequence

from tests.house.tree import ROOT


def _git(*arguments: str) -> str:
    return subprocess.run(
        ["git", *arguments], cwd=ROOT, check=True, capture_output=True, text=True
    ).stdout


def sources(revision: str) -> Iterator[tuple[str, str]]:
    """Path and text of every Python file of a revision; an empty one is the working tree."""
    if not revision:
        for path in _git("ls-files", "*.py").split():
            yield path, (ROOT / path).read_text(encoding="utf-8")
        return
    for path in _git("ls-tree", "-r", "--name-only", revision).split():
        if path.endswith(".py"):
            yield path, _git("show", f"{revision}:{path}")


def statements(text: str) -> int:
    """Statements in a module, docstrings not counted."""
    module = ast.parse(text)
    documented = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    nodes = list(ast.walk(module))
    docstrings = sum(
        isinstance(one, documented) and ast.get_docstring(one, clean=False) is not None
        for one in nodes
    )
    return sum(isinstance(one, ast.stmt) for one in nodes) - docstrings


def by_room(revision: str) -> Counter[str]:
    """Statements by room (``sequencer/plan``, ``drivers/off``, ``tests``)."""
    found: Counter[str] = Counter()
    for path, text in sources(revision):
        first, _, rest = path.partition("/")
        room = first if first == "tests" else f"{first}/{rest.partition('/')[0].partition('.')[0]}"
        found[room] += statements(text)
    return found


def main(revisions: Sequence[str]) -> None:
    """Print the table."""
    counted = {one or "now": by_room(one) for one in (revisions or [""])}
    rooms = sorted(set().union(*counted.values()))
    print(f"{'statements':28}" + "".join(f"{one[:12]:>14}" for one in counted))
    for room in rooms:
        print(f"{room:28}" + "".join(f"{one[room]:14,}" for one in counted.values()))
    product = [sum(n for room, n in one.items() if room != "tests") for one in counted.values()]
    print(f"{'product':28}" + "".join(f"{one:14,}" for one in product))


if __name__ == "__main__":
    main(sys.argv[1:])

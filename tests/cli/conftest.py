"""The shipped documents, a short profile, and the command line as a function."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from sequencer.cli import main
from tests.cli.places import SHORT


class Told(NamedTuple):
    """What a command did: exit code, standard output, standard error."""

    exit: int
    out: str
    err: str

    @property
    def data(self) -> Any:
        """Standard output as JSON."""
        return json.loads(self.out)


Ask = Callable[..., Told]


@pytest.fixture
def ask(capsys: pytest.CaptureFixture[str]) -> Ask:
    """Carries out one command line in this process."""

    def carry_out(*words: object) -> Told:
        capsys.readouterr()
        try:
            code = main([str(word) for word in words])
        except SystemExit as left:
            code = left.code if isinstance(left.code, int) else 1
        seen = capsys.readouterr()
        return Told(code, seen.out, seen.err)

    return carry_out


@pytest.fixture
def short(tmp_path: Path) -> Path:
    """A profile of two minutes of bench time."""
    path = tmp_path / "short.yaml"
    path.write_text(SHORT, encoding="utf-8")
    return path

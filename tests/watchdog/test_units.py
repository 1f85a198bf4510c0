"""The example units for systemd: every command line is one that our own parser takes."""

import configparser
import shlex
from pathlib import Path

import pytest

from sequencer.cli import make_parser
from sequencer.commands.init import UNITS

FILES = sorted(UNITS.glob("*.service"))


class Lines(dict):
    """Sections with keys that may come more than once."""

    def __setitem__(self, key, value):
        if key in self and isinstance(value, list):
            self[key].extend(value)
        else:
            super().__setitem__(key, value)


class CaseKept(configparser.RawConfigParser):
    """Keys as they are written."""

    def optionxform(self, optionstr: str) -> str:
        """The key itself."""
        return optionstr


def read(path: Path) -> configparser.RawConfigParser:
    """The unit; keys keep their case, and may be repeated."""
    parser = CaseKept(strict=False, dict_type=Lines, delimiters=("=",), comment_prefixes=("#",))
    parser.read_string(path.read_text(encoding="utf-8"))
    return parser


def commands(path: Path) -> list[list[str]]:
    """The words of every line that starts nightbench."""
    lines = [line.partition("=") for line in path.read_text(encoding="utf-8").splitlines()]
    told = [shlex.split(words) for key, _, words in lines if key.startswith("Exec")]
    return [words[1:] for words in told if words[0].endswith("/nightbench")]


def test_there_are_two_units():
    """A run, and what broke off with the computer."""
    assert [path.name for path in FILES] == ["nightbench-orphans.service", "nightbench@.service"]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_every_command_line_is_parsed_by_nightbench(path):
    """As systemd would give them, with an instance's name put in."""
    found = commands(path)
    assert found
    given = [
        make_parser().parse_args([word.replace("%i", "overnight-rates") for word in words])
        for words in found
    ]
    kinds = [(one.command, getattr(one, "orphans", None)) for one in given]
    if path.name.startswith("nightbench@"):
        assert kinds == [("run", None), ("make-safe", None), ("make-safe", Path("runs"))]
        assert given[0].profile == Path("profiles/overnight-rates.yaml")
        assert given[0].yes
    else:
        assert kinds == [("make-safe", Path("runs"))]


def test_a_run_is_never_started_again_by_itself():
    """And only the watchdog gets the signal, with time enough to prove off."""
    service = read(UNITS / "nightbench@.service")["Service"]
    assert (service["Restart"], service["KillMode"]) == ("no", "mixed")
    assert int(service["TimeoutStopSec"]) >= 60
    assert service["PrivateTmp"] == "no"

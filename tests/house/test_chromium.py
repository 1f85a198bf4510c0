"""The browser is found, installed by the system's package manager, or asked for in one line."""

from pathlib import Path

import pytest

from tests import __main__ as judgement
from tests import chromium

LINES = {
    "apt-get": "sudo apt-get update --quiet=2 && sudo apt-get install --yes --quiet=2"
    " --no-install-recommends chromium fonts-dejavu-core",
    "dnf": "sudo dnf install --assumeyes chromium dejavu-sans-fonts",
    "apk": "sudo apk add chromium font-dejavu",
    "pacman": "sudo pacman -Sy --noconfirm chromium ttf-dejavu",
}


class Machine:
    """The only folder on the path: programs are put into it, and note how they are called."""

    def __init__(self, folder: Path) -> None:
        self.folder, self._calls = folder, folder / "calls.txt"

    def put(self, name: str, script: str = "") -> None:
        """A program of this name, which notes its call and then does as the script says."""
        path = self.folder / name
        path.write_text(
            f'#!/bin/sh\necho "{name} $*" >> {self._calls}\n{script}\n', encoding="utf-8"
        )
        path.chmod(0o755)

    def put_manager(self, name: str) -> None:
        """A package manager that installs a browser when it is told to install or add one."""
        browser = self.folder / "chromium"
        write = f'echo "#!/bin/sh" > {browser}; /bin/chmod 755 {browser}'
        self.put(name, f'case "$*" in *chromium*) {write};; esac')

    def put_sudo(self) -> None:
        """A sudo that asks no password."""
        self.put("sudo", 'shift; case "$1" in true) exit 0;; esac; exec "$@"')

    @property
    def calls(self) -> list[str]:
        """Every call so far."""
        return self._calls.read_text(encoding="utf-8").splitlines() if self._calls.exists() else []


@pytest.fixture
def machine(tmp_path, monkeypatch) -> Machine:
    """A machine without any program."""
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.delenv(chromium.VARIABLE, raising=False)
    return Machine(tmp_path)


def ensured(uid: int) -> str:
    """What is found when the user of this number asks."""
    return chromium.ensure(lambda _line: None, user=lambda: uid)


@pytest.mark.parametrize("name", chromium.NAMES)
def test_a_browser_on_the_path_is_taken(machine, name):
    """Nothing is installed where one is there."""
    machine.put(name)
    machine.put_manager("apt-get")
    assert ensured(0) == str(machine.folder / name)
    assert machine.calls == []


def test_the_named_browser_comes_first(machine, monkeypatch):
    """``NIGHTBENCH_CHROMIUM`` is taken as it is; what is no program is an error that says so."""
    machine.put("chromium")
    machine.put("other")
    monkeypatch.setenv(chromium.VARIABLE, str(machine.folder / "other"))
    assert ensured(0) == str(machine.folder / "other")
    monkeypatch.setenv(chromium.VARIABLE, "/nowhere/browser")
    with pytest.raises(chromium.NoBrowserError, match="names '/nowhere/browser', which is no"):
        ensured(0)


@pytest.mark.parametrize("manager", chromium.MANAGERS, ids=lambda one: one.program)
def test_root_installs_by_the_package_manager_that_is_there(machine, manager):
    """Without sudo; what is run is said before it is run."""
    machine.put_manager(manager.program)
    told: list[str] = []
    found = chromium.ensure(told.append, user=lambda: 0)
    assert found == str(machine.folder / "chromium")
    assert machine.calls == [" ".join(command) for command in manager.commands]
    assert told == [f"=== browser: {call}" for call in machine.calls]


@pytest.mark.parametrize("manager", chromium.MANAGERS, ids=lambda one: one.program)
def test_another_user_installs_by_sudo_when_it_asks_no_password(machine, manager):
    """Every command goes through ``sudo -n``, which never asks."""
    machine.put_manager(manager.program)
    machine.put_sudo()
    assert ensured(1000) == str(machine.folder / "chromium")
    by_sudo = [call for call in machine.calls if call.startswith("sudo")]
    assert by_sudo[1:] == [f"sudo -n {' '.join(command)}" for command in manager.commands]


@pytest.mark.parametrize("sudo", [None, "exit 1"])
@pytest.mark.parametrize("name", LINES)
def test_without_the_right_to_install_one_line_is_named(machine, name, sudo):
    """Nothing is tried, and the error holds the line that a person types."""
    machine.put_manager(name)
    if sudo is not None:
        machine.put("sudo", sudo)
    with pytest.raises(chromium.NoBrowserError) as raised:
        ensured(1000)
    assert LINES[name] in str(raised.value)
    assert not any(call.startswith(name) for call in machine.calls)


def test_an_unknown_system_is_told_of_the_variable(machine):
    """No package manager that is known: the person names a browser."""
    with pytest.raises(chromium.NoBrowserError, match="or name one in NIGHTBENCH_CHROMIUM"):
        ensured(0)


def test_a_package_manager_that_fails_is_quoted(machine):
    """Its code and its last words, and the line to try by hand."""
    machine.put("apk", "echo no network here; exit 3")
    with pytest.raises(chromium.NoBrowserError) as raised:
        ensured(0)
    assert "failed with 3:\nno network here" in str(raised.value)
    assert LINES["apk"] in str(raised.value)


def test_a_package_manager_that_brings_none_is_no_success(machine):
    """It ended well and there is still no browser: an error, not a path."""
    machine.put("dnf")
    with pytest.raises(chromium.NoBrowserError, match="no Chromium found"):
        ensured(0)


def test_the_whole_judgement_wants_the_browser_before_anything_runs(machine, monkeypatch, capsys):
    """No part is run without it; a few named tests ask for it themselves, where they need it."""
    ran: list[str] = []
    monkeypatch.setattr(judgement, "run", lambda name, _command: (ran.append(name) or 0, 0.0))
    assert judgement.main([]) == 1
    assert ran == []
    assert "no Chromium found" in capsys.readouterr().err
    assert judgement.main(["tests/source"]) == 0
    assert ran == list(judgement.PARTS)

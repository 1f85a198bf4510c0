"""The browser in which the report's page is tested: found, or installed before any test runs.

Owns where a Chromium is looked for and which package manager brings one. It never asks for a
password: where it has no right to install, it says the one line that a person has to type.
"""

import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from typing import Final, NamedTuple

VARIABLE: Final = "NIGHTBENCH_CHROMIUM"
NAMES: Final = ("chromium", "chromium-browser", "google-chrome", "chrome")


class PackageManager(NamedTuple):
    """The commands that install the browser and one font, in order; each is run as root."""

    program: str
    commands: tuple[tuple[str, ...], ...]

    @property
    def line(self) -> str:
        """The same as one line for a shell."""
        return " && ".join(" ".join(["sudo", *command]) for command in self.commands)


_APT_INSTALL = ("apt-get", "install", "--yes", "--quiet=2", "--no-install-recommends")
MANAGERS: Final = (
    PackageManager(
        "apt-get",
        (("apt-get", "update", "--quiet=2"), (*_APT_INSTALL, "chromium", "fonts-dejavu-core")),
    ),
    PackageManager("dnf", (("dnf", "install", "--assumeyes", "chromium", "dejavu-sans-fonts"),)),
    PackageManager("apk", (("apk", "add", "chromium", "font-dejavu"),)),
    PackageManager("pacman", (("pacman", "-Sy", "--noconfirm", "chromium", "ttf-dejavu"),)),
)


class NoBrowserError(Exception):
    """There is no browser and none could be installed; says what a person has to do."""


def find() -> str | None:
    """The path of a browser: the one named in ``NIGHTBENCH_CHROMIUM``, else one on the path.

    Raises:
        NoBrowserError: the named one is no program.
    """
    named = os.environ.get(VARIABLE)
    if named:
        if shutil.which(named) is None:
            raise NoBrowserError(f"{VARIABLE} names {named!r}, which is no program")
        return named
    return next((path for name in NAMES if (path := shutil.which(name))), None)


def manager() -> PackageManager | None:
    """The package manager of this system, as far as it is one of those known."""
    return next((one for one in MANAGERS if shutil.which(one.program)), None)


def how() -> str:
    """What a person has to do, in words with one line to type."""
    found = manager()
    named = f"name one in {VARIABLE}"
    return f"install it: {found.line} (or {named})" if found else f"install one, or {named}"


def demand() -> str:
    """The path of the browser.

    Raises:
        NoBrowserError: there is none; nothing is installed.
    """
    found = find()
    if found is None:
        raise NoBrowserError(f"no Chromium found, in which the report's page is tested; {how()}")
    return found


def ensure(say: Callable[[str], None] = print, *, user: Callable[[], int] = os.geteuid) -> str:
    """The path of the browser, which is installed first where there is none. ``say`` is told
    before that is tried.

    Raises:
        NoBrowserError: there is none, and none could be installed.
    """
    found = find()
    if found is not None:
        return found
    chosen, prefix = manager(), _prefix(user)
    if chosen is None or prefix is None:
        return demand()
    for command in chosen.commands:
        say(f"=== browser: {' '.join([*prefix, *command])}")
        _run([*prefix, *command])
    return demand()


def _prefix(user: Callable[[], int]) -> Sequence[str] | None:
    """What makes a command run as root without a password; None when nothing does."""
    if user() == 0:
        return ()
    if shutil.which("sudo") is None:
        return None
    asked = subprocess.run(["sudo", "-n", "true"], capture_output=True, check=False)
    return ("sudo", "-n") if asked.returncode == 0 else None


def _run(command: Sequence[str]) -> None:
    environment: Mapping[str, str] = os.environ | {"DEBIAN_FRONTEND": "noninteractive"}
    done = subprocess.run(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="replace",
        env=environment,
        check=False,
    )
    if done.returncode:
        last = "\n".join(done.stdout.splitlines()[-5:])
        told = f"{' '.join(command)} failed with {done.returncode}:\n{last}"
        raise NoBrowserError(f"no Chromium found, and {told}\n{how()}")


if __name__ == "__main__":
    try:
        print(ensure())
    except NoBrowserError as error:
        sys.exit(str(error))

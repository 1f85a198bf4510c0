"""A stand-in executive for the watchdog's tests: a process that keeps to one line of a script."""

import argparse
import os
import select
import signal
import sys
from pathlib import Path

from sequencer.watchdog.attendant import Attendant, attend

LONG_S = 30.0


def announce(attendant: Attendant, folder: Path) -> None:
    """A folder with its plan."""
    attendant.announce_folder(folder)
    attendant.announce_safing(folder / "safing.json")


def live_until_asked(attendant: Attendant, folder: Path) -> None:
    """Beat until an abort is asked or the watchdog is gone, and write down why (whole at once). It
    rests: while it drove, a beat that a busy computer holds up for two seconds would be its end."""
    announce(attendant, folder)
    (folder / "alive").touch()
    poll = select.poll()
    while attendant.request() != "abort" and not attendant.watchdog():
        attendant.beat("resting", LONG_S)
        poll.poll(10)
    (folder / "draft").write_text(attendant.watchdog() or attendant.why, encoding="utf-8")
    (folder / "draft").replace(folder / "why")


def act(script: str, attendant: Attendant, folder: Path) -> None:
    """One script to its end."""
    if script == "done":
        announce(attendant, folder)
        attendant.beat("resting", LONG_S)
        attendant.say_goodbye(0, ["all done"], {"ending": "done"}, off=True)
    elif script == "asks first":
        went = attendant.wait_for_go(["a cell may burn"], {})
        attendant.say_goodbye(0 if went["go"] else 2, [went["how"]], {}, off=True)
    elif script == "mute":
        announce(attendant, folder)
        attendant.beat("charging", 0.2)
        signal.pause()
    elif script == "killed":
        announce(attendant, folder)
        os.kill(os.getpid(), signal.SIGKILL)
    elif script == "unproven":
        announce(attendant, folder)
        attendant.say_goodbye(7, ["not proven"], {"ending": "not proven off"}, off=False)
    elif script == "bug while driving":
        announce(attendant, folder)
        attendant.say_goodbye(1, ["a bug"], {}, off=False)
    elif script == "until asked":
        live_until_asked(attendant, folder)
        attendant.say_goodbye(4, ["aborted"], {"why": attendant.why}, off=True)
    elif script == "slow to make safe":
        live_until_asked(attendant, folder)
        (folder / "making safe").touch()
        attendant.beat("making safe", LONG_S)
        while not (folder / "asked again").exists():
            select.poll().poll(10)
        attendant.say_goodbye(4, ["aborted"], {}, off=True)
    elif script == "bug before anything":
        raise RuntimeError("an actor's bug")
    elif script == "killed before its plan is held":
        attendant.announce_folder(folder)
        os.kill(os.getpid(), signal.SIGKILL)
    elif script == "no plan":
        attendant.announce_folder(folder)
        attendant.announce_safing(folder / "absent.json")


def main() -> None:
    """The arguments that the watchdog gives."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--channel", type=int)
    parser.add_argument("--terminal", type=int)
    parser.add_argument("script")
    parser.add_argument("folder", type=Path)
    given = parser.parse_args()
    act(given.script, attend(given.channel), given.folder)


if __name__ == "__main__":
    main()
    sys.stdout.flush()

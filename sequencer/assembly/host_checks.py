"""Whether this computer is fit for a night: room on the disk, a reboot that waits, a battery.

Reads a few files of the system (Linux); what is not there is told as unknown, by name.
"""

import os
import re
import shutil
from pathlib import Path
from typing import Final

from sequencer.plan.plan import Plan

RUNS: Final = Path("runs")
"""Where runs are recorded that are given no folder."""
ROW_BYTES: Final = 290
"""A row of the record with its share of the journal (measured: 239 bytes over the overnight
demonstration, 281 a row where every channel is new)."""
TIMES: Final = 10
LEAST_BYTES: Final = 256_000_000
_MOUNTS: Final = Path("/proc/self/mountinfo")
_NETWORK: Final = frozenset(
    (
        *(
            "9p",
            "afs",
            "beegfs",
            "ceph",
            "cifs",
            "coda",
            "davfs",
            "fuse",
            "gfs2",
            "glusterfs",
            "gpfs",
        ),
        *("lustre", "ncpfs", "nfs", "nfs4", "ocfs2", "smb3", "smbfs", "virtiofs"),
    )
)
"""Names under which Linux mounts disks of other computers (from memory); besides these, whatever a
program serves (``fuse.sshfs``, ``fuse.rclone`` and the like)."""
_REBOOT: Final = Path("run/reboot-required")
_POWER: Final = Path("sys/class/power_supply")
_LID: Final = Path("proc/acpi/button/lid")


def forecast_bytes(plan: Plan) -> int:
    """What the record may need at most: every step as long as its bound, at its own rate."""
    total_s = plan.limits.total_time_s
    fastest = 1.0
    for number in range(min(len(plan), 1000)):
        fastest = max(fastest, 1e9 / plan[number].sampling.every_ns)
    return round(total_s * fastest * ROW_BYTES)


def disk_reasons(plan: Plan, place: Path, free_bytes: int | None = None) -> list[str]:
    """A disk without room for ten times the forecast, with the numbers."""
    here = next(one for one in (place, *place.absolute().parents) if one.exists())
    if free_bytes is None:
        free_bytes = shutil.disk_usage(here).free
    forecast = forecast_bytes(plan)
    wanted = max(TIMES * forecast, LEAST_BYTES)
    if free_bytes >= wanted:
        return []
    asks = f"a run asks for {wanted / 1e6:.0f} MB at least"
    if wanted > LEAST_BYTES:
        asks = f"this run asks for {wanted / 1e6:.0f} MB"
        asks += f" (ten times its forecast of {forecast / 1e6:.0f} MB)"
    free = f"{here}: {free_bytes / 1e6:.0f} MB are free"
    return [f"{free}, {asks}: make room, or give --folder on another disk"]


def network_cautions(place: Path, mounts: str | None = None) -> list[str]:
    """That the record would lie on another computer's disk, with its kind and where it is mounted.
    ``mounts``: what the system says of its mounts (proc_pid_mountinfo(5)), else read here."""
    if mounts is None:
        try:
            mounts = _MOUNTS.read_text(encoding="utf-8", errors="replace")
        except OSError:
            return []
    kind, source, point = _mount_of(Path(os.path.realpath(place)), mounts)
    if kind not in _NETWORK and not kind.startswith("fuse."):
        return []
    return [
        (
            f"the record would lie on a network disk ({kind}, {source} at {point}): a write that "
            "hangs there ends the run as a fault, and its last lines may be missing; give --folder "
            "on a disk of this computer"
        )
    ]


def _mount_of(place: Path, mounts: str) -> tuple[str, str, str]:
    """Kind, source and mount point of what holds a place; of two at one point the later one."""
    found, depth = ("", "", ""), -1
    for line in mounts.splitlines():
        before, _, after = line.partition(" - ")
        fields, more = before.split(" "), after.split(" ")
        if len(fields) < 5 or len(more) < 2:
            continue
        point = Path(_unescaped(fields[4]))
        if place.is_relative_to(point) and len(point.parts) >= depth:
            found, depth = (more[0], _unescaped(more[1]), str(point)), len(point.parts)
    return found


def _unescaped(text: str) -> str:
    return re.sub(r"\\([0-7]{3})", lambda octal: chr(int(octal[1], 8)), text)


def host_reasons(root: Path = Path("/")) -> list[str]:
    """Why this computer is not to be left alone with a run."""
    reasons = []
    if (root / _REBOOT).exists():
        reasons.append("this computer waits for a reboot and may do it by itself: reboot it first")
    if _is_on_battery(root / _POWER):
        reasons.append("this computer runs on its battery: connect it to the mains")
    if _has_closed_lid(root / _LID):
        reasons.append("this computer's lid is closed: open it, or it may go to sleep")
    return reasons


def host_unknown(root: Path = Path("/")) -> list[str]:
    """What this system does not tell, by name."""
    if (root / _POWER).is_dir():
        return []
    return ["whether this computer runs on a battery is unknown here"]


def _texts(folder: Path, name: str) -> list[str]:
    found = []
    for path in sorted(folder.glob(f"*/{name}")):
        try:
            found.append(path.read_text(encoding="ascii", errors="replace").strip())
        except OSError:
            continue
    return found


def _is_on_battery(folder: Path) -> bool:
    """A battery is discharging and no mains adapter is online."""
    mains = [
        text
        for kind, text in zip(_texts(folder, "type"), _texts(folder, "online"), strict=False)
        if kind in ("Mains", "USB")
    ]
    return "Discharging" in _texts(folder, "status") and "1" not in mains


def _has_closed_lid(folder: Path) -> bool:
    return any("closed" in text for text in _texts(folder, "state"))

"""Wrongs that are known and not yet mended: read from ``known_wrongs.toml``, each with its reason.

Owns which wrong is covered by which entry; an entry that its own reproduction no longer needs is
itself wrong.
"""

import tomllib
from collections.abc import Collection
from functools import cache
from pathlib import Path
from typing import NamedTuple

KNOWN = Path(__file__).with_name("known_wrongs.toml")


class Known(NamedTuple):
    """One entry. ``needs``: of each group one name must be among the troubles of the run. ``shown``
    is a run that shows it: for each trouble its name, phase and instant."""

    face: str
    bench: str
    rules: tuple[str, ...]
    needs: tuple[frozenset[str], ...]
    shown: tuple[tuple[str, str, int], ...]
    reason: str

    def covers(self, face: str, bench: str, names: Collection[str], rule: str) -> bool:
        """Whether it is about this wrong of that run."""
        return (
            face == self.face
            and bench == self.bench
            and rule in self.rules
            and all(group & set(names) for group in self.needs)
        )


@cache
def known() -> tuple[Known, ...]:
    """Every entry.

    Raises:
        ValueError: an entry without a reason, or without a run that shows it.
    """
    found = []
    for entry in tomllib.loads(KNOWN.read_text(encoding="utf-8")).get("known", ()):
        if len(entry["reason"]) < 20 or not entry["shown"]:
            raise ValueError(f"known_wrongs.toml: no reason or nothing that shows it: {entry}")
        found.append(
            Known(
                entry["face"],
                entry["bench"],
                tuple(entry["rules"]),
                tuple(frozenset(group) for group in entry["needs"]),
                tuple((name, phase, instant) for name, phase, instant in entry["shown"]),
                entry["reason"],
            )
        )
    return tuple(found)


def is_known(face: str, bench: str, names: Collection[str], rule: str) -> bool:
    """Whether an entry covers this wrong."""
    return any(one.covers(face, bench, names, rule) for one in known())

"""Whether a run was on real instruments: what was asked, and who answered.

The manifest is written before anything is opened, so it holds what the documents say. The journal
holds who answered: a simulated instrument says so in its identity, whatever address it has and
whatever the bench document says of it. An identity without its maker tells nothing.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from sequencer.ports import SIMULATED_MAKER


def is_simulated(manifest: Mapping[str, Any], identities: Iterable[Mapping[str, Any]]) -> bool:
    """Whether the run was a rehearsal, its bench was said to be simulated, or any instrument said
    so. ``identities`` are the contents of the journal's ``identity`` entries."""
    asked = bool(manifest.get("rehearsal") or manifest.get("simulated"))
    return asked or any(map(is_of_simulated, identities))


def is_of_simulated(identity: Mapping[str, Any]) -> bool:
    """Whether a simulated instrument answered: by its maker, or by the whole answer where the
    definition's pattern has no maker."""
    maker, raw = str(identity.get("maker", "")), str(identity.get("raw", ""))
    return maker == SIMULATED_MAKER or raw.startswith(SIMULATED_MAKER)

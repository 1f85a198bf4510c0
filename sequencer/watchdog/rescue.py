"""Making safe when the executive is dead: the safing plan on fresh raw sessions, until proven.

Owns the order: off first, then words on the terminal, then the journal. Does not decide when it is
needed, and never asks who stands at an address before sending off.
"""

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final, NamedTuple

from sequencer.vocabulary.units import bounds
from sequencer.vocabulary.verdict import UNPROVEN, Exit, Proof

RETRY_S: Final = 2.0
"""Pause between two attempts at proving off (s)."""
TRIES_BY_HAND: Final = 8
"""So often ``make_safe_by_hand`` tries."""
_BETWEEN_TRIES_S: Final = 1.5

Say = Callable[[str], None]


class Rescue(NamedTuple):
    """How a rescue ended."""

    proof: Proof
    attempts: int

    @property
    def exit(self) -> Exit:
        """6 when off is proven, 7 when it is not."""
        return Exit.FAULTED if self.proof.is_off else Exit.UNPROVEN


def load_plan(path: Path) -> Any:
    """The safing plan in a run folder.

    Whatever a rescue needs is loaded now: when it is needed, the disk may be full or gone.

    Raises:
        OSError, ValueError: not there, or not a safing plan.
    """
    from importlib import import_module

    from sequencer.documents.safing import load

    for module in ("drivers.off.carrying_out", "sequencer.watchdog.afterword"):
        import_module(module)
    return load(path.read_text(encoding="utf-8"))


def get_ready(plan: Any) -> None:
    """Load what this plan needs besides (VISA, for links that have no rawer way in).

    Raises:
        OSError: it is not there.
    """
    from drivers.off.carrying_out import get_ready

    get_ready(plan)


def make_safe_once(plan: Any) -> Proof:
    """Carry the plan out on new sessions. Never raises: trouble is a proof of nothing."""
    try:
        from drivers.off.carrying_out import make_safe

        return make_safe(plan)
    except Exception as error:  # noqa: BLE001 - the last line of defence has nobody to raise to
        return UNPROVEN._replace(evidence=(f"the safing plan could not be carried out: {error}",))


def make_safe_by_hand(
    plan: Any,
    pause: Callable[[float], None] = time.sleep,
    make_safe: Callable[[Any], Proof] = make_safe_once,
) -> Proof:
    """As ``make_safe_once``, a few times if need be: a living run beside it may take a session
    back, but gives up sooner."""
    proof = make_safe(plan)
    for _ in range(TRIES_BY_HAND - 1):
        if proof.is_off:
            break
        pause(_BETWEEN_TRIES_S)
        proof = make_safe(plan)
    return proof


def rescue(
    plan: Any,
    say: Say,
    *,
    attempts: int = 0,
    make_safe: Callable[[Any], Proof] = make_safe_once,
    pause: Callable[[float], bool] | None = None,
) -> Rescue:
    """Make safe until it is proven; ``attempts`` 0 means for as long as it takes. What is to be
    done, and why, is said at first and whenever something else is seen: one line else.

    ``pause`` waits between attempts and answers whether a person said to stop trying.
    """
    pause = pause or _sleep
    before: list[str] = []
    for number in _count(attempts):
        proof = make_safe(plan)
        if proof.is_off:
            return Rescue(proof, number)
        told = alarm_lines(plan, proof, number)
        for line in told if told[1:] != before else told[:1]:
            say(line)
        before = told[1:]
        if number == attempts or pause(RETRY_S):
            break
    return Rescue(proof, number)


def _count(attempts: int) -> Iterator[int]:
    number = 0
    while not attempts or number < attempts:
        number += 1
        yield number


def _sleep(seconds: float) -> bool:
    time.sleep(seconds)
    return False


def alarm_lines(plan: Any, proof: Proof, attempt: int = 0) -> list[str]:
    """What a person must do now, loudly, and why. ``plan`` is None where none can be read,
    ``attempt`` 0 where nothing was tried here."""
    outputs = [one.name for one in plan.instruments if one.is_output] if plan else []
    tried = f" (attempt {attempt})" if attempt else ""
    return [
        f"\a*** NOT PROVEN OFF{tried}: current may still flow through the cell ***",
        *(f"    seen: {line}" for line in proof.evidence),
        (
            f"    do now: switch {' and '.join(outputs) or 'every instrument'} off at the front "
            "panel or the mains switch,"
        ),
        "    then take a lead off the cell if that is safe to reach. If the cell is hot, swollen",
        "    or smells, leave it, leave the room and call for help.",
    ]


def proof_lines(proof: Proof) -> list[str]:
    """A proof in words: the level, the smallest current that it could have seen, the evidence."""
    if proof.level.value == "none":
        first = "off is not proven"
    else:
        first = f"off, proof level {proof.level.value}{bounds(proof.honest_a, proof.lying_a)}"
    if proof.contradicted:
        first += "; evidence against it"
    return [first, *(f"  {line}" for line in proof.evidence)]


def proof_entry(proof: Proof) -> dict[str, Any]:
    """A proof as plain data for the journal and ``--json``."""
    return {
        "level": proof.level.value,
        "off": proof.is_off,
        "contradicted": proof.contradicted,
        "honest_a": _finite(proof.honest_a),
        "lying_a": _finite(proof.lying_a),
        "evidence": list(proof.evidence),
    }


def _finite(amps: float) -> float | None:
    return amps if amps < float("inf") else None

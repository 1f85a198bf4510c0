"""What the night will decide of the claims, in lines and as data: shared by check and rehearse."""

from collections.abc import Iterator
from math import isfinite
from typing import Any

from sequencer.analysis.claims.conformity import Bound
from sequencer.analysis.claims.foreseeing import Foreseen, Outlook
from sequencer.analysis.claims.wording import amount
from sequencer.assembly.foreseen import Outlooks


def outlook_lines(found: Outlooks) -> list[str]:
    """One line a claim: whether it can be decided, by what, how well, and what would help."""
    if not found.claims and not found.untold:
        return []
    decided = sum(one.outlook in (Outlook.DECIDED, Outlook.IMPOSSIBLE) for one in found.claims)
    head = f"claims: {found.untold}"
    if not found.untold:
        all_ = len(found.claims)
        head = f"claims: this profile on this bench would decide {decided} of {all_}, each"
        head += f" outside of a range that stays open{', ' * bool(found.supposed)}{found.supposed}:"
    return [head, *(line for one in found.claims for line in _lines(one))]


def _lines(one: Foreseen) -> Iterator[str]:
    yield f"  {one.claim_text} ({one.claim.said_on}): {one.outlook.value}{_how(one)}"
    if one.change and one.outlook is Outlook.OPEN:
        yield f"     it needs {one.change}"
    elif one.change:
        yield f"     would help most: {one.change}{_narrowed(one)}"
    if one.why and one.outlook is not Outlook.IMPOSSIBLE:
        yield f"     {one.why}"


def _how(one: Foreseen) -> str:
    """``, ± 0.006 Ah: supported from 3.03 Ah up, refuted from 2.95 Ah down``."""
    if one.outlook is Outlook.IMPOSSIBLE:
        return f": {one.why}"
    up, down = ("up", "down") if one.bound is Bound.LEAST else ("down", "up")
    told = [
        f"{word} from {amount(value, one.unit, 0.5 * one.half)} {way}"
        for word, value, way in (
            ("supported", one.supported_at, up),
            ("not supported", one.refuted_at, down),
        )
        if isfinite(value)
    ]
    width = f", ± {amount(one.half, one.unit, one.half)}" if isfinite(one.half) else ""
    return width + (f": {', '.join(told)}" if told else "")


def _narrowed(one: Foreseen) -> str:
    if not isfinite(one.narrowed):
        return ""
    return f" (what stays open between them would be {100.0 * (1.0 - one.narrowed):.0f} % less)"


def outlook_data(found: Outlooks) -> dict[str, Any]:
    """The same as plain data."""
    return {
        "untold": found.untold,
        "supposed": found.supposed,
        "claims": [_data(one) for one in found.claims],
    }


def _data(one: Foreseen) -> dict[str, Any]:
    numbers = {
        "half_95": one.half,
        "supported_at": one.supported_at,
        "refuted_at": one.refuted_at,
        "change_leaves": one.narrowed,
    }
    return {
        "number": one.number,
        "what": one.what,
        "said_on": one.claim.said_on,
        "claimed": one.claimed,
        "promised": one.promised,
        "unit": one.unit,
        "outlook": one.outlook.value,
        "why": one.why,
        "change": one.change,
        **{name: value if isfinite(value) else None for name, value in numbers.items()},
    }

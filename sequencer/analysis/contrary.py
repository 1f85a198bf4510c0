"""Steps whose voltage moves against their current: said, and kept out of every figure.

Positive current charges (Battery Data Format). A record that counts discharging as positive, or
writes sizes without signs, shows it so; nothing is turned round on a guess.
"""

from collections.abc import Sequence

from sequencer.analysis.sheet import Sheet
from sequencer.analysis.story import Scene
from sequencer.analysis.survey import Deed


def is_doubtful(scene: Scene) -> bool:
    """Whether a step, or the one that a rest followed, has a current that cannot be believed."""
    deeds = (scene.deed, *((scene.after,) if scene.after and not scene.deed.is_driven else ()))
    return any(deed.is_against for deed in deeds)


def tell(sheet: Sheet, deeds: Sequence[Deed]) -> None:
    """Says it once of the record, with the remedy, and once of every such step."""
    driven = [deed for deed in deeds if deed.is_driven and deed.whole is not None]
    against = [deed for deed in driven if deed.is_against]
    if not against:
        return
    sheet.warnings.insert(
        0,
        f"the current's sign is doubtful: in {len(against)} of {len(driven)} steps that charge or "
        "discharge by its sign (positive charges) the voltage moves the other way. Nothing is told "
        "of these steps, nor of the state of charge after them. Where the record counts "
        "discharging as positive, change the sign of its current; where it has sizes without a "
        "sign, give them one",
    )
    for deed in against:
        moved = "falls" if deed.kind == "charge" else "rises"
        sheet.excluded.append(
            f"{deed.called}: left out: by its sign it {deed.kind}s, but its voltage {moved}"
        )

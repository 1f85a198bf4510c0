"""Steps whose voltage moves against their current: said, and kept out of every figure.

Positive current charges (Battery Data Format). A record that counts discharging as positive, or
writes sizes without signs, shows it so; nothing is turned round on a guess.
"""

from collections.abc import Sequence

from sequencer.analysis.sheet import FigureSheet
from sequencer.analysis.step_context import StepContext
from sequencer.analysis.survey import SurveyedStep


def is_doubtful(context: StepContext) -> bool:
    """Whether a step, or the one that a rest followed, has a current that cannot be believed."""
    surveyed_steps = (
        context.surveyed,
        *((context.after,) if context.after and not context.surveyed.is_driven else ()),
    )
    return any(surveyed.is_against for surveyed in surveyed_steps)


def tell(sheet: FigureSheet, surveyed_steps: Sequence[SurveyedStep]) -> None:
    """Says it once of the record, with the remedy, and once of every such step."""
    driven = [
        surveyed for surveyed in surveyed_steps if surveyed.is_driven and surveyed.whole is not None
    ]
    against = [surveyed for surveyed in driven if surveyed.is_against]
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
    for surveyed in against:
        moved = "falls" if surveyed.kind == "charge" else "rises"
        sheet.excluded.append(
            f"{surveyed.called}: left out: by its sign it {surveyed.kind}s, but its voltage {moved}"
        )

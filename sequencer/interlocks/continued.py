"""The bound of charge for a run that goes on where another one broke off.

Owns what was put in before the interruption, so that a charge begun again is no second whole one.
"""

from sequencer.interlocks.electrical import charge_bound
from sequencer.interlocks.rule import Judge
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.intent import Intent
from sequencer.vocabulary.sample import Sample


def charge_bound_continued(charge_in_ah: float, charge_out_ah: float, already_ah: float) -> Judge:
    """As ``charge_bound``, with ``already_ah`` (Ah) put in before; that counts until the first
    discharge."""
    throughout = charge_bound(charge_in_ah, charge_out_ah)
    if not already_ah:
        return throughout
    at_first = charge_bound(charge_in_ah - already_ah, charge_out_ah)
    goes_on = True

    def judge(sample: Sample, intent: Intent) -> str:
        nonlocal goes_on
        goes_on = goes_on and intent.drive.direction is not Direction.DISCHARGE
        told = throughout(sample, intent)
        return (at_first(sample, intent) if goes_on else "") or told

    return judge

"""What keeps a run from beginning: one look at the bench before anything is energised."""

from sequencer.interlocks.panel import Panel
from sequencer.plan.step import PlanLimits
from sequencer.vocabulary.sample import Sample
from sequencer.vocabulary.verdict import Proof


def reasons_to_refuse(panel: Panel, limits: PlanLimits, proof: Proof, sample: Sample) -> list[str]:
    """Every reason in words, from the proof of off and the first sample; none when fit to begin.

    The panel's rules have seen the sample afterwards: a replay must ask once too, before it judges.
    """
    volts = sample.voltage_v
    reasons = [f"{one.culprit}: {one.kind.value}: {one.detail}" for one in sample.faults]
    if proof.contradicted:
        reasons.append("outputs are not off: " + "; ".join(proof.evidence))
    if not limits.floor_v <= volts <= limits.ceiling_v:
        reasons.append(
            f"the cell reads {volts:.3f} V, outside {limits.floor_v:.3f} V to "
            f"{limits.ceiling_v:.3f} V: wrong cell, reversed, not connected, or below its floor"
            " (a cell below its floor is not revived)"
        )
    return reasons + panel.reasons_to_refuse(sample)

"""When to sample: the rule of a profile, and of a step within it."""

from pydantic import field_validator

from sequencer.documents.fields import Amps, Document, Seconds, Volts

DRIVING_INTERVAL_S = 1.0
"""While an output is on, at least one sample a second is judged."""
RESTING_INTERVAL_S = 2.0
"""A rest may be sampled this slowly: a reading older than 3 s counts as stale."""
FASTEST_INTERVAL_S = 0.005


def _interval(seconds: float | None, slowest_s: float, where: str) -> float | None:
    if seconds is not None and not FASTEST_INTERVAL_S <= seconds <= slowest_s:
        fastest = f"{FASTEST_INTERVAL_S * 1000:g} ms"
        raise ValueError(f"must be from {fastest} to {slowest_s:g} s {where}")
    return seconds


class SamplingRule(Document):
    """When to sample: every so often, fast for a while after an edge, and fast after a change."""

    every: Seconds | None = None
    fast: Seconds | None = None
    fast_for: Seconds | None = None
    on_voltage_change: Volts | None = None
    on_current_change: Amps | None = None

    @field_validator("every", "fast")
    @classmethod
    def _often_enough(cls, seconds: float | None) -> float | None:
        return _interval(seconds, DRIVING_INTERVAL_S, "where current may flow")


class RestSamplingRule(SamplingRule):
    """As for a driving step, but a rest may be sampled as slowly as every 2 s."""

    @field_validator("every", "fast")
    @classmethod
    def _often_enough(cls, seconds: float | None) -> float | None:
        return _interval(seconds, RESTING_INTERVAL_S, "in a rest")

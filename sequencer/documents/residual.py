"""Residual discharge: what it may say. Whether the cell allows it is judged by the plan room."""

from typing import Literal

from sequencer.documents.fields import CurrentOrRate, Seconds, Volts
from sequencer.documents.sampling_rule import SamplingRule
from sequencer.documents.step_base import StepBase


class ResidualDischarge(StepBase):
    """Of a single cell, below every recommended cut-off at a small current; then a rest, and slowly
    back to the storage voltage. A person stays, and the specimen is marked."""

    step: Literal["residual discharge"]
    current: CurrentOrRate
    cut_off_voltage: Volts
    rest: Seconds = 600.0
    recharge_current: CurrentOrRate | None = None
    sampling: SamplingRule | None = None

"""Figures as an analysis makes them, for tests that spoil one condition in them."""

from math import nan

import numpy as np

from sequencer.analysis.results import Figure, Tested
from sequencer.documents.cell import CellDocument
from sequencer.source.loading import load_text
from sequencer.vocabulary.table import Table

CELL = """\
cell: invented
chemistry: NMC
rated capacity: 3 Ah
mass: 52 g
recommended:
  charge voltage: 4.2 V
  cut-off voltage: 3 V
  charge current: 0.5 C
  discharge current: 1 C
  charge temperature: {low: 10 degC, high: 40 degC}
  discharge temperature: {low: -10 degC, high: 50 degC}
absolute:
  charge voltage: 4.25 V
  cut-off voltage: 2.75 V
  charge current: 1 C
  discharge current: 9 A
  charge temperature: {low: 5 degC, high: 45 degC}
  discharge temperature: {low: -20 degC, high: 60 degC}
storage voltage: 3.8 V
"""

SLOW = {
    "direction": "discharge", "current_a": 0.6, "rate_c": 0.2, "cut_off_v": 3.0,
    "charge_voltage_v": 4.2, "termination_a": 0.06, "room_c": 25.0, "surface_start_c": 25.0,
}  # fmt: skip
PULSE = {
    "direction": "discharge", "current_a": 3.0, "rate_c": 1.0, "pulse_s": 0.1,
    "state_of_charge": 0.5, "surface_start_c": 25.0, "pulses": 5.0,
}  # fmt: skip
FULL = (
    "{rate: 0.2 C, cut-off: 3 V, charge voltage: 4.2 V, termination current: 60 mA, "
    "temperature: 25 degC}"
)


def cell(*claims, kindest=""):
    """A cell document with such claims, each a pair of value and conditions as text."""
    text = CELL
    if claims:
        text += "claims:\n"
    for number, (value, conditions) in enumerate(claims):
        text += f"  - said on: place {number + 1}\n    {value}\n    conditions: {conditions}\n"
    if kindest:
        text += f"kindest conditions: {kindest}\n"
    return load_text(text, "cell.yaml", CellDocument).document


def table():
    """A table without samples."""
    none = np.empty(0)
    whole = np.empty(0, dtype=np.int64)
    return Table(none, none, none, none, none, whole, whole, none, none, none, {})


def evidence(document, bench=None):
    """What an analysis rests on, of which claims need the documents."""
    return Tested(table=table(), cell=document, bench=bench)


def figure(key, value, unit, u=nan, step=4, **conditions):
    """One figure; its interval is that of a normal distribution."""
    return Figure(
        key,
        key,
        value,
        unit,
        u,
        value - 1.96 * u,
        value + 1.96 * u,
        conditions=conditions,
        step=step,
    )


def discharge(value=2.8, u=0.01, step=4, unit="Ah", **changed):
    """A complete discharge on the terms of ``FULL``, but for what is changed (None: unknown)."""
    conditions = {k: v for k, v in {**SLOW, **changed}.items() if v is not None}
    name = {"Ah": "capacity", "Wh": "energy"}[unit]
    return figure(f"{name}.discharge.{step}", value, unit, u, step, **conditions)


def yields(whole, values):
    """The yields per cut-off (V: value) of a complete discharge."""
    name = whole.key.partition(".")[0]
    return [
        figure(
            f"{name}.cut-off.{whole.step}.{round(1000 * volts)}", value, whole.unit,
            whole.standard_uncertainty, whole.step, **{**whole.conditions, "cut_off_v": volts},
        )
        for volts, value in values.items()
    ]  # fmt: skip


def pulse(value=0.028, u=0.0002, step=14, **changed):
    """The resistance of a train of pulses at half charge."""
    conditions = {k: v for k, v in {**PULSE, **changed}.items() if v is not None}
    return figure(
        f"resistance.train.{step}.{conditions.get('pulse_s', 0):g}s",
        value,
        "Ohm",
        u,
        step,
        **conditions,
    )

"""An invented analysis of an invented run: every verdict word, every sort of figure and curve.

The numbers are made up, and are nowhere compared with a cell.
"""

import math
from collections.abc import Sequence

import numpy as np

from sequencer.analysis.results import (
    Analysis,
    Contribution,
    Curve,
    Event,
    Figure,
    Judged,
    Part,
    Word,
)
from sequencer.documents.cell import Claim
from sequencer.report.sheet import Document, Identity, Sheet, Step
from sequencer.vocabulary.table import StepName, Table

VERSION = "nightbench 9.9"
NASTY = "<script>alert('x')</script> & \"quoted\""


def figure(key: str, label: str, value: float, unit: str, u: float, **more) -> Figure:
    """A figure whose interval is two standard uncertainties to each side."""
    return Figure(key, label, value, unit, u, value - 2 * u, value + 2 * u, **more)


def claim(said_on: str, conditions="none given", **value: str) -> Claim:
    """A claim as a document would give it."""
    return Claim.model_validate({"said on": said_on, "conditions": conditions, **value})


def figures() -> tuple[Figure, ...]:
    """Headlines with budgets, cut-offs, resistances, one that cannot be told."""
    budget = (
        Contribution("gain of the load's ammeter", 0.0090, 40.0),
        Contribution("zero of the load's ammeter", 0.0048),
        Contribution("repeatability over 2 cycles", 0.0011, 1.0),
    )
    slow = {"direction": "discharge", "rate_c": 0.2, "cut_off_v": 3.0, "surface_c": 22.6}
    fast = {**slow, "rate_c": 1.0}
    made = [
        figure(
            "capacity.discharge.4",
            "Capacity at 0.2 C",
            2.8057,
            "Ah",
            0.0103,
            contributions=budget,
            conditions=slow,
            step=4,
            headline=True,
        ),
        figure(
            "capacity.discharge.8",
            "Capacity at 1 C",
            2.6312,
            "Ah",
            0.0099,
            contributions=budget,
            conditions=fast,
            step=8,
            headline=True,
        ),
        figure(
            "energy.discharge.4",
            "Energy at 0.2 C",
            10.409,
            "Wh",
            0.041,
            contributions=budget,
            conditions=slow,
            step=4,
            headline=True,
        ),
        figure(
            "efficiency.coulombic.4", "Coulombic efficiency", 0.9972, "1", 0.0019, headline=True
        ),
        figure(
            "resistance.pulse.14.1s",
            "Resistance after 1 s",
            0.02814,
            "Ohm",
            0.00021,
            conditions={"state_of_charge": 0.5},
            step=14,
            headline=True,
        ),
        figure(
            "specific-energy.bare.4",
            "Energy per mass",
            202.9,
            "Wh/kg",
            0.9,
            conditions={**slow, "mass": "bare"},
            step=4,
        ),
        figure("temperature-highest.discharge.8", "Highest surface", 31.4, "degC", 0.4, step=8),
        Figure(
            "self-discharge.month.3",
            "Self-discharge in 30 d",
            math.nan,
            "1",
            flags=("rested too short: 20 min",),
        ),
    ]
    for step, full in ((4, 2.8057), (8, 2.6312)):
        for n in range(5):
            level, share = 3000 + 50 * n, 1 - 0.021 * n
            conditions = slow if step == 4 else fast
            made.append(
                figure(
                    f"capacity.cut-off.{step}.{level}",
                    "Capacity to a cut-off",
                    full * share,
                    "Ah",
                    0.01,
                    conditions=conditions,
                    step=step,
                )
            )
            made.append(
                figure(
                    f"energy.cut-off.{step}.{level}",
                    "Energy to a cut-off",
                    3.7 * full * share,
                    "Wh",
                    0.04,
                    conditions=conditions,
                    step=step,
                )
            )
    return tuple(made)


def curves() -> tuple[Curve, ...]:
    """One of each kind of picture; one curve has a gap and one is of an unknown kind."""
    share = np.linspace(0.0, 1.0, 300)
    volts = 4.15 - 0.55 * share - 0.6 * share**12
    made = []
    for label, full, sag in (("0.2 C", 2.8057, 0.02), ("1 C", 2.6312, 0.1)):
        made.append(
            Curve(
                f"voltage.discharge.{label}",
                f"discharge at {label}",
                share * full,
                volts - sag,
                "capacity",
                "Ah",
                "cell voltage",
                "V",
            )
        )
        made.append(
            Curve(
                f"temperature.discharge.{label}",
                f"discharge at {label}",
                share * full,
                22 + 50 * sag * share,
                "capacity",
                "Ah",
                "surface temperature",
                "degC",
            )
        )
        made.append(
            Curve(
                f"energy-by-cut-off.{label}",
                f"discharge at {label}",
                np.linspace(3, 4, 9),
                np.linspace(full * 3.7, 0.4, 9),
                "cut-off voltage",
                "V",
                "energy",
                "Wh",
            )
        )
    ohms = np.array([0.034, 0.02814, 0.0279])
    made.append(
        Curve(
            "resistance-by-charge.discharge.1s",
            "after 1 s, discharge",
            np.array([0.1, 0.5, 0.9]),
            ohms,
            "state of charge",
            "1",
            "resistance",
            "Ohm",
        )
    )
    inside = np.where(abs(share - 0.5) < 0.02, np.nan, 2 + np.sin(9 * share))
    made.append(
        Curve(
            "dq-dv.discharge.4",
            "discharge at 0.2 C",
            3 + share,
            inside,
            "cell voltage",
            "V",
            "dQ/dV",
            "Ah/V",
            note="smoothed over 20 mV",
        )
    )
    made.append(Curve("odd.one", "an odd curve", share, share**2, "frobs", "fr", "quux", "qx"))
    return tuple(made)


def verdicts() -> tuple[Judged, ...]:
    """All four words; one with a shortfall in parts that sum to -0.3943 Ah."""
    given = {"rate": "0.2 C", "cut-off": "3.00 V", "charge voltage": "4.2 V",
             "temperature": "25 degC"}  # fmt: skip
    listing = claim("shop listing", capacity="3.2 Ah")
    parts = (
        Part("rate", -0.0213, 0.002, "measured at 0.2 C, as kind as can be"),
        Part("leads", -0.0009, 0.0004, "sensed at the tabs"),
        Part("cell", -0.3721, 0.01, "what is left: the cell itself"),
    )
    return (
        Judged(
            claim("data sheet, page 2", given, capacity="2.8 Ah"),
            1,
            2.8,
            "Ah",
            Word.SUPPORTED,
            "2.806 Ah is more than 2.8 Ah",
            "the conditions given",
            "capacity.discharge.4",
            2.8057,
            0.0103,
            0.9701,
        ),
        Judged(
            listing,
            2,
            3.2,
            "Ah",
            Word.NOT_SUPPORTED,
            "the cell gives 12 % less",
            "the kindest reasonable conditions: 0.2 C to 3.00 V",
            "capacity.discharge.4",
            2.8057,
            0.0103,
            0.0,
            parts,
        ),
        Judged(
            claim("data sheet, page 3", resistance="28 mOhm"),
            3,
            0.028,
            "Ohm",
            Word.CANNOT_TELL,
            "28.0 mΩ lies inside what this bench tells",
            "1 s at half charge",
            "resistance.pulse.14.1s",
            0.02814,
            0.00021,
            0.61,
        ),
        Judged(
            claim(NASTY, **{"discharge current": "10 A"}),
            4,
            10.0,
            "A",
            Word.NOT_COMPARABLE,
            "nothing above 3 A was tried",
            "",
        ),
    )


EVENTS = (
    Event(1203.0, "trip", "circuit open: no current although charging at 2.100 A"),
    Event(1203.25, "command", "all outputs off"),
    Event(1204.0, "proof", "off is proven, level A"),
)


def analysis(*, events: Sequence[Event] = ()) -> Analysis:
    """All of the above."""
    return Analysis(
        figures(),
        curves(),
        verdicts(),
        "supported when the probability of conformity is at least 95 %",
        excluded=("step 15: pulse 3 had no sample after its edge",),
        warnings=("the meter and the supply differ by 4 mV at rest",),
        events=tuple(events),
    )


def table(rows: int = 1400) -> Table:
    """A rest, a charge that breaks off at 1203 s, and silence."""
    time_s = np.arange(rows, dtype=float)
    driven = (time_s >= 600) & (time_s < 1203)
    current = np.where(driven, 2.1, 0.0)
    voltage = 3.606 + 0.03 * current + 0.0001 * np.clip(time_s - 600, 0, 603)
    nothing = np.full(rows, np.nan)
    step = np.where(time_s < 600, 1, 2).astype(np.int64)
    return Table(
        time_s, voltage, current, time_s, time_s, step, np.ones(rows, np.int64),
        22 + 0.002 * np.clip(time_s - 600, 0, None), nothing, np.full(rows, 22.0),
        {1: StepName("rest", "rest"), 2: StepName("charge", "CC-CV charge")},
    )  # fmt: skip


def sheet(*, tripped: bool = False, simulated: bool = False) -> Sheet:
    """A run on a bench of real instruments, or its pretended twin."""
    cause = {"interlock": "circuit open", "reason": "no current although charging at 2.100 A"}
    steps = [
        Step(1, "Rest for 10 min", "", "rest", 0.0, 600.0, "time 10 min", 0.0, 3.606, 22.0),
        Step(2, "Charge at 2.10 A to 4.200 V", NASTY, "charge", 600.0, None, "broken off", None,
             None, None),
    ]  # fmt: skip
    return Sheet(
        title="Overnight rates",
        cell="Lamp pouch 3 Ah",
        bench="my desk",
        specimen={"specimen": "lamp-pouch-07", "weighings": [{"mass": 51.3, "of": "bare"}]},
        run="603c93e0-a3e5-586d-bc2e-95059a93a0e8",
        start="2026-11-24T20:04:05.000Z",
        who="alex",
        host="bench-pc",
        is_rehearsal=False,
        is_simulated=simulated,
        duration_s=1399.0,
        ending="faulted" if tripped else "done",
        exit=6 if tripped else 0,
        reason=cause["reason"] if tripped else "",
        first_cause={**cause, "at_s": 1203.0} if tripped else None,
        off={"proven": True, "level": "A", "evidence": ["contactor feedback open"]},
        rescue="",
        limits={"floor_v": 2.75, "ceiling_v": 4.25, "charge_current_a": 3.0,
                "discharge_current_a": 9.0, "charge_low_c": 12.0, "charge_high_c": 40.0},
        acknowledged="Enter",
        attended={"accepted": True, "because": ["the supply has no watchdog"]},
        resumes={},
        documents=[Document("profile", "overnight-rates.yaml", "cf" * 32)],
        instruments=[Identity("supply", "charges", "Example S1", "0042", "1.2", "scpi-supply",
                              "2026-01-10, house standard")],
        steps=steps,
        versions={"python": "3.11.7", "nightbench": "0.1.0"},
        rows=1400,
        samples_sha256="ab" * 32,
        verified_rows=1380,
        missing=(),
    )  # fmt: skip

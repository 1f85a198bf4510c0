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
    Figure,
    Judged,
    RunEvent,
    VerdictPart,
    VerdictWord,
)
from sequencer.documents.claim import Claim
from sequencer.report.sheet import FollowedDocument, IdentifiedInstrument, RunSheet, Step
from sequencer.vocabulary.table import StepName, Table

VERSION = "nightbench 9.9"
NASTY = "<script>alert('x')</script> & \"quoted\""


def figure(key: str, label: str, value: float, unit: str, u: float, **more) -> Figure:
    """A figure whose interval is two standard uncertainties to each side."""
    return Figure(key, label, value, unit, u, value - 2 * u, value + 2 * u, **more)


def claim(said_on: str, conditions="none given", **value: str) -> Claim:
    """A claim as a document would give it."""
    return Claim.model_validate({"said on": said_on, "conditions": conditions, **value})


BUDGET = (
    Contribution("gain of the load's ammeter", 0.0090, 40.0),
    Contribution("zero of the load's ammeter", 0.0048),
    Contribution("repeatability over 2 cycles", 0.0011, 1.0),
)
SLOW = {"direction": "discharge", "rate_c": 0.2, "cut_off_v": 3.0, "surface_c": 22.6}
FAST = {**SLOW, "rate_c": 1.0}
FIRST = {"contributions": BUDGET, "headline": True}
HALF = {"state_of_charge": 0.5}
FIGURES = (
    ("capacity.discharge.4", "Capacity at 0.2 C", 2.8057, "Ah", 0.0103, SLOW, FIRST),
    ("capacity.discharge.8", "Capacity at 1 C", 2.6312, "Ah", 0.0099, FAST, FIRST),
    ("energy.discharge.4", "Energy at 0.2 C", 10.409, "Wh", 0.041, SLOW, FIRST),
    ("efficiency.coulombic.4", "Coulombic efficiency", 0.9972, "1", 0.0019, {}, FIRST),
    ("resistance.pulse.14.1s", "Resistance after 1 s", 0.02814, "Ohm", 0.00021, HALF, FIRST),
    ("specific-energy.bare.4", "Energy per mass", 202.9, "Wh/kg", 0.9, {"mass": "bare"}, {}),
    ("temperature-highest.discharge.8", "Highest surface", 31.4, "degC", 0.4, {}, {}),
)


def figures() -> tuple[Figure, ...]:
    """Headlines with budgets, cut-offs, a resistance, one that cannot be told."""
    made = [figure(*one[:5], conditions=one[5], **one[6]) for one in FIGURES]
    too_short = ("rested too short: 20 min",)
    label = "Self-discharge in 30 d"
    made.append(Figure("self-discharge.month.3", label, math.nan, "1", flags=too_short))
    for step, full, conditions in ((4, 2.8057, SLOW), (8, 2.6312, FAST)):
        for n in range(5):
            end, ah = f"cut-off.{step}.{3000 + 50 * n}", full * (1 - 0.021 * n)
            more = {"conditions": conditions, "step": step}
            made.append(figure(f"capacity.{end}", "Capacity to a cut-off", ah, "Ah", 0.01, **more))
            made.append(
                figure(f"energy.{end}", "Energy to a cut-off", 3.7 * ah, "Wh", 0.04, **more)
            )
    return tuple(made)


CHARGE, VOLTAGE = ("capacity", "Ah"), ("cell voltage", "V")
SURFACE, CUT_OFF, ENERGY = (
    ("surface temperature", "degC"),
    ("cut-off voltage", "V"),
    ("energy", "Wh"),
)


def curve(key: str, label: str, x, y, along: tuple, up: tuple, note: str = "") -> Curve:
    """A curve; ``along`` and ``up`` are label and unit of its axes."""
    (across, per), (height, of) = along, up
    return Curve(key, label, x, y, across, per, height, of, note)


def curves() -> tuple[Curve, ...]:
    """One of each kind of picture; one curve has a gap and one is of an unknown kind."""
    share = np.linspace(0.0, 1.0, 300)
    volts = 4.15 - 0.55 * share - 0.6 * share**12
    made = []
    for name, full, sag in (("0.2 C", 2.8057, 0.02), ("1 C", 2.6312, 0.1)):
        label, ah, key = f"discharge at {name}", share * full, f"discharge.{name}"
        warm, ends = 22 + 50 * sag * share, np.linspace(3, 4, 9)
        given = np.linspace(full * 3.7, 0.4, 9)
        made.append(curve(f"voltage.{key}", label, ah, volts - sag, CHARGE, VOLTAGE))
        made.append(curve(f"temperature.{key}", label, ah, warm, CHARGE, SURFACE))
        made.append(curve(f"energy-by-cut-off.{name}", label, ends, given, CUT_OFF, ENERGY))
    at, ohms = np.array([0.1, 0.5, 0.9]), np.array([0.034, 0.02814, 0.0279])
    axes = ("state of charge", "1"), ("resistance", "Ohm")
    made.append(curve("resistance-by-charge.discharge.1s", "after 1 s", at, ohms, *axes))
    inside, dq = np.where(abs(share - 0.5) < 0.02, np.nan, 2 + np.sin(9 * share)), ("dQ/dV", "Ah/V")
    note = "smoothed over 20 mV"
    made.append(curve("dq-dv.discharge.4", "at 0.2 C", 3 + share, inside, VOLTAGE, dq, note))
    made.append(curve("odd.one", "an odd curve", share, share**2, ("frobs", "fr"), ("quux", "qx")))
    return tuple(made)


GIVEN = {
    "rate": "0.2 C",
    "cut-off": "3.00 V",
    "charge voltage": "4.2 V",
    "temperature": "25 degC",
}
PARTS = (
    VerdictPart("rate", -0.0213, 0.002, "measured at 0.2 C, as kind as can be"),
    VerdictPart("leads", -0.0009, 0.0004, "sensed at the tabs"),
    VerdictPart("cell", -0.3721, 0.01, "what is left: the cell itself"),
)


def verdicts() -> tuple[Judged, ...]:
    """All four words; one with a shortfall in parts that sum to -0.3943 Ah."""
    sheet = claim("data sheet, page 2", GIVEN, capacity="2.8 Ah")
    listing = claim("shop listing", capacity="3.2 Ah")
    ohms = claim("data sheet, page 3", resistance="28 mOhm")
    amps = claim(NASTY, **{"discharge current": "10 A"})
    capacity, kind = ("capacity.discharge.4", 2.8057, 0.0103), "the kindest: 0.2 C to 3.00 V"
    more, less = "2.806 Ah is more than 2.8 Ah", "the cell gives 12 % less"
    near, none = "28.0 mOhm lies inside what this bench tells", "nothing above 3 A was tried"
    resistance = ("resistance.pulse.14.1s", 0.02814, 0.00021)
    yes, no, maybe, other = VerdictWord
    return (
        Judged(sheet, 1, 2.8, "Ah", yes, more, "the conditions given", *capacity, 0.9701),
        Judged(listing, 2, 3.2, "Ah", no, less, kind, *capacity, 0.0, PARTS),
        Judged(ohms, 3, 0.028, "Ohm", maybe, near, "1 s at half charge", *resistance, 0.61),
        Judged(amps, 4, 10.0, "A", other, none, ""),
    )


EVENTS = (
    RunEvent(1203.0, "trip", "circuit open: no current although charging at 2.100 A"),
    RunEvent(1203.25, "command", "all outputs off"),
    RunEvent(1204.0, "proof", "off is proven, level A"),
)


def analysis(*, events: Sequence[RunEvent] = ()) -> Analysis:
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


def sheet(*, tripped: bool = False, simulated: bool = False) -> RunSheet:
    """A run on a bench of real instruments, or its simulated twin."""
    cause = {"interlock": "circuit open", "reason": "no current although charging at 2.100 A"}
    steps = [
        Step(1, "Rest for 10 min", "", "rest", 0.0, 600.0, "time 10 min", 0.0, 3.606, 22.0),
        Step(2, "Charge at 2.10 A to 4.200 V", NASTY, "charge", 600.0, None, "ended early", None,
             None, None),
    ]  # fmt: skip
    return RunSheet(
        title="Overnight rates",
        purpose="what the cell gives back slowly and fast",
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
        documents=[FollowedDocument("profile", "overnight-rates.yaml", "cf" * 32)],
        instruments=[IdentifiedInstrument("supply", "charges", "Example S1", "0042", "1.2",
                                          "scpi-supply", "2026-01-10, house standard")],
        steps=steps,
        versions={"python": "3.11.7", "nightbench": "0.1.0"},
        rows=1400,
        samples_sha256="ab" * 32,
        verified_rows=1380,
        missing=(),
    )  # fmt: skip

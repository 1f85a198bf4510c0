"""Bursts that were not tried: bounds from resistances, held against the pretended cell's truth.

The truth of a burst is the same equations at the burst's own current: the largest constant current
at which the voltage stays within its limit to the end of the burst.
"""

import contextlib
import io
import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from drivers.simulated.cell import Cell
from drivers.simulated.truths import parameters_of
from sequencer.analysis.claims.bursts import LEAST_HEAT_J_PER_KG_K, in_words
from sequencer.analysis.claims.judging import judge
from sequencer.analysis.claims.kinds import KINDS
from sequencer.analysis.results import Extrapolated, Figure, VerdictWord
from sequencer.cli import main
from sequencer.documents.simulation import SimulatedCellDocument
from sequencer.source.loading import load
from tests.analysis.claims.figures import cell, evidence, figure

ROOT = Path(__file__).parents[3]
TRUTH = load(ROOT / "sim_configs/cells/lamp-pouch-truth.yaml", SimulatedCellDocument).document
PARAMETERS = parameters_of(TRUTH)
PROFILE = """\
profile: Pulses
limits:
  charge temperature: {low: 15 degC, high: 40 degC}
  discharge temperature: {low: 15 degC, high: 45 degC}
steps:
  - {step: charge, current: 0.7 C, voltage: recommended, termination current: 0.05 C}
  - {step: rest, for: 1 h}
  - {step: pulse, direction: discharge, current: 1 C, for: 10 s}
  - {step: discharge, current: 0.5 C, until charge: 50 %}
  - {step: rest, for: 1 h}
  - {step: pulse, direction: discharge, current: 1 C, for: 10 s}
  - {step: rest, for: 30 min}
  - {step: pulse, direction: charge, current: 0.7 C, for: 10 s}
  - {step: rest, for: 10 min}
"""
CASES = [
    (way, seconds, charge, celsius)
    for way, charges in (("discharge", (1.0, 0.5)), ("charge", (0.5,)))
    for charge in charges
    for seconds in (1, 5, 10, 30)
    for celsius in (15, 22, 35)
]


def claim_of(way: str, seconds: int, charge: float, celsius: int) -> str:
    """As a seller would write it, of a current that this bench cannot drive."""
    limit = "charge voltage: 4.2 V" if way == "charge" else "cut-off: 3.0 V"
    conditions = f"burst: {seconds} s, state of charge: {100 * charge:g} %, {limit}"
    return (
        f"  - said on: listing\n    {way} current: 60.0 A\n"
        f"    conditions: {{{conditions}, temperature: {celsius} degC}}\n"
    )


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """The report's data of one rehearsed night on the demonstration bench, by case."""
    place = tmp_path_factory.mktemp("bursts")
    text = (ROOT / "profiles/cells/lamp-pouch.yaml").read_text(encoding="utf-8")
    head, kindest = text.partition("claims:")[0], text[text.index("kindest conditions:") :]
    claims = "claims:\n" + "".join(claim_of(*one) for one in CASES)
    (place / "cell.yaml").write_text(head + claims + kindest, encoding="utf-8")
    (place / "profile.yaml").write_text(PROFILE, encoding="utf-8")
    bench = str(ROOT / "sim_configs/benches/demonstration.yaml")
    cell_yaml, run = str(place / "cell.yaml"), str(place / "run")
    given = [str(place / "profile.yaml"), "--cell", cell_yaml, "--bench", bench, "--folder", run]
    assert main(["rehearse", *given]) == 0
    return run


@pytest.fixture(scope="module")
def data(told):
    """Figures by key, and verdicts by case."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        assert main(["report", told, "--json"]) == 0
    found = json.loads(out.getvalue())
    figures = {one["key"]: one for one in found["figures"]}
    return figures, dict(zip(CASES, found["verdicts"], strict=True))


def true_charge(rest_v: float) -> float:
    """Where on the true curve the rested cell stood."""
    volts = [one.voltage_v for one in PARAMETERS.curve]
    charges = [one.state_of_charge for one in PARAMETERS.curve]
    return float(np.interp(rest_v, volts, charges))


def stays_within(amps: float, way: str, seconds: float, charge: float, celsius: float) -> bool:
    """Whether the pretended cell stays within its limit of voltage through the burst."""
    one = Cell(PARAMETERS, charge, celsius)
    signed = amps if way == "charge" else -amps
    one.connect(1e6 if way == "charge" else -1e6, 1e3, min(signed, 0.0), max(signed, 0.0))
    for _ in range(round(seconds / 0.1)):
        one.advance(0.1)
        if one.voltage_v > 4.2 if way == "charge" else one.voltage_v < 3.0:
            return False
    return True


def true_most(way: str, seconds: float, charge: float, celsius: float) -> float:
    """The largest constant current (A) that it carries so long."""
    low, high = 0.0, 400.0
    while high - low > 0.01:
        middle = 0.5 * (low + high)
        if stays_within(middle, way, seconds, charge, celsius):
            low = middle
        else:
            high = middle
    return low


@pytest.mark.parametrize("case", CASES, ids=lambda one: "-".join(map(str, one)))
def test_the_truth_lies_within_the_bound(data, case):
    """At 15, 22 and 35 degC, from full and from half, out and in."""
    figures, verdicts = data
    way, seconds, _, celsius = case
    bound = verdicts[case]["extrapolated"]
    assert verdicts[case]["word"] == "cannot tell with this bench"
    charge = true_charge(figures[bound["figure"]]["conditions"]["rest_v"])
    true_a = true_most(way, seconds, charge, celsius)
    if seconds > 10:  # no pulse was as long: nothing says what it carries at least
        assert bound["at_least"] is None
    else:
        assert 0.45 * true_a < bound["at_least"] < true_a
    assert true_a < (bound["at_most"] or np.inf)
    if celsius == 22 and seconds == 1:
        assert bound["at_most"] < 4.0 * true_a


def test_a_bound_is_told_as_extrapolated_and_decides_nothing(data):
    """With the resistance it rests on; also where it lies far above or beneath the claim."""
    verdict = data[1]["discharge", 5, 1.0, 22]
    assert (
        "Extrapolated, not measured: in a straight line to its cut-off of 3.00 V" in verdict["why"]
    )
    assert "after 10 s at 100 % charge, it would carry at least" in verdict["why"]
    assert "That is a bound and no verdict." in verdict["why"]
    assert "above the 9 A that the cell document's own limits allow" in verdict["why"]
    assert verdict["probability"] is None


def pulse_of(ohm=0.03, after_s=10.0, **changed):
    """A pulse out of a full cell that rested at 4.2 V."""
    at = {
        "direction": "discharge", "method": "pulse", "pulse_s": after_s, "state_of_charge": 1.0,
        "rest_v": 4.2, "rest_s": 3600.0, "rest_current_a": 0.0, "surface_start_c": 25.0,
    }  # fmt: skip
    return figure(f"resistance.pulse.4.{after_s:g}s", ohm, "Ohm", 1e-5, **at | changed)


def bound_of(*figures, burst="10 s", more=""):
    """Of a claim of 90 A."""
    document = cell(("discharge current: 90.0 A", f"{{burst: {burst}, cut-off: 3.0 V{more}}}"))
    (found,) = judge(evidence(document), figures)
    assert found.word is VerdictWord.CANNOT_TELL
    return found.extrapolated


def test_the_straight_line_as_worked_by_hand():
    """(4.2 - 3.0) V / 30 mOhm = 40 A. At least, by 15 % more resistance, 34.8 A. At most, by 0.4 of
    it, 100 A, which warm a cell of 52 g by 100 A x 1.2 V x 1 s / 31.2 J/K = 3.85 K: worth 30 % more
    current, and so on to where it meets itself (worked here)."""
    assert bound_of(pulse_of()).low == pytest.approx(40.0 / 1.15, rel=2e-3)
    per_a = 50e3 / 8.314462618 / 298.15**2 * 1.2 / (LEAST_HEAT_J_PER_KG_K * 0.052)
    most = bound_of(pulse_of(after_s=1.0)).high
    assert most > 130.0
    assert most == pytest.approx(100.0 * np.exp(per_a * most), rel=2e-3)


@pytest.mark.parametrize(
    "changed",
    [
        {"rest_s": 60.0},
        {"rest_current_a": 0.6},
        {"state_of_charge": 0.5},
        {"direction": "charge"},
        {"method": "recovery"},
    ],
)
def test_what_was_no_pulse_from_rest_there_bounds_nothing(changed):
    """And the sentence says that there is no bound."""
    assert bound_of(pulse_of(**changed)) is None


def test_a_bound_is_said_no_tighter_than_it_is():
    """To two digits: the least rounded down, the most rounded up."""
    document = cell(("discharge current: 90.0 A", "{burst: 10 s, cut-off: 3.0 V}"))
    (found,) = judge(evidence(document), [pulse_of(), pulse_of(after_s=0.1)])
    assert 130.0 > found.extrapolated.high > 100.0
    assert (
        f"at least 34 A and at most {10 * np.ceil(found.extrapolated.high / 10):.0f} A" in found.why
    )


def test_a_side_that_nothing_bounds_stays_open():
    """A shorter pulse says nothing of the least, a longer one nothing of the most; neither does a
    burst that would take a tenth of the charge, nor a cell of unknown mass."""
    short, long = bound_of(pulse_of(after_s=1.0)), bound_of(pulse_of(after_s=30.0))
    assert np.isnan(short.low)
    assert np.isnan(long.high)
    assert np.isnan(bound_of(pulse_of(after_s=60.0), burst="60 s").low)


def test_where_nothing_is_bounded_no_current_is_named():
    """Neither side: it said that the cell would carry any current."""
    read = Figure(
        "resistance.pulse.2.1s",
        "R",
        0.0386,
        "Ohm",
        standard_uncertainty=0.001,
        conditions={"pulse_s": 1.0, "state_of_charge": -0.0002},
    )
    nothing = Extrapolated(np.nan, np.nan, read.key)
    kind = next(one for one in KINDS if one.direction == "charge")
    terms: Any = SimpleNamespace(held_s=10.0, state_of_charge=0.0, charge_voltage_v=4.4)
    said = in_words(nothing, kind, terms, read)
    assert said == (
        "No bound can be extrapolated either: what was read at 0 % charge after 1 s bounds no"
        " current for 10 s."
    )

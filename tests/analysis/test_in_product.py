"""Run time in a product: closed forms, a published physics model, and nights of the twin."""

import json
import math
import os
import re
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError

from sequencer.analysis.in_product import (
    BEYOND,
    InProduct,
    RunTime,
    answered,
    run_time,
    steady_draw,
)
from sequencer.analysis.measured_cell import (
    DischargeCurve,
    FastResistance,
    MeasuredCell,
    measured_cell,
)
from sequencer.cli import main
from sequencer.documents.cell import CellDocument
from sequencer.documents.draw_trace import DrawPoint, DrawTrace
from sequencer.documents.product_use import UseDocument
from sequencer.report.in_product import data, told
from sequencer.source.loading import load
from sequencer.source.traces import read_trace
from sequencer.vocabulary.faults import DocumentError
from tests.analysis import pretending
from tests.analysis.pretending import Part, cell, discharge, ran
from tests.analysis.test_analyse import empty, full, line

ROOT = Path(__file__).parents[2]


def use(**more: str | list) -> UseDocument:
    """A product that draws 2 W, with other keys."""
    given = {"use": "lamp", "output": "2 W"} | {k.replace("_", " "): v for k, v in more.items()}
    return UseDocument.model_validate(given)


def battery(first_v: float = 3.7, last_v: float = 3.7) -> MeasuredCell:
    """3 Ah behind 0.1 Ohm, its voltage a line; as if measured at 1 A."""
    out, source, ohm = np.linspace(0.0, 3.0, 301), np.linspace(first_v, last_v, 301), 0.1
    curve = DischargeCurve((3, 3), out * 3600.0, source - ohm, np.ones(301), out)
    fast = FastResistance(np.array([0.0]), np.array([ohm]), 1.0, (0.0, 1.5, 3.0))
    return MeasuredCell(curve, "step 3", fast, 0.0, 100.0, out, source, 23.0, 0.002)


def test_a_constant_voltage_behind_a_resistance_is_worked_by_hand():
    """P = I (E - I R): the smaller root I = (E - sqrt(E^2 - 4 R P)) / 2 R empties Q in Q / I."""
    amps = (3.7 - math.sqrt(3.7**2 - 4 * 0.1 * 2.0)) / (2 * 0.1)
    found = run_time(battery(), use(), steady_draw(use()), 3.0)
    assert found.ended_by == "record"
    assert found.hours == pytest.approx(3.0 * (1.0 + BEYOND) / amps, rel=1e-3)
    assert found.beyond_share == pytest.approx(BEYOND / (1.0 + BEYOND), rel=1e-2)
    assert found.half_hours > 0.5 * found.beyond_share * found.hours
    assert found.heat_w == pytest.approx(amps * amps * 0.1, rel=1e-6)
    assert found.sag_v == pytest.approx(amps * 0.1, rel=1e-6)


def test_a_draw_with_jumps_tells_more_than_a_longer_one_without():
    """Five hours at 0.5 A, and two rates behind each other in 1.5 h: the second resembles a device,
    and says which steps it is of."""
    part = discharge(1.0, 1800.0, line(4.2, 3.7, 1800.0), 10.0)._replace(reason="time 30 min")
    end = discharge(2.0, 3600.0, line(3.65, 2.8, 3600.0), 10.0, cut_off_v=2.8)
    parts = [*full(), *empty(0.5, 18000.0), *full(), part, end]
    found = measured_cell(ran(parts, cell=cell()), [])
    assert isinstance(found, MeasuredCell)
    assert found.curve.steps == (7, 8)
    assert found.called == "step 7 (CC discharge) to step 8"
    alone = measured_cell(ran(parts[:4], cell=cell()), [])
    assert isinstance(alone, MeasuredCell)
    assert (alone.curve.steps, alone.called) == ((3, 3), "step 3 (CC discharge)")


def test_a_line_ends_where_its_voltage_under_load_does():
    """4.2 to 3.0 V over 3 Ah: 2 W meets 3.3 V at I = 2 / 3.3, where E = 3.3 + 0.1 I."""
    cell = battery(4.2, 3.0)
    end_ah = (4.2 - (3.3 + 0.1 * 2.0 / 3.3)) / 0.4
    found = run_time(cell, use(), steady_draw(use()), 3.3, (3.5,))
    assert found.ended_by == "voltage"
    assert found.energy_wh == pytest.approx(2.0 * found.hours, rel=1e-9)
    moved = found.energy_wh / ((4.2 + (3.3 + 0.1 * 2.0 / 3.3)) / 2 - 0.1 * 2.0 / 3.75)
    assert moved == pytest.approx(end_ah, rel=2e-3)
    ((volts, hours, half),) = found.at_cut_offs
    assert volts == 3.5
    assert hours < found.hours
    assert 0.0 < half < 0.1 * hours


def test_cells_share_the_draw_and_a_reserve_stays():
    """Twice the output from two cells, either way, is the same; a tenth of the charge stays."""
    cell, plain = battery(4.2, 3.0), run_time(battery(4.2, 3.0), use(), steady_draw(use()), 3.3)
    for joined in ("2 in series", "2 in parallel"):
        double = use(output="4 W", cells=joined)
        found = run_time(cell, double, steady_draw(double), 3.3)
        assert found.hours == pytest.approx(plain.hours, rel=1e-9)
    kept = run_time(cell, use(reserve="10 %"), steady_draw(use()), 3.3)
    assert 0.88 * plain.hours < kept.hours < 0.91 * plain.hours


def test_a_regulator_passes_on_what_its_table_says():
    """Half is lost at every voltage: twice the draw; and what is lost is told."""
    cell = battery(4.2, 3.0)
    half = use(regulator=[{"input": "3 V", "efficiency": "50 %"}])
    found = run_time(cell, half, steady_draw(half), 3.3)
    double = run_time(cell, use(output="4 W"), steady_draw(use(output="4 W")), 3.3)
    assert found.hours == pytest.approx(double.hours, rel=1e-9)
    assert found.lost_w == pytest.approx(2.0, rel=1e-9)


def test_a_peak_that_no_voltage_can_give_ends_it():
    """No root of P = I (E - I R) is left above E^2 / 4 R = 34 W."""
    trace = DrawTrace((DrawPoint(0.0, 1.0), DrawPoint(60.0, 40.0)), 70.0)
    found = run_time(battery(), use(), trace, 0.5)
    assert found.ended_by == "power"
    assert found.hours == pytest.approx(60.0 / 3600.0)


def test_a_product_that_draws_nothing_is_not_followed_for_ever():
    """It is said that it was not followed to its end."""
    trace = DrawTrace((DrawPoint(0.0, 0.0), DrawPoint(0.5, 0.0)), 1.0)
    found = run_time(battery(), use(), trace, 3.0)
    assert found.ended_by == "time"
    assert found.hours > 0.0


def test_a_product_that_does_not_start_is_said_to_not_run():
    """Its lowest input is above a full cell; no number is invented for it."""
    high = use(lowest_input="4.5 V", wanted="6 h")
    found = run_time(battery(), high, steady_draw(high), 4.5)
    one = InProduct(high, "", battery(), found, 4.5)
    assert (
        "  does not run: a full cell is below 4.500 V under that draw; 2 in series would begin"
        " above 4.500 V"
    ) in told(one)
    assert not any("nan" in line for line in told(one))
    assert data(one)["heat_w"] is None
    assert one.verdict == "too short"


@pytest.mark.parametrize(
    ("hours", "temperature", "word"),
    [
        (6.2, "23 degC", "long enough"),
        (5.7, "23 degC", "too short"),
        (6.05, "23 degC", "cannot tell"),
        (6.2, "-10 degC", "cannot tell"),
        (5.7, "-10 degC", "too short"),
        (5.7, "45 degC", "cannot tell"),
        (6.2, "45 degC", "cannot tell"),
    ],
)
def test_what_is_said_of_a_wanted_time(hours, temperature, word):
    """Within the ± it cannot be told; nor at a temperature that was not measured, but that a
    colder cell that lasts too short warm lasts too short cold."""
    nan = math.nan
    found = RunTime(hours, 0.1, "voltage", 3.1, 1.0, nan, nan, nan, nan, nan, 0.0)
    wanted = use(wanted="6 h", temperature=temperature)
    assert InProduct(wanted, "", battery(), found).verdict == word
    unknown = replace(battery(), surface_c=nan)
    assert InProduct(wanted, "", unknown, replace(found, hours=7.0)).verdict == "cannot tell"


SHIPPED = load(ROOT / "profiles/cells/lamp-pouch.yaml", CellDocument).document


def answer(**more: str) -> str:
    """What is said of a product on the lamp pouch (2 C recommended, 3 C allowed, 1.5 C below 15 %
    charge, 1 C at 0 degC and colder)."""
    asked = use(**more)
    return "\n".join(told(answered(SHIPPED, battery(4.2, 3.0), asked, steady_draw(asked))))


def test_a_draw_beyond_the_cell_s_limit_is_no_way_to_last_longer():
    """24 W from one cell are some 8 A where it is empty; no voltage makes that allowed."""
    said = answer(output="24 W", wanted="20 min")
    assert re.search(
        r"NOT ALLOWED: the largest current of a cell, (7\.9\d|8\.00) A, is above the 4.50 A that"
        r" the cell document allows",
        said,
    )
    assert "wanted are 20 min: not allowed" in said
    assert "known to last so long, within 4.50 A a cell: 2 in parallel" in said


def test_a_limit_in_the_cold_is_that_of_the_product_s_temperature():
    """At -5 degC the table allows 1 C; at -30 degC no discharge."""
    warm = answer(output="12 W", temperature="23 degC")
    assert "NOT ALLOWED" not in warm
    cold = answer(output="12 W", temperature="-5 degC")
    assert "is above the 3.00 A that the cell document allows" in cold
    assert "known to stay within it: 2 in parallel" in cold
    colder = answer(output="1 W", temperature="-30 degC", wanted="1 h")
    assert "NOT ALLOWED: at -30 degC; a cell may be discharged from -20 degC to 60 degC" in colder
    assert "wanted are 1 h: not allowed" in colder


def test_a_bare_number_of_cells_is_asked_how_they_are_joined():
    """Both are meant by some."""
    with pytest.raises(ValidationError, match="'3 in series' or '3 in parallel'"):
        use(cells="3")


def test_what_is_told_of_a_product_has_its_doubt():
    """Energy, heat, sag and the hours down to each cut-off; short times are minutes."""
    said = answer(output="2 W")
    for begin in ("gives", "sags by", "down to 3.100 V a cell:"):
        (one,) = (found for found in said.splitlines() if begin in found)
        assert " ± " in one
    assert "W in the regulator" not in said
    assert re.search(r"runs 8\.\d ± \d\.\d min until", answer(output="24 W"))


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("", "lamp.csv:1:1: the first line is missing: it must be 'time / s,power / W'"),
        ("time,power\n", "lamp.csv:1:1: the first line is 'time,power': it must be"),
        ("time / s;power / W\n0;1,5\n", "with a comma between the two and a point as decimal sign"),
        ("time / s,power / W\n0,nan\n5,1\n", "lamp.csv:2:1: 'nan': not a plain number"),
        ("time / s,power / W\n0,1\n", "at least two lines"),
        ("time / s,power / W\n1,1\n2,1\n", "lamp.csv:2:1: the first time must be 0"),
        ("time / s,power / W\n0,1\n0,2\n9,x\n", "lamp.csv:3:1: time 0 s is not after"),
        ("time / s,power / W\n0,1\n0,2\n9,x\n", "lamp.csv:4:1: "),
        ("time / s,current / A\n0,-1\n5,1\n", "lamp.csv:2:1: current -1 is negative"),
        ("time / s,power / W\n0,1,2\n5,1\n", "lamp.csv:2:1: has 3 values"),
    ],
)
def test_a_wrong_trace_is_told_with_its_line(text, rule):
    """All of its lines at once."""
    with pytest.raises(DocumentError) as refused:
        read_trace(text, "lamp.csv")
    assert any(rule in str(fault) for fault in refused.value.faults)


def test_a_trace_holds_each_value_until_the_next():
    """The last line says when it begins again."""
    trace = read_trace("time / s,power / W\n0,5\n60, 1\n180,0\n", "lamp.csv")
    assert trace == DrawTrace((DrawPoint(0.0, 5.0), DrawPoint(60.0, 1.0)), 180.0)


# -- a published physics model

MEASURED = ((12.0, 120), (4.0, 240))
UNSEEN = (((15.0, 120), (3.0, 120)), ((8.0, 600),))


@pytest.fixture(scope="module")
def solve():
    """Solves watts and seconds over and over from full to a cut-off (V), then a rest: PyBaMM's
    SPMe with the Chen2020 parameters (5 Ah)."""
    os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pybamm

    def solved(points, passes: int, end_v: float):
        steps = [f"Discharge at {p} W for {s} seconds or until {end_v} V" for p, s in points]
        simulation = pybamm.Simulation(
            pybamm.lithium_ion.SPMe(),
            parameter_values=pybamm.ParameterValues("Chen2020"),
            experiment=pybamm.Experiment(
                [(*steps * passes, "Rest for 40 minutes")], period="10 seconds"
            ),
        )
        return simulation.solve(initial_soc=1.0, calc_esoh=False)

    return solved


def waves(step):
    """Times (s) from its begin, voltage and current of one step of the model."""
    time_s = step["Time [s]"].entries
    return (
        time_s - time_s[0],
        step["Terminal voltage [V]"].entries,
        step["Current [A]"].entries,
    )


def wave(times_s, values):
    """A function of time through the model's points."""
    return lambda t: np.interp(t, times_s, values)


@pytest.fixture(scope="module")
def physical_cell(solve):
    """The cell as a run of 12 W for 2 min and 4 W for 4 min down to 2.5 V shows it."""
    solution = solve(MEASURED, 30, 2.5)
    steps = solution.cycles[0].steps
    open_v = float(solution["Battery open-circuit voltage [V]"].entries[0])
    full = pretending.charge(wave([0, 100], [1.0, 0.1]), 100.0, pretending.steady(4.2))
    parts = [full, pretending.rest(60.0, open_v)]
    for number, step in enumerate(steps[:-1]):
        times_s, volts, amps = waves(step)
        watts, seconds = MEASURED[number % 2]
        is_last = volts[-1] <= 2.5005
        own_s = np.append(np.arange(10.0, times_s[-1] - 5.0, 10.0), times_s[-1])
        reason = "voltage at or below 2.500 V" if is_last else f"time {seconds} s"
        words = f"Discharge at {watts:.1f} W until the voltage has fallen to 2.500 V"
        parts.append(
            Part(
                "discharge", own_s, wave(times_s, volts), wave(times_s, -amps), "CP discharge",
                reason, words,
            )
        )  # fmt: skip
        if is_last:
            break
    times_s, volts, _ = waves(steps[-1])
    parts.append(pretending.rest(2390.0, wave(times_s, volts), 10.0))
    found = measured_cell(pretending.ran(parts, cell=pretending.cell(5.0, 2.5)), [])
    assert isinstance(found, MeasuredCell), found
    return found


@pytest.mark.parametrize("points", UNSEEN)
def test_an_unseen_trace_of_a_physics_cell_within_three_percent(solve, physical_cell, points):
    """And inside the stated ±."""
    solution = solve(points, round(10_000 / sum(s for _, s in points)), 2.8)
    volts = solution["Terminal voltage [V]"].entries
    truth_s = float(solution["Time [s]"].entries[int(np.argmax(volts <= 2.8005))])
    begins = np.cumsum([0, *(s for _, s in points)])
    at = zip(begins[:-1], (p for p, _ in points), strict=True)
    trace = DrawTrace(tuple(DrawPoint(float(s), p) for s, p in at), float(begins[-1]))
    found = run_time(physical_cell, use(), trace, 2.8)
    assert found.ended_by == "voltage"
    assert found.hours * 3600.0 == pytest.approx(truth_s, rel=0.03)
    assert abs(found.hours * 3600.0 - truth_s) <= found.half_hours * 3600.0


# -- the twin

CHARGE = "  - {step: charge, current: 0.7 C, voltage: recommended, termination current: 0.05 C}\n"
WARM = "limits: {charge temperature: {low: 12 degC, high: 40 degC}}\n"


def night(steps: str) -> str:
    """A profile that fills the cell, rests and repeats these steps until the cut-off."""
    body = "".join(f"      - {{step: discharge, {one}}}\n" for one in steps.split("; "))
    return (
        f"profile: lamp\n{WARM}steps:\n{CHARGE}  - {{step: rest, for: 10 min}}\n"
        f"  - step: repeat\n    times: 500\n    until: {{cut-off voltage: 3.1 V}}\n    steps:\n"
        f"{body}  - {{step: rest, for: 20 min}}\n"
    )


def rehearsed(place: Path, steps: str) -> Path:
    """The folder of such a night on the demonstration bench."""
    place.mkdir()
    (place / "profile.yaml").write_text(night(steps), encoding="utf-8")
    documents = ["--cell", f"{ROOT}/profiles/cells/lamp-pouch.yaml"]
    documents += ["--bench", f"{ROOT}/sim_configs/benches/demonstration.yaml"]
    given = ["rehearse", f"{place}/profile.yaml", *documents, "--folder", f"{place}/run"]
    assert main(given) == 0
    return place / "run"


def passes_s(folder: Path, capsys) -> float:
    """How long the loop of a night lasted (s)."""
    capsys.readouterr()
    assert main(["report", str(folder), "--json"]) == 0
    loop = json.loads(capsys.readouterr().out)["loops"][0]
    return loop["lasted_s"]


def test_an_unseen_trace_of_the_twin_within_three_percent(tmp_path, capsys):
    """Measured with 6 W and 2 W, asked for 9 W and 3 W in other times: held against a night in
    which the twin really did that."""
    measured = rehearsed(tmp_path / "a", "power: 6 W, for: 4 min; power: 2 W, for: 8 min")
    truth = rehearsed(tmp_path / "b", "power: 9 W, for: 2 min; power: 3 W, for: 4 min")
    truth_h = passes_s(truth, capsys) / 3600.0
    (tmp_path / "lamp.csv").write_text("time / s,power / W\n0,9\n120,3\n360,0\n", encoding="utf-8")
    text = "use: lamp\ntrace: lamp.csv\nlowest input: 3.1 V\nwanted: 100 min\n"
    (tmp_path / "use.yaml").write_text(text, encoding="utf-8")
    assert main(["report", str(measured), "--use", f"{tmp_path}/use.yaml", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["in_product"]
    assert found["hours"] == pytest.approx(truth_h, rel=0.03)
    assert abs(found["hours"] - truth_h) <= found["half_hours"]
    assert found["verdict"] == "long enough"
    page = (measured / "report.html").read_text(encoding="utf-8")
    assert "In the product" in page
    assert main(["report", str(measured), "--use", f"{tmp_path}/use.yaml"]) == 0
    assert "in the product, lamp, by step 3 (CP discharge) to step " in capsys.readouterr().out

"""Whatever profile passes the rules makes a plan that stays within the limits; whatever does not
is told in words. Profiles are drawn at random, mostly sensible, often at an edge."""

from collections import Counter
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from sequencer.documents.profile import ProfileDocument
from sequencer.feasibility.against_bench import find_bench_breaches
from sequencer.feasibility.appraisal import appraise, lines
from sequencer.plan.against_cell import find_breaches
from sequencer.plan.make import make_plan
from sequencer.plan.sentences import explain
from sequencer.plan.step import PlanLimits, PlannedStep, StopKind
from sequencer.plan.within import count_steps
from sequencer.vocabulary.commands import Direction
from tests.feasibility.benches import bench, definitions
from tests.plan.documents import cell

CELL = cell(
    """
    current limits:
      - {direction: charge, current: 1 C, state of charge from: 80 %}
      - {direction: discharge, current: 2 C, temperature to: 0 degC}
    """
)


def one_of(*words):
    """One of a few texts."""
    return st.sampled_from(words)


CURRENTS = one_of("0.1 C", "0.5 C", "1 C", "2 C", "2.1 C", "4 C", "8.1 A", "10 mA", "each rate")
VOLTS = one_of("4.2 V", "4.25 V", "4.3 V", "3.8 V", "3 V", "recommended")
CUT_OFFS = one_of("3 V", "2.9 V", "2.5 V", "4.2 V", "3.3 V", "recommended", "each cut-off")
TIMES = one_of("1 s", "10 s", "1 min", "10 min", "2 h", "20 d")
CHARGES = one_of("1 %", "50 %", "1 Ah", "131 %")
SAMPLING = st.fixed_dictionaries(
    {},
    optional={
        "every": one_of("1 s", "500 ms", "2 s", "5 ms"),
        "fast": one_of("10 ms", "1 s"),
        "fast for": TIMES,
        "on voltage change": one_of("1 mV", "1 V"),
    },
)
COMMON = {"label": one_of("", "mine"), "at most": TIMES, "sampling": SAMPLING}
STOPS = {
    "for": TIMES,
    "until charge": CHARGES,
    "until energy": one_of("1 Wh"),
    "until warmed to": one_of("30 degC", "45 degC", "70 degC"),
}


WINDOWS = st.fixed_dictionaries(
    {},
    optional={
        "low": one_of("18 degC", "-20 degC"),
        "high": one_of("20 degC", "-10 degC"),
        "of": one_of("room", "surface"),
        "for at least": TIMES,
    },
)


def step(name, needed=None, **optional):
    """A step with the keys that it needs and, perhaps, others."""
    return st.fixed_dictionaries({"step": st.just(name), **(needed or {})}, optional=optional)


PULSED = {"current": CURRENTS, "for": TIMES, **COMMON}
SIMPLE = st.one_of(
    step("rest", {"for": TIMES}, **COMMON, **{"until temperature": WINDOWS}),
    step(
        "charge",
        current=CURRENTS,
        voltage=VOLTS,
        **{"termination current": CURRENTS.filter(lambda text: "each" not in text)},
        **{"until voltage": VOLTS},
        **STOPS,
        **COMMON,
    ),
    step("discharge", {"current": CURRENTS}, **{"cut-off voltage": CUT_OFFS}, **STOPS, **COMMON),
    step("pulse", {"direction": one_of("charge", "discharge")}, **PULSED),
    step(
        "pulse train",
        {
            "direction": one_of("charge", "discharge"),
            "rest between": TIMES,
            "repeated": one_of("1", "3"),
        },
        **PULSED,
    ),
    step("finish at storage charge", current=one_of("0.1 C", "3 C")),
)
STEPS = st.recursive(
    st.lists(SIMPLE, min_size=1, max_size=3),
    lambda inner: st.lists(
        st.one_of(
            SIMPLE,
            step("repeat", {"times": one_of("1", "2", "1000"), "steps": inner}),
            step("for each", {"steps": inner}, rates=st.lists(one_of("0.1 C", "1 C"), max_size=2)),
            step("for each", {"steps": inner, "cut-offs": st.just(["3.2 V", "recommended"])}),
        ),
        min_size=1,
        max_size=2,
    ),
    max_leaves=6,
)
LIMITS = st.fixed_dictionaries(
    {"total time": one_of("1 d", "29 d")},
    optional={
        "charge voltage": one_of("4.2 V", "4.22 V"),
        "cut-off voltage": one_of("2.9 V", "3.1 V"),
        "discharge current": one_of("1 C"),
        "charge temperature": st.just({"low": "15 degC", "high": "40 degC"}),
    },
)


def is_within(step: PlannedStep, limits: PlanLimits) -> bool:
    """Every number of a driving step lies within the limits, and its stop above or below them."""
    drive = step.drive
    if drive.direction is Direction.REST:
        return drive.current_a == 0.0 and drive.voltage_v == 0.0
    if drive.direction is Direction.CHARGE:
        fits = CELL.recommended.cut_off_voltage < drive.voltage_v <= limits.ceiling_v
        return fits and 0.0 < drive.current_a <= limits.charge_current_a
    fits = limits.floor_v < drive.voltage_v < CELL.recommended.charge_voltage
    return fits and 0.0 < drive.current_a <= limits.discharge_current_a


def has_a_stop(step: PlannedStep) -> bool:
    """What can end it comes in every case: a time, a voltage on its way, a falling current."""
    sure = {StopKind.TIME, StopKind.VOLTAGE_ABOVE, StopKind.VOLTAGE_BELOW, StopKind.CURRENT_BELOW}
    counted = {StopKind.CHARGE, StopKind.ENERGY}
    return any(stop.kind in sure | counted for stop in step.stops)


def paces_well(step: PlannedStep) -> bool:
    """At least one sample a second while driving, one in two seconds at rest."""
    slowest = 2_000_000_000 if step.direction is Direction.REST else 1_000_000_000
    return 0 < step.sampling.fast_ns <= step.sampling.every_ns <= slowest


def judged(steps: list[Any], limits: dict[str, Any]) -> str:
    """What became of a profile, after checking all that must hold of it."""
    try:
        made = ProfileDocument.model_validate({"profile": "x", "limits": limits, "steps": steps})
    except ValidationError:
        return "refused by its model"
    breaches = find_breaches(made, CELL)
    if breaches:
        assert all(breach.message and breach.path for breach in breaches)
        return "refused by the rules"
    plan = make_plan(made, CELL)
    assert len(plan) == count_steps(made.steps)
    for index in sorted({*range(min(50, len(plan))), len(plan) - 1}):
        one = plan[index]
        assert one.number == index + 1
        assert is_within(one, plan.limits)
        assert has_a_stop(one)
        assert paces_well(one)
        assert 0.0 < one.bound_s < 90 * 86_400
        assert one.place.startswith("step ")
        assert all(explain(one, plan.limits))
    if not find_bench_breaches(made, CELL, bench(), definitions()):
        assert lines(appraise(made, CELL, bench(), definitions()))
    return "planned"


def test_whatever_passes_the_rules_stays_within_the_limits():
    """And nothing raises anything but what is told; each outcome is drawn often enough to count."""
    outcomes: Counter[str] = Counter()

    @settings(max_examples=400, deadline=None, derandomize=True, database=None)
    @given(STEPS, LIMITS)
    def draw(steps, limits):
        outcomes[judged(steps, limits)] += 1

    draw()
    assert min(outcomes.values()) >= 20
    assert set(outcomes) == {"refused by its model", "refused by the rules", "planned"}

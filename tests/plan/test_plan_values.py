"""The numbers of planned steps: drives, stops, bounds, sampling, limits, cycles, laziness."""

import pytest

from sequencer.plan.limits import WARMING_C_PER_S
from sequencer.plan.make import make_plan
from sequencer.plan.step import Sampling, Stop, StopKind
from sequencer.vocabulary.commands import RESTING, CurrentLimitRow, Direction, Drive, Held
from tests.plan.documents import CELL, cell, plan, profile

S = 1_000_000_000
HELD = Drive(Direction.CHARGE, 1.0, 4.2, Held.VOLTAGE)


def only(steps, limits=""):
    """The one step of a plan."""
    (step,) = plan(steps, limits)
    return step


def test_a_cc_cv_charge_is_one_drive_that_ends_by_three_samples_of_termination_current():
    """The supply crosses over by itself; nothing but current, here, ends the step."""
    step = only("- {step: charge, current: 0.5 C, voltage: 4.2 V, termination current: 0.05 C}")
    assert (step.words, step.drive) == ("CC-CV charge", HELD)
    assert step.stops == (Stop(StopKind.CURRENT_BELOW, 0.1, 3),)


def test_a_cc_charge_sets_the_supply_to_the_recommended_voltage():
    """It ends by voltage, or when the supply has crossed over before the voltage was seen."""
    step = only("- {step: charge, current: 1 A, until voltage: 4.0 V}")
    assert (step.words, step.drive) == ("CC charge", Drive(Direction.CHARGE, 1.0, 4.2))
    assert step.stops == (
        Stop(StopKind.VOLTAGE_ABOVE, 4.0, 2),
        Stop(StopKind.CURRENT_BELOW, 0.9, 3),
    )


def test_a_profile_that_tightens_the_charge_voltage_lowers_the_supply_too():
    """Where a step holds no voltage of its own, the supply stays under the profile's limit."""
    step = only("- {step: charge, current: 1 A, for: 10 min}", "charge voltage: 4.1 V")
    assert step.drive.voltage_v == 4.1


def test_a_cv_charge_is_limited_to_the_recommended_charge_current():
    """Without a current of its own."""
    step = only("- {step: charge, voltage: 4.1 V, termination current: 0.1 A}")
    assert (step.words, step.drive) == ("CV charge", HELD._replace(current_a=2.0, voltage_v=4.1))


def test_a_cut_off_is_filtered_by_two_samples():
    """One sample that sags through it is not the end of a discharge."""
    step = only("- {step: discharge, current: 1 A, cut-off voltage: 3.1 V, for: 1 h}")
    assert step.drive == Drive(Direction.DISCHARGE, 1.0, 3.1)
    assert step.stops == (Stop(StopKind.VOLTAGE_BELOW, 3.1, 2), Stop(StopKind.TIME, 3600.0))


def test_the_reference_test_current():
    """It[A] = Cn[Ah] / 1 h: 0.2 It of 2.5 Ah is 0.5 A (IEC 61434, as quoted in IEC 62619)."""
    of = cell().model_copy(update={"rated_capacity": 2.5})
    made = make_plan(profile("- {step: discharge, current: 0.2 C, for: 10 min}"), of)
    assert made[0].drive.current_a == 0.5


def test_a_pulse_ends_by_time_or_at_the_recommended_edge():
    """A pulse that sags to the cut-off ends early instead of tripping the night."""
    out = only("- {step: pulse, direction: discharge, current: 2 A, for: 10 s}")
    assert out.drive == Drive(Direction.DISCHARGE, 2.0, 3.0)
    assert out.stops == (Stop(StopKind.TIME, 10.0), Stop(StopKind.VOLTAGE_BELOW, 3.0, 2))
    into = only("- {step: pulse, direction: charge, current: 2 A, for: 10 s}")
    assert into.drive == Drive(Direction.CHARGE, 2.0, 4.2)
    assert into.stops == (Stop(StopKind.TIME, 10.0), Stop(StopKind.VOLTAGE_ABOVE, 4.2, 2))


def test_storage_charge_stops_that_can_be_judged_at_rest():
    """Down by voltage, up by CC-CV: a cell at its storage voltage needs neither."""
    down, up, *_again = plan("- {step: finish at storage charge, current: 0.4 A}")
    assert down.drive == Drive(Direction.DISCHARGE, 0.4, 3.8)
    assert down.stops == (Stop(StopKind.VOLTAGE_BELOW, 3.8, 2),)
    assert up.drive == HELD._replace(current_a=0.4, voltage_v=3.8)
    tapered, timed = up.stops
    assert tapered == Stop(StopKind.CURRENT_BELOW, 0.1, 3)
    assert timed.kind is StopKind.TIME
    assert timed.value < up.bound_s  # a hold at half charge that takes long is no fault
    assert (down.words, up.words, down.label) == ("CC discharge", "CC-CV charge", "storage charge")


def test_storage_charge_is_judged_again_on_a_rested_cell():
    """Twice, slower each time, of at most a tenth of 2 Ah; within 20 mV nothing more is done."""
    _, _, *again = plan("- {step: finish at storage charge, current: 0.5 A, at most: 5 h}")
    most = Stop(StopKind.CHARGE, pytest.approx(0.2))
    up = (Stop(StopKind.CURRENT_BELOW, 0.1, 3, at_rest_v=0.02), most)
    assert [(one.words, one.drive.current_a, one.stops, one.bound_s) for one in again] == [
        ("rest", 0.0, (Stop(StopKind.TIME, 1200.0),), pytest.approx(1216.2)),
        ("CC discharge", 0.4, (down_to_storage(5), most), 18000.0),
        ("CC-CV charge", 0.5, up, 18000.0),
        ("rest", 0.0, (Stop(StopKind.TIME, 1200.0),), pytest.approx(1216.2)),
        ("CC discharge", 0.2, (down_to_storage(2), most), 18000.0),
        ("CC-CV charge", 0.5, up, 18000.0),
        ("rest", 0.0, (Stop(StopKind.TIME, 1200.0),), pytest.approx(1216.2)),
    ]


def down_to_storage(leaves_out: int) -> Stop:
    """The cut-off of a correction with so many steps behind it."""
    return Stop(StopKind.VOLTAGE_BELOW, 3.8, 2, at_rest_v=0.02, leaves_out_at_rest=leaves_out)


@pytest.mark.parametrize(
    ("steps", "bound_s", "derived"),
    [
        # 1.001 x time + 15 s
        ("- {step: rest, for: 10 min}", 615.6, True),
        ("- {step: rest, for: 10 min, at most: 605 s}", 605.0, False),
        # 130 % of 2 Ah at 0.4 A, + 5 min
        ("- {step: discharge, current: 0.4 A, cut-off voltage: 3 V}", 23_700.0, True),
        # the least of what the stops allow: 1 Ah at 1 A, 1 % and 5 min more
        ("- {step: discharge, current: 1 A, until charge: 1 Ah}", 3936.0, True),
        ("- {step: discharge, current: 1 A, cut-off voltage: 3 V, for: 60 s}", 75.06, True),
        # 130 % at 1 A + 5 min, then one slow time constant (3000 s) per factor e, + 30 min
        (
            "- {step: charge, current: 1 A, voltage: 4.2 V, termination current: 0.1 A}",
            9360 + 300 + 3000 * 2.302585093 + 1800,
            True,
        ),
        ("- {step: charge, current: 1 A, voltage: 4.2 V, for: 1 h}", 3618.6, True),
        (
            "- {step: charge, current: 1 A, voltage: 4.2 V, until charge: 1 Ah}",
            9360 + 300 + 3000 * 3.912023005 + 1800,
            True,
        ),
        ("- {step: pulse, direction: charge, current: 1 A, for: 10 s, at most: 30 s}", 30.0, False),
    ],
)
def test_every_step_is_bounded_in_time(steps, bound_s, derived):
    """Given by the author, or derived and marked as such (worked here from the stated rules)."""
    step = only(steps)
    assert step.bound_s == pytest.approx(bound_s, abs=0.01)
    assert step.bound_is_derived is derived


def test_sampling_is_the_steps_over_the_profiles_key_by_key():
    """Plain steps keep one pace; a pulse is fast for 5 s after its edges."""
    steps = """
    - {step: rest, for: 60 s, sampling: {every: 2 s}}
    - {step: discharge, current: 1 A, for: 60 s}
    - {step: discharge, current: 1 A, for: 60 s, sampling: {every: 500 ms, on voltage change: 5 mV}}
    - {step: pulse, direction: discharge, current: 1 A, for: 10 s}
    - {step: pulse, direction: discharge, current: 1 A, for: 9 s, sampling: {fast: 20 ms,
       fast for: 9 s}}
    - {step: pulse train, direction: charge, current: 1 A, for: 9 s, rest between: 9 s, repeated: 2}
    """
    paces = [step.sampling for step in plan(steps)]
    pulse = Sampling(S, S // 10, 5 * S)
    assert paces == [
        Sampling(2 * S, 2 * S),
        Sampling(S, S),
        Sampling(S // 2, S // 10, 5 * S, on_voltage_v=0.005),
        pulse,
        Sampling(S, S // 50, 9 * S),
        pulse,
        pulse,
        pulse,
    ]


def test_limits_are_the_cells_absolute_ones():
    """Nothing said in the profile: the cell document's, and our own for what it does not say."""
    steps = "- {step: rest, for: 1 h}"
    limits = plan(steps).limits
    assert limits._asdict() == {
        "floor_v": 2.5,
        "ceiling_v": 4.25,
        "charge_current_a": 4.0,
        "discharge_current_a": 8.0,
        "charge_low_c": 5.0,
        "charge_high_c": 45.0,
        "discharge_low_c": -10.0,
        "discharge_high_c": 60.0,
        "warming_c_per_s": WARMING_C_PER_S,
        # the step's bound, 10 s for a changeover, 10 min
        "total_time_s": pytest.approx(3618.6 + 10 + 600),
        "charge_in_ah": pytest.approx(2.6),
        "charge_out_ah": pytest.approx(2.6),
        "rated_ah": 2.0,
        # 50 g of 1.1 J/g/K
        "heat_j_per_k": pytest.approx(55.0),
        "table": (),
        "full_v": 4.2,
        "empty_v": 3.0,
        "follows_table": False,
        "counts_charge": False,
    }


def test_limits_are_tightened_by_the_profile():
    """Each by itself; a window on either side."""
    tight = """
    charge voltage: 4.22 V
    cut-off voltage: 2.9 V
    charge current: 1 C
    discharge current: 5 A
    charge temperature: {low: 15 degC, high: 45 degC}
    discharge temperature: {low: -10 degC, high: 50 degC}
    warming: 1 K/min
    total time: 8 h
    charge in: 110 %
    charge out: 2.1 Ah
    """
    limits = plan("- {step: rest, for: 1 h}", tight).limits
    assert limits[:8] == (2.9, 4.22, 2.0, 5.0, 15.0, 45.0, -10.0, 50.0)
    assert limits.warming_c_per_s == pytest.approx(1 / 60)
    assert limits.total_time_s == 28_800.0
    assert limits.charge_in_ah == pytest.approx(2.2)
    assert limits.charge_out_ah == 2.1


def test_the_makers_table_goes_into_the_limits():
    """As absolute currents, for the interlock that holds them during the run."""
    table = """
    current limits:
      - {direction: charge, current: 0.3 C, state of charge from: 80 %, temperature to: 20 degC}
    """
    made = make_plan(profile("- {step: rest, for: 1 h}"), cell(table))
    assert made.limits.table == (CurrentLimitRow(Direction.CHARGE, 0.6, 0.8, 1.0, -273.15, 20.0),)


def test_cycles_turn_when_a_charge_follows_a_discharge():
    """Rests, pulses and storage charge turn nothing; the count runs through repeats."""
    steps = """
    - {step: charge, current: 1 A, for: 10 min}
    - step: repeat
      times: 3
      steps:
        - {step: rest, for: 1 min}
        - {step: discharge, current: 1 A, for: 10 min}
        - {step: pulse, direction: charge, current: 1 A, for: 1 s}
        - {step: charge, current: 1 A, for: 10 min}
    - {step: finish at storage charge}
    """
    cycles = [(step.words, step.cycle) for step in plan(steps)]
    assert [cycle for _, cycle in cycles[15:]] == [4] * 7
    assert cycles[:15] == [
        ("CC charge", 1),
        ("rest", 1),
        ("CC discharge", 1),
        ("charge pulse", 1),
        ("CC charge", 2),
        ("rest", 2),
        ("CC discharge", 2),
        ("charge pulse", 2),
        ("CC charge", 3),
        ("rest", 3),
        ("CC discharge", 3),
        ("charge pulse", 3),
        ("CC charge", 4),
        ("CC discharge", 4),
        ("CC-CV charge", 4),
    ]


def test_places_say_where_in_the_profile_and_which_time_round():
    """As a person counts steps; for-each by its value."""
    steps = """
    - {step: rest, for: 1 min}
    - step: repeat
      times: 2
      steps:
        - step: for each
          rates: [0.5 C]
          steps:
            - {step: discharge, current: each rate, for: 1 min}
    - {step: pulse train, direction: discharge, current: 1 A, for: 1 s,
       rest between: 1 s, repeated: 2}
    """
    assert [step.place for step in plan(steps)] == [
        "step 1",
        "step 2.1.1, at 0.5 C, time 1 of 2",
        "step 2.1.1, at 0.5 C, time 2 of 2",
        "step 3, time 1 of 2",
        "step 3, time 1 of 2",
        "step 3, time 2 of 2",
    ]


def test_a_thousand_million_cycles_cost_nothing_until_they_are_run():
    """Steps are decoded by counting: were anything expanded, this would never end."""
    steps = """
    - step: repeat
      times: 100000000
      steps:
        - step: repeat
          times: 10
          steps:
            - {step: discharge, current: 1 A, for: 1 s}
            - {step: charge, current: 1 A, for: 1 s}
        - {step: rest, for: 1 s}
    """
    made = make_plan(profile(steps), CELL)
    assert len(made) == 2_100_000_000
    last_charge = made[2_099_999_998]
    assert (last_charge.number, last_charge.words) == (2_099_999_999, "CC charge")
    # the first cycle begins without a discharge before it: one more than there are turns
    assert last_charge.cycle == 1_000_000_001
    assert last_charge.place == "step 1.1.2, time 100000000 of 100000000, time 10 of 10"
    assert made[len(made) - 1].drive == RESTING
    assert made.limits.total_time_s == pytest.approx(100_000_000 * 21 * (16.001 + 10) + 600)


def test_a_plan_ends():
    """Iterating stops, and an index past the end, or before it, is an IndexError."""
    made = plan("- {step: rest, for: 1 min}")
    assert [step.number for step in made] == [1]
    for index in (1, -1):
        with pytest.raises(IndexError):
            made[index]

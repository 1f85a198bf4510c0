"""Whole small plans as the sentences that a person reads."""

from sequencer.plan.sentences import explain
from sequencer.plan.step import StopKind
from tests.plan.documents import plan


def sentences(steps, limits=""):
    """The sentence of each step of a plan."""
    return [step.sentence for step in plan(steps, limits)]


def test_each_kind_of_charge_is_told_by_what_is_given():
    """CC, CV and CC-CV, with every further stop in words."""
    steps = """
    - {step: charge, current: 0.5 C, voltage: 4.2 V, termination current: 0.05 C}
    - {step: charge, current: 1.25 A, voltage: recommended, for: 90 min}
    - {step: charge, voltage: 4.1 V, termination current: 40 mA}
    - {step: charge, current: 1 C, until voltage: 4 V}
    - {step: charge, current: 1 C, until charge: 50 %, until energy: 3 Wh, until warmed to: 35 degC}
    """
    assert sentences(steps) == [
        (
            "Charge at 1.00 A (0.5 C) to 4.200 V, then hold 4.200 V until the current has "
            "fallen to "
            "0.100 A"
        ),
        "Charge at 1.25 A (0.625 C) to 4.200 V, then hold 4.200 V until 1 h 30 min have passed",
        "Hold 4.100 V, at most 2.00 A, until the current has fallen to 40.0 mA",
        "Charge at 2.00 A (1 C) until the voltage has risen to 4.000 V",
        (
            "Charge at 2.00 A (1 C) until the voltage has risen to 4.200 V or 1.000 Ah have "
            "been put in "
            "or 3.00 Wh have been put in or the surface temperature is at 35 degC or above"
        ),
    ]


def test_a_discharge_says_its_cut_off_even_when_another_stop_was_asked_for():
    """Nothing discharges below the recommended cut-off unseen."""
    steps = """
    - {step: discharge, current: 0.2 C, cut-off voltage: recommended}
    - {step: discharge, current: 1 A, for: 30 min}
    - {step: discharge, current: 1 A, cut-off voltage: 3.2 V, until charge: 250 mAh}
    """
    assert sentences(steps) == [
        "Discharge at 0.400 A (0.2 C) until the voltage has fallen to 3.000 V",
        "Discharge at 1.00 A (0.5 C) until the voltage has fallen to 3.000 V or 30 min have passed",
        (
            "Discharge at 1.00 A (0.5 C) until the voltage has fallen to 3.200 V or 0.250 "
            "Ah have been "
            "taken out"
        ),
    ]


def test_for_each_within_repeat_is_said_step_by_step():
    """The words give way to numbers, in the order of running."""
    steps = """
    - step: repeat
      times: 2
      steps:
        - step: for each
          rates: [0.2 C, 1 C]
          steps:
            - {step: discharge, current: each rate, cut-off voltage: recommended}
            - {step: charge, current: 0.5 C, voltage: recommended, termination current: 0.05 C}
        - {step: rest, for: 10 min}
    """
    charge = (
        "Charge at 1.00 A (0.5 C) to 4.200 V, then hold 4.200 V until the current has fallen to "
        "0.100 A"
    )
    once = [
        "Discharge at 0.400 A (0.2 C) until the voltage has fallen to 3.000 V",
        charge,
        "Discharge at 2.00 A (1 C) until the voltage has fallen to 3.000 V",
        charge,
        "Rest for 10 min",
    ]
    assert sentences(steps) == once * 2


def test_for_each_takes_currents_and_cut_offs():
    """Lists nest: every cut-off for every current."""
    steps = """
    - step: for each
      currents: [500 mA, 1 C]
      steps:
        - step: for each
          cut-offs: [3.2 V, recommended]
          steps:
            - {step: discharge, current: each current, cut-off voltage: each cut-off}
    """
    assert sentences(steps) == [
        "Discharge at 0.500 A (0.25 C) until the voltage has fallen to 3.200 V",
        "Discharge at 0.500 A (0.25 C) until the voltage has fallen to 3.000 V",
        "Discharge at 2.00 A (1 C) until the voltage has fallen to 3.200 V",
        "Discharge at 2.00 A (1 C) until the voltage has fallen to 3.000 V",
    ]


def test_pulses_two_levels_and_a_train():
    """Levels follow without a gap; a train rests between its pulses and not after the last."""
    steps = """
    - step: pulse
      direction: discharge
      levels: [{current: 0.2 C, for: 10 s}, {current: 1 C, for: 1 s}]
    - {step: pulse train, direction: charge, current: 1 A, for: 10 s, rest between: 40 s,
       repeated: 2}
    """
    low, high = "the voltage has fallen to 3.000 V", "the voltage has risen to 4.200 V"
    then = "then what is left of the pulses is skipped"
    train = f"Pulse: charge at 1.00 A (0.5 C) for 10 s, or until {high}: {then}"
    assert sentences(steps) == [
        f"Pulse: discharge at 0.400 A (0.2 C) for 10 s, or until {low}: {then}",
        f"Pulse, without a gap: discharge at 2.00 A (1 C) for 1 s, or until {low}: {then}",
        train,
        "Rest for 40 s",
        train,
    ]
    alone = "- {step: pulse, direction: discharge, current: 1 A, for: 10 s}"
    assert sentences(alone) == [f"Pulse: discharge at 1.00 A (0.5 C) for 10 s, or until {low}"]


def test_a_pulse_that_reaches_its_voltage_leaves_out_what_is_left_of_its_train():
    """Each knows how many steps of the train stand behind it, wherever the train stands."""
    steps = """
    - {step: rest, for: 1 min}
    - step: repeat
      times: 2
      steps:
        - {step: pulse train, direction: discharge, levels: [{current: 1 A, for: 10 s},
           {current: 2 A, for: 1 s}], rest between: 40 s, repeated: 3}
        - {step: rest, for: 2 min}
    """
    left = [max(stop.leaves_out for stop in step.stops) for step in plan(steps)]
    assert left == [0, *[7, 6, 0, 4, 3, 0, 1, 0, 0] * 2]
    assert all(
        stop.leaves_out == 0 or stop.kind is StopKind.VOLTAGE_BELOW
        for step in plan(steps)
        for stop in step.stops
    )


def test_storage_charge_is_reached_from_above_or_from_below():
    """Two steps, of which the machine skips the one that is not needed; then as it rests."""
    why = " (the storage voltage; skipped when the cell is there already)"
    rested = "Rest for 20 min (within 20 mV of the storage voltage 3.800 V the cell is left alone)"
    told = sentences("- {step: finish at storage charge}")
    assert (told[2], told[5], told[8]) == (rested, rested, rested)
    assert told[3] == (
        "Discharge at 0.400 A (0.2 C) until the voltage has fallen to 3.800 V or 0.200 Ah have "
        "been taken out (the storage voltage; skipped when the rested cell is near enough)"
    )
    assert told[:2] == [
        f"Discharge at 1.00 A (0.5 C) until the voltage has fallen to 3.800 V{why}",
        (
            "Charge at 1.00 A (0.5 C) to 3.800 V, then hold 3.800 V until the current has "
            "fallen to "
            f"0.100 A or 5 h 6 min have passed{why}"
        ),
    ]


def test_where_no_sensor_sits_on_the_cell_no_temperature_limit_is_claimed():
    """A limit that nothing holds is none."""
    made = plan("- {step: rest, for: 1 min}")
    told = explain(made[0], made.limits, warmth_is_seen=False)[1]
    assert told.endswith("nearest limit: temperature, which is not watched on this bench")
    assert explain(made[0], made.limits)[1].endswith("degC")


def test_a_step_is_explained_with_its_stops_its_bound_and_its_nearest_limit():
    """Two lines a step; a bound that the author gave is not called derived."""
    steps = """
    - {step: rest, for: 30 min, until temperature: {high: 25 degC}, label: cool down}
    - {step: charge, current: 0.5 C, voltage: 4.2 V, termination current: 0.05 C, at most: 4 h}
    - {step: discharge, current: 3.9 C, for: 60 s}
    """
    made = plan(steps)
    assert [line for step in made for line in explain(step, made.limits)] == [
        "1. Rest for 30 min, or until the surface temperature is at 25 degC or below [cool down]",
        (
            "   stops when 30 min have passed or the surface temperature is at 25 degC or below; "
            "at most 30 min 17 s "
            "(derived); nearest limit: surface between -10 degC and 60 degC"
        ),
        (
            "2. Charge at 1.00 A (0.5 C) to 4.200 V, then hold 4.200 V until the current "
            "has fallen to "
            "0.100 A"
        ),
        (
            "   stops when the current has fallen to 0.100 A; at most 4 h; nearest limit: 4.250 V, "
            "50 mV above"
        ),
        (
            "3. Discharge at 7.80 A (3.9 C) until the voltage has fallen to 3.000 V or 1 min "
            "have passed"
        ),
        (
            "   stops when the voltage has fallen to 3.000 V or 1 min have passed; at most "
            "1 min 15 s "
            "(derived); nearest limit: 8.00 A, 0.200 A above"
        ),
    ]

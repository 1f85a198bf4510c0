"""What a bench can, can barely and cannot do, in the words that a person reads."""

import pytest

from sequencer.feasibility.appraisal import appraise
from sequencer.feasibility.current import visible_from
from sequencer.feasibility.finding import Ability, graded
from sequencer.feasibility.voltage import minimum_voltage
from sequencer.vocabulary.measuring_channels import Channel
from tests.feasibility.benches import (
    WHOLE,
    bench,
    definitions,
    findings,
    shipped,
    with_capability,
    with_traits,
)
from tests.plan.documents import CELL, profile

REST = "- {step: rest, for: 1 min}"
TAPER = "- {{step: charge, current: 2 A, voltage: {volts}, termination current: {last}}}"


def about(told, subject):
    """The findings about one subject."""
    return [line for line in told if f": {subject}" in line]


def taper(last, volts="4.2 V"):
    """A CC-CV charge."""
    return TAPER.format(last=last, volts=volts)


def test_a_termination_current_that_the_supply_cannot_see():
    """A usual bench: 40 mA on a supply that reads in steps of 10 mA to within 10 mA."""
    assert about(findings(taper("40 mA")), "termination") == [
        (
            "can barely: termination current 40.0 mA: supply tells 40.0 mA to within 20 mA: "
            "the charge "
            "may be cut at anything from 20 mA to 60 mA; that leaves 3.9 to 17 mAh in doubt "
            "(0.2 % to 0.8 % of the rated capacity), and every capacity behind it. "
            "Write 'termination current: 110 mA' or more in step 1 of the profile, end the hold by "
            "time ('for'), or add a finer ammeter."
        )
    ]
    assert about(findings(taper("20 mA")), "termination") == [
        (
            "cannot: termination current 20.0 mA: supply tells 20.0 mA to within 20 mA: the "
            "charge may "
            "be cut at anything from 0 mA to 40 mA, or not end before its time bound; that leaves "
            "3.9 to 17 mAh in doubt (0.2 % to 0.8 % of the rated capacity), and every capacity "
            "behind it. Write 'termination current: 110 mA' or more in step 1 of the profile, end "
            "the hold by time ('for'), or add a finer ammeter."
        )
    ]
    assert about(findings(taper("110 mA")), "termination") == [
        "can: termination current 0.110 A: supply tells 0.110 A to within 20 mA."
    ]


def test_a_finer_ammeter_sees_it():
    """Whoever measures best is asked."""
    fine = (
        "[{low: -3 A, high: 3 A, resolution: 0.1 mA, accuracy: {of reading: 0.1 %, offset: 1 mA}}]"
    )
    meter = with_capability("meter", "measure current", fine)
    told = findings(taper("40 mA"), WHOLE + "  current: {by: meter}\n", meter=meter)
    assert about(told, "termination") == [
        "can: termination current 40.0 mA: meter tells 40.0 mA to within 1.1 mA."
    ]


def test_the_smallest_current_that_is_seen_well():
    """A fifth of it is its error; no current at all when the gain alone errs by more."""
    channel = Channel(True, 0.002, 0.01, 0.01)
    least = visible_from(channel)
    assert channel.error_at(least) / least == pytest.approx(0.2)
    assert visible_from(Channel(True, 0.3, 0.01, 0.01)) == float("inf")


def test_the_crossing_over_stop_of_a_cc_charge_is_no_termination_current():
    """Nobody asked for it."""
    assert about(findings("- {step: charge, current: 1 A, for: 1 min}"), "termination") == []


def test_how_well_a_current_is_told_is_what_its_capacity_is_worth():
    """0.2 % + 5 mA is 0.7 % at 1 A and 10 % at 50 mA (worked here): one per cent is IEC 62660's."""
    load = with_capability(
        "load",
        "measure current",
        "[{low: 0 A, high: 20 A, resolution: 0.001 mA, accuracy: {of reading: 0.2 %, "
        "offset: 5 mA}}]",
    )
    step = "- {{step: discharge, current: {}, for: 1 min}}"
    assert about(findings(step.format("1 A"), load=load), "discharge at") == [
        (
            "can: discharge at 1.00 A: load tells 1.00 A to within 7 mA: charge and energy "
            "of that step are uncertain by up to 0.7 %."
        )
    ]
    (line,) = about(findings(step.format("50 mA"), load=load), "discharge at 50")
    assert line.startswith("cannot: discharge at 50.0 mA")
    assert "10.2 %" in line


def test_a_current_that_nothing_measures():
    """Whoever drives without a definition tells nothing."""
    known = {name: one for name, one in definitions().items() if name != "load"}
    made = appraise(profile("- {step: discharge, current: 1 A, for: 1 min}"), CELL, bench(), known)
    assert str(made.findings[0]) == "cannot: discharge current: nothing measures it."


def test_room_to_the_ceiling():
    """50 mV are plenty for 5 mV + 0.05 % + 1 mV and a good meter; a coarse supply needs most of it,
    and one that needs more is refused (``test_voltage_headroom``)."""
    (line,) = about(findings(taper("0.2 A")), "charging to")
    assert line.startswith("can: charging to 4.200 V under a limit of 4.250 V: 50 mV of room;")

    def coarse(offset):
        ranges = f"[{{low: 0 V, high: 30 V, resolution: 1 mV, accuracy: {{offset: {offset} mV}}}}]"
        supply = with_capability("supply", "set voltage", ranges)
        return about(findings(taper("0.2 A"), supply=supply), "charging to")[0]

    # the meter's 1.44 mV, one count of 1 mV: 22.4 mV is where twice the sum is 50 mV
    assert coarse(22).startswith("can: ")
    assert coarse(23).startswith("can barely: ")
    assert coarse(47).startswith("can barely: ")
    assert "hardly more than both need" in coarse(47)


def test_what_the_leads_take_while_charging():
    """2 A through 40 mOhm is 80 mV unless the supply senses at the cell; below 10 mV no word."""
    two = WHOLE.replace("supply sense: four-wire", "supply sense: two-wire")
    assert about(findings(taper("0.2 A")), "lead drop") == []
    assert about(findings(taper("0.2 A"), two), "lead drop") == [
        (
            "can barely: lead drop while charging: 80 mV are lost at 2.00 A: the supply "
            "crosses over "
            "when the cell is at 4.120 V, and constant voltage takes longer. Use the "
            "supply's sense "
            "terminals, or shorter and thicker leads."
        )
    ]
    short = two.replace("40 mOhm", "4.9 mOhm")
    assert about(findings(taper("0.2 A"), short), "lead drop") == []


def test_a_cc_charge_whose_voltage_the_supply_may_not_bring_to_the_cell():
    """4.2 V set within 8.1 mV; on two wires 1 A through 40 mOhm takes 40 mV more."""
    step = "- {{step: charge, current: 1 A, until voltage: {}}}"
    assert about(findings(step.format("4.19 V")), "charging until") == []
    assert about(findings(step.format("4.192 V")), "charging until") == [
        (
            "can barely: charging until 4.192 V: supply may cross over once the cell is at "
            "4.1919 V: "
            "the step then ends there, when the current has fallen to 90 %. Hold the "
            "voltage (CC-CV), "
            "or ask for less."
        )
    ]
    two = WHOLE.replace("supply sense: four-wire", "supply sense: two-wire")
    assert about(findings(step.format("4.151 V"), two), "charging until") == []
    assert len(about(findings(step.format("4.152 V"), two), "charging until")) == 1
    counted = "- {step: charge, current: 1 A, until charge: 10 %}"
    assert about(findings(counted), "charging until") == []


def test_two_wires_to_the_meter_and_leads_that_nobody_measured():
    """Both are said; 4-wire and a number silence them."""
    assert about(findings(REST), "cell voltage, two-wire") == []
    assert about(findings(REST), "leads") == []
    bare = WHOLE.replace("by: meter, sense: four-wire", "by: meter, sense: two-wire")
    assert len(about(findings(REST, bare), "cell voltage, two-wire")) == 1
    unknown = WHOLE.replace("  lead resistance: 40 mOhm\n", "")
    assert len(about(findings(REST, unknown), "leads")) == 1


def test_sense_wires_that_are_said_in_two_ways_are_told():
    """A load that measures the cell voltage on four wires has a load sense on four wires."""
    by_load = WHOLE.replace("by: meter, sense: four-wire", "by: load, sense: four-wire")
    assert about(findings(REST, WHOLE), "sense wires of") == []
    (told,) = about(findings(REST, by_load), "sense wires of load")
    assert told.endswith("Write 'load sense: four-wire', or 'sense: two-wire' beside 'voltage'.")
    alike = by_load.replace("by: load, sense: four-wire", "by: load, sense: two-wire")
    assert about(findings(REST, alike), "sense wires of") == []


def test_a_load_that_falls_short_before_the_cut_off():
    """1 V at 20 A: 50 mV a ampere, and 40 mV a ampere in the leads, below a cut-off of 3.0 V."""
    points = shipped("generic-scpi-load").traits.minimum_operating_voltage
    assert minimum_voltage(points, 2.0) == pytest.approx(0.1)
    assert minimum_voltage(points, 40.0) == pytest.approx(2.0)
    assert minimum_voltage((), 5.0) == 0.0
    step = "- {step: discharge, current: 4 C, cut-off voltage: recommended}"
    (line,) = about(findings(step), "discharging at")
    assert line == (
        "can: discharging at 8.00 A down to 3.000 V: load needs 0.400 V at its terminals, "
        "the leads "
        "take 320 mV."
    )

    def needing(volts):
        point = points[1].model_copy(update={"voltage": volts, "at_current": 8.0})
        load = with_traits("load", minimum_operating_voltage=(point,))
        return about(findings(step, load=load), "discharging at")[0]

    # 3.0 V - 0.32 V in the leads = 2.68 V at the load
    assert needing(2.57).startswith("can: ")
    assert needing(2.67).startswith("can barely: ")
    assert needing(2.69).startswith("cannot: ")
    assert "ends load-limited. Discharge slower" in needing(2.69)


def test_a_pulse_whose_step_the_meter_can_count():
    """1 A through 30 mOhm is 30 mV: 300 counts of 0.1 mV, 30 of 1 mV, 3 of 10 mV."""
    pulse = "- {step: pulse, direction: discharge, current: 1 A, for: 1 s}"

    def counting(millivolts):
        ranges = f"[{{low: 0 V, high: 10 V, resolution: {millivolts} mV, accuracy: {{}}}}]"
        meter = with_capability("meter", "measure voltage", ranges)
        return about(findings(pulse, meter=meter), "pulses")[0]

    assert counting(0.1) == (
        "can: pulses of 1.00 A: the voltage steps by about 30 mV, one count of the meter is "
        "0.10 mV."
    )
    assert counting(1).startswith("can barely: ")
    assert counting(10).startswith("cannot: ")
    unknown = CELL.model_copy(update={"expected_resistance": None})
    assert about(findings(pulse, of=unknown), "pulses")[0].startswith(
        "can barely: pulses: the cell"
    )


def test_sampling_faster_than_the_instruments_answer():
    """The generic ones give a value every 20 ms."""
    pulse = (
        "- {{step: pulse, direction: discharge, current: 1 A, for: 1 s, sampling: {{fast: {}}}}}"
    )
    assert about(findings(pulse.format("20 ms")), "fast sampling") == []
    assert about(findings(pulse.format("19 ms")), "fast sampling") == [
        (
            "can barely: fast sampling: the profile asks for a sample every 19 ms, meter "
            "has a new value "
            "every 20 ms: what comes late keeps its own time. Ask for no more than it gives."
        )
    ]


def test_a_bound_that_a_healthy_step_would_run_into():
    """2 Ah at 1 A take two hours: less is said, as much is not, nor where a time ends the step."""
    step = "- {{step: discharge, current: 1 A, cut-off voltage: recommended, at most: {}}}"
    assert about(findings(step.format("2 h")), "step 1") == []
    assert about(findings(step.format("119 min")), "step 1") == [
        (
            "can barely: step 1, at most 1 h 59 min: a whole cell takes 2 h at 1.00 A, and after "
            "1 h 59 min the step trips, which ends the run. Leave 'at most' out, or end "
            "the step "
            "with 'for'."
        )
    ]
    timed = step.replace("at most", "for: 1 min, at most")
    assert about(findings(timed.format("5 min")), "step 1") == []


def test_temperature():
    """Seen finely, coarsely, or not at all; a room that nothing reads."""
    (line,) = about(findings(REST), "temperature")
    assert line == (
        "can: temperature of the cell: 60 degC is told to within 0.7 K, in steps of 0.01 K."
    )

    def logger(resolution, offset):
        ranges = (
            f"[{{low: -50 degC, high: 150 degC, resolution: {resolution} K, "
            f"accuracy: {{offset: {offset} K}}}}]"
        )
        able = with_capability("logger", "measure temperature", ranges)
        return about(findings(REST, logger=able), "temperature of the cell")[0]

    assert logger(0.1, 1.8).startswith("can: ")
    assert logger(0.1, 2).startswith("can barely: ")
    assert logger(0.1, 5).startswith("cannot: ")
    assert logger(0.5, 0.1).startswith("can barely: ")
    assert logger(2, 0.1).startswith("cannot: ")
    lone = WHOLE.replace("    - {place: room, by: logger, channel: 2}\n", "")
    assert about(findings(REST, lone), "temperature of the room")[0].startswith("can barely: ")
    none = WHOLE.partition("  sensors:")[0]
    assert about(findings(REST, none), "temperature") == [
        (
            "cannot: temperature of the cell: no sensor sits on the cell: its temperature is not "
            "watched, and no limit on it holds. Fix one to the surface's middle; until then "
            "stay beside it."
        )
    ]


def test_a_crowbar_and_a_mains_dip():
    """A supply that would short the cell; outputs that come back by themselves."""
    assert about(findings(REST), "supply") == about(findings(REST), "mains dip") == []
    told = findings(REST, supply=with_traits("supply", crowbar=True, power_up_state="on"))
    assert about(told, "supply: supply has") == [
        (
            "cannot: supply: supply has a crowbar: when its over-voltage protection acts it "
            "shorts the "
            "cell. Fit a fuse and a blocking element in the lead."
        )
    ]
    assert about(told, "mains dip") == [
        (
            "can barely: mains dip: when mains returns before the computer: supply (on). "
            "Set them to "
            "power up with the output off, or use a contactor that stays open."
        )
    ]


def test_grades():
    """Each edge belongs to the worse side, and NaN to the worst."""
    grades = [graded(value, 1.0, 2.0) for value in (0.99, 1.0, 1.99, 2.0, float("nan"))]
    assert grades == [
        Ability.CAN,
        Ability.BARELY,
        Ability.BARELY,
        Ability.CANNOT,
        Ability.CANNOT,
    ]

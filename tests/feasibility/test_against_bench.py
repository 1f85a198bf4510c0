"""What a bench has no instrument for, or what is beyond one, is refused; on both sides."""

import pytest

from sequencer.documents.cell import CurrentLimit
from sequencer.feasibility.against_bench import find_bench_breaches
from sequencer.plan.breach import Breach
from tests.feasibility.benches import WHOLE, bench, definitions, with_capability, with_traits
from tests.plan.documents import CELL, profile

CHARGE = "- {step: charge, current: 1 A, voltage: 4.2 V, termination current: 0.1 A}"
DISCHARGE = "- {step: discharge, current: 1 A, cut-off voltage: recommended}"
SUPPLY, LOAD = (("bench", ("instruments", name, "definition")) for name in ("supply", "load"))


def breaches(steps, wiring=WHOLE, **changed):
    """What such a bench refuses of these steps."""
    return find_bench_breaches(profile(steps), CELL, bench(wiring), definitions(**changed))


def test_a_whole_bench_refuses_nothing():
    """The other side of everything below."""
    assert breaches(f"{CHARGE}\n{DISCHARGE}") == []


@pytest.mark.parametrize(
    ("steps", "role", "message"),
    [
        (DISCHARGE, "discharge", "a discharge on a bench with no load"),
        (CHARGE, "charge", "a charge on a bench with no supply"),
        (
            "- {step: pulse, direction: discharge, current: 1 A, for: 1 s}",
            "discharge",
            "a discharge",
        ),
    ],
)
def test_a_step_that_nothing_can_drive(steps, role, message):
    """Told at the step; the culprit is the bench's wiring."""
    wiring = "\n".join(line for line in WHOLE.splitlines() if f" {role}:" not in line) + "\n"
    (one,) = breaches(steps, wiring)
    assert (one.document, one.path, one.culprit) == (
        "profile",
        ("steps", 0),
        ("bench", ("wiring",)),
    )
    assert one.message.startswith(message)
    assert breaches("- {step: rest, for: 1 s}", wiring) == []


@pytest.mark.parametrize(("high", "low", "is_told"), [("8 V", "1 V", False), ("4.2 V", "1 V", True),
    ("40 V", "4.5 V", True)])  # fmt: skip
def test_an_over_voltage_protection_that_cannot_stand_above_the_cell(high, low, is_told):
    """It has a range of its own; one that has none reaches somewhat beyond the voltage."""
    span = f"[{{low: {low}, high: {high}, resolution: 10 mV, accuracy: {{offset: 10 mV}}}}]"
    found = breaches(CHARGE, supply=with_capability("supply", "set over-voltage", span))
    assert [(one.document, one.path, one.culprit) for one in found] == (
        [(*SUPPLY, ("cell", ("absolute", "charge voltage")))] if is_told else []
    )
    assert breaches(DISCHARGE, supply=with_capability("supply", "set over-voltage", span)) == []


def test_a_current_beyond_what_the_supply_can_set():
    """5 A pass, more do not; and the least that it can set."""
    amp = "[{low: 0 A, high: 1 A, resolution: 1 mA, accuracy: {offset: 1 mA}}]"
    small = with_capability("supply", "set current", amp)
    assert breaches(CHARGE, supply=small) == []
    assert breaches(CHARGE.replace("1 A,", "1.01 A,"), supply=small) == [
        Breach(
            "profile",
            ("steps", 0, "current"),
            "charge current 1.01 A is beyond supply, which can set at most 1.00 A",
            SUPPLY,
        )
    ]
    coarse = with_traits("load", minimum_current=0.5)
    assert breaches(DISCHARGE.replace("1 A", "0.5 A"), load=coarse) == []
    assert breaches(DISCHARGE.replace("1 A", "0.4 A"), load=coarse) == [
        Breach(
            "profile",
            ("steps", 0, "current"),
            "discharge current 0.400 A is beyond load, which can set 0.500 A at least",
            LOAD,
        )
    ]


def test_a_current_beyond_what_the_load_can_measure():
    """What it cannot tell it must not drive."""
    amp = "[{low: 0 A, high: 1 A, resolution: 1 mA, accuracy: {offset: 1 mA}}]"
    blind = with_capability("load", "measure current", amp)
    assert breaches(DISCHARGE, load=blind) == []
    (one,) = breaches(DISCHARGE.replace("1 A", "1.1 A"), load=blind)
    assert (
        one.message == "discharge current 1.10 A is beyond load, which can measure at most 1.00 A"
    )


def test_a_power_beyond_the_instrument():
    """A load sees the full cell; a supply its charge voltage and the leads."""
    watts = "[{low: 0 W, high: 4.2 W, resolution: 0.1 W, accuracy: {of reading: 1 %}}]"
    weak = with_capability("load", "power", watts)
    assert breaches(DISCHARGE, load=weak) == []
    (one,) = breaches(DISCHARGE.replace("1 A", "1.1 A"), load=weak)
    assert one.message == (
        "discharge current 1.10 A is beyond load, which has 4.2 W, and 4.20 V makes it 4.6 W"
    )
    # 4.2 V + 1 A x 40 mOhm = 4.24 W
    (one,) = breaches(CHARGE, supply=with_capability("supply", "power", watts))
    assert one.message == (
        "charge current 1.00 A is beyond supply, which has 4.2 W, and 4.24 V makes it 4.2 W"
    )


def test_a_voltage_beyond_the_supply_or_the_meter():
    """The supply must set it; whoever measures must reach the cell's absolute limit."""
    low = "[{low: 0 V, high: 4.2 V, resolution: 1 mV, accuracy: {offset: 1 mV}}]"
    assert breaches(CHARGE, supply=with_capability("supply", "set voltage", low)) == []
    lower = low.replace("4.2 V", "4.1 V")
    (one,) = breaches(CHARGE, supply=with_capability("supply", "set voltage", lower))
    assert one == Breach(
        "profile",
        ("steps", 0, "voltage"),
        "charge voltage 4.20 V is beyond supply, which can set 0.00 V to 4.10 V",
        SUPPLY,
    )
    (one,) = breaches(CHARGE, meter=with_capability("meter", "measure voltage", low))
    assert one == Breach(
        "bench",
        ("wiring", "voltage", "by"),
        "meter measures up to 4.20 V, less than the cell's absolute limit of 4.25 V",
        ("cell", ("absolute", "charge voltage")),
    )
    enough = low.replace("4.2 V", "4.25 V")
    assert breaches(CHARGE, meter=with_capability("meter", "measure voltage", enough)) == []


def test_whoever_measures_the_cell_voltage_must_measure_voltage():
    """A logger does not."""
    wiring = WHOLE.replace("by: meter", "by: logger")
    (one,) = breaches(CHARGE, wiring)
    assert one.message == "logger measures no voltage"


def test_a_table_over_temperature_asks_for_a_sensor_on_the_cell():
    """Rows over temperature could not be held without one; rows over charge can."""
    cold = CurrentLimit.model_validate(
        {"direction": "charge", "current": "0.3 C", "temperature to": "15 degC"}
    )
    low = CurrentLimit.model_validate(
        {"direction": "charge", "current": "0.3 C", "state of charge to": "10 %"}
    )
    on_cell = "    - {place: surface, by: logger, channel: 1}\n"
    room_only = WHOLE.replace(on_cell, "")
    assert "surface" not in room_only
    for row, wiring, refused in (
        (cold, room_only, True),
        (low, room_only, False),
        (cold, WHOLE, False),
    ):
        cell = CELL.model_copy(update={"current_limits": (row,)})
        found = find_bench_breaches(profile(DISCHARGE), cell, bench(wiring), definitions())
        assert [one.culprit for one in found] == (
            [("cell", ("current limits", 0))] if refused else []
        )


@pytest.mark.parametrize(("count", "is_told"), [("0.1 mV", False), ("0.15 mV", True)])
def test_a_rest_until_relaxed_needs_a_meter_that_can_tell(count, is_told):
    """Two counts must fit into the movement; told at it, and the culprit is the meter."""
    steps = "- {step: rest, for: 4 h, until relaxed: {below: 0.2 mV, in: 10 min}}"
    span = f"[{{low: 0 V, high: 12 V, resolution: {count}, accuracy: {{offset: 1 mV}}}}]"
    found = breaches(steps, meter=with_capability("meter", "measure voltage", span))
    place = ("profile", ("steps", 0, "until relaxed", "below"))
    meter = ("bench", ("instruments", "meter", "definition"))
    told = (
        "a change of 0.2 mV in 10 min is too fine for meter, whose count is 0.15 mV: it tells "
        "0.3 mV or more"
    )
    assert found == ([Breach(*place, told, meter)] if is_told else [])


def test_a_slope_needs_counts_and_a_sensor():
    """0.4 mV in 2 min on a meter of 0.25 mV; warming on a bench without a sensor."""
    step = "- {{step: discharge, current: 1 A, for: 1 h, until slope: {{{}, in: 2 min}}}}"
    span = "[{low: 0 V, high: 12 V, resolution: 0.25 mV, accuracy: {offset: 1 mV}}]"
    coarse = with_capability("meter", "measure voltage", span)
    (one,) = breaches(step.format("voltage: 0.2 mV/min"), meter=coarse)
    assert one.message.startswith("a change of 0.4 mV in 2 min is too fine for meter")
    assert breaches(step.format("voltage: 0.3 mV/min"), meter=coarse) == []
    wiring = "\n".join(line for line in WHOLE.splitlines() if "surface" not in line) + "\n"
    warm = step.format("temperature: 1 K/min")
    assert breaches(warm) == []
    (one,) = breaches(warm, wiring)
    assert one.message == "no sensor sits on the cell's surface: nothing tells how fast it warms"


@pytest.mark.parametrize(
    "step",
    [
        "step: rest, for: 1 h, until temperature: {high: 25 degC}",
        "step: charge, current: 1 A, for: 1 h, until warmed to: 40 degC",
    ],
)
def test_an_end_by_temperature_needs_a_sensor_on_the_surface(step):
    """Told where the temperature stands; with a sensor it is no fault."""
    assert breaches(f"- {{{step}}}") == []
    key = "until temperature" if "rest" in step else "until warmed to"
    bare = "\n".join(line for line in WHOLE.splitlines() if "surface" not in line) + "\n"
    told = "no sensor sits on the cell's surface: nothing tells its temperature"
    place = ("profile", ("steps", 0, key))
    assert Breach(*place, told, ("bench", ("wiring",))) in breaches(f"- {{{step}}}", wiring=bare)


def test_a_temperature_of_the_room_needs_a_sensor_in_the_room():
    """The one on the surface is another."""
    step = "- {step: rest, at most: 1 h, until temperature: {low: 18 degC, of: room}}"
    place = ("profile", ("steps", 0, "until temperature"))
    told = "no sensor reads the room: nothing tells its temperature"
    bare = "\n".join(line for line in WHOLE.splitlines() if "room" not in line) + "\n"
    assert breaches(step) == []
    assert breaches(step, wiring=bare) == [Breach(*place, told, ("bench", ("wiring",)))]


@pytest.mark.parametrize("of", ["surface", "room"])
def test_a_window_is_no_narrower_than_its_sensors_error_to_both_sides(of):
    """0.4 K, 0.5 % of 20 degC and a count of 0.01 K are 0.51 K to either side."""
    step = (
        "- {{step: rest, at most: 1 h, until temperature: {{low: {} degC, high: 20 degC, of: {}}}}}"
    )
    assert breaches(step.format(18.97, of)) == []
    (one,) = breaches(step.format(18.99, of))
    assert one.message == (
        "18.99 degC to 20 degC is too narrow for logger, which errs by up to 0.51 K either way:"
        " it takes 1 K or more"
    )
    assert (one.path, one.culprit) == (
        ("steps", 0, "until temperature"),
        ("bench", ("instruments", "logger", "definition")),
    )

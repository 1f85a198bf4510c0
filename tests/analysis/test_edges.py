"""Every pulse gives its resistance, whenever it began and whichever row its readings stand in."""

from dataclasses import replace

import numpy as np
import pytest

from sequencer.analysis import results
from sequencer.analysis.analyse import analyse
from sequencer.analysis.edges import edge_of
from sequencer.analysis.segments import segments
from tests.analysis.pretending import (
    Part,
    cell,
    ends_of,
    every,
    pulse,
    ran,
    rest,
    steady,
    table_of,
)

NIGHTS = 1000
OHMS = 0.030
PULSE_V = 3.7 - 3.0 * OHMS


def drawn(rng) -> tuple[list[Part], int]:
    """Rests of any length and pulses of 12 s between them, read every 0.5 to 2 s."""
    period, pulses = float(rng.choice([0.5, 1.0, 2.0])), int(rng.integers(1, 5))
    parts = [rest(float(rng.integers(5, 40)) * period, 3.7, period)]
    for _ in range(pulses):
        parts.append(pulse("discharge", 3.0, every(period, 12.0), steady(PULSE_V)))
        parts.append(rest(float(rng.integers(5, 40)) * period, 3.7, period))
    return parts, pulses


def read_now_and_then(rng, table):
    """In rests one of the two readings is taken at every second to fourth row only, its phase as
    it comes; a row without it holds none."""
    columns = {}
    resting = np.array([table.steps[step].kind == "rest" for step in table.step.tolist()])
    name = str(rng.choice(["current_a", "voltage_v"]))
    values = getattr(table, name).copy()
    number = np.arange(len(values)) + rng.integers(0, 4)
    values[resting & (number % rng.integers(2, 5) != 0)] = np.nan
    columns[name] = values
    return replace(table, **columns)


@pytest.mark.parametrize("ours", [True, False], ids=["before the edge", "after the edge"])
def test_as_many_resistances_as_pulses_whatever_the_timing(ours):
    """A thousand random timings, seeded: each pulse tells its 30 mOhm after 10 s, and each end of
    one too (after the edge, a record's first row stands for it)."""
    missing = {}
    for seed in range(NIGHTS):
        rng = np.random.default_rng([92, seed])
        parts, pulses = drawn(rng)
        table = read_now_and_then(rng, table_of(parts, ours=ours))
        given = results.Tested(table, step_ends=ends_of(parts) if ours else {})
        edges = [edge_of(one) for one in segments(given) if one.kind == "discharge"]
        found = [edge.at(10.0) for edge in edges if edge is not None]
        ohms = [
            (edge.before_v - reading.voltage_v) / 3.0
            for edge, reading in zip([e for e in edges if e], found, strict=True)
            if reading is not None
        ]
        if len(ohms) != pulses or not np.allclose(ohms, OHMS):
            missing[seed] = (pulses, ohms)
    assert not missing


@pytest.mark.parametrize("seconds", [59, 60, 61, 62, 63])
def test_a_rest_of_an_odd_number_of_seconds_costs_no_resistance(seconds):
    """The current is read every second row in rests, and the row before the edge has none."""
    parts = [
        rest(seconds, 3.7),
        pulse("discharge", 3.0, every(1.0, 12.0), steady(PULSE_V)),
        rest(60.0, 3.7),
    ]
    table = table_of(parts)
    amps = table.current_a.copy()
    amps[1:seconds:2] = np.nan
    found = analyse(results.Tested(replace(table, current_a=amps), step_ends=ends_of(parts)))
    figure = found.figure("resistance.pulse.2.10s")
    assert figure is not None
    assert figure.value == pytest.approx(OHMS)


def test_what_was_held_for_lost_rows_tells_no_resistance():
    """Four rows lost at the end of a pulse: its charge is known, its voltage after 10 s is not."""
    parts = [
        rest(60.0, 3.7),
        pulse("discharge", 3.0, every(1.0, 12.0), lambda t: PULSE_V - 0.001 * t),
        rest(60.0, 3.7),
    ]
    ends = {n: replace(end, ended_s=t) for n, end, t in zip(
        (1, 2, 3), ends_of(parts).values(), (60.0, 72.0, 132.0), strict=True)}  # fmt: skip
    table = table_of(parts)
    kept = (table.time_s < 68.5) | (table.time_s > 73.5)
    names = ["time_s", "voltage_v", "current_a", "voltage_time_s", "current_time_s"]
    names += ["step", "cycle", "surface_c", "tab_c", "room_c"]
    table = replace(table, **{name: getattr(table, name)[kept] for name in names})
    found = analyse(results.Tested(table, step_ends=ends))
    assert found.figure("resistance.pulse.2.1s") is not None
    assert found.figure("resistance.pulse.2.10s") is None
    pulses = [one for one in segments(results.Tested(table, step_ends=ends)) if one.step == 2]
    assert pulses[0].duration_s == 12.0


def test_a_pulse_that_was_off_on_the_way_tells_no_resistance_after_that():
    """From 15 s to 25 s nothing flows, and no journal says why; after 30 s the cell has stood the
    current for 5 s only."""
    flows = lambda t: np.where((t > 15.0) & (t < 25.0), 0.0, -3.0)  # noqa: E731
    drops = lambda t: np.where((t > 15.0) & (t < 25.0), 3.7, PULSE_V)  # noqa: E731
    parts = [rest(60.0, 3.7), pulse("discharge", 3.0, every(1.0, 40.0), drops), rest(60.0, 3.7)]
    whole = ran(parts)
    parts[1] = parts[1]._replace(amps=flows)
    broken = replace(ran(parts), step_ends={})
    for tested, is_told in ((whole, True), (broken, False)):
        keys = {one.key for one in analyse(tested).figures}
        assert "resistance.pulse.2.10s" in keys
        assert ("resistance.pulse.2.30s" in keys) is is_told


def test_a_record_without_any_current_has_no_edge():
    """A supply whose reading is out of range leaves a pulse with a voltage that moved and no
    current: no resistance comes of it, and the report is made."""
    parts = [rest(60.0, 3.6), pulse("discharge", 0.0, every(1.0, 12.0), steady(3.5))]
    found = analyse(ran([*parts, rest(60.0, 3.7)], cell=cell()))
    assert not any(one.key.startswith("resistance.") for one in found.figures)

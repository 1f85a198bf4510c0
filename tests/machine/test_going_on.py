"""After a pause: whether the cell is still the one that was left, and fit to go on."""

from math import inf

import pytest

from sequencer.machine.entries import of_changes
from sequencer.machine.stops import NEVER_NS
from sequencer.vocabulary.faults import Fault, FaultKind
from sequencer.vocabulary.intent import CONTINUE_REFUSED, State
from sequencer.vocabulary.sample import NAN
from tests.builders import S, charge, discharge, rest, sample
from tests.machine.feeding import asks, fed, machine_for

PAUSED_S = 4


def _paused(*samples):
    """A charge paused after a second, and what was seen while it was."""
    machine, _ = fed(machine_for(charge(1.5, 4.2, 0.15)), *map(sample, (1, 2)))
    machine, _ = fed(machine, sample(3, 3.9, 1.5), asks(PAUSED_S, "pause", 3.9, 1.5))
    return fed(machine, *samples)[0]


@pytest.mark.parametrize(("pause_s", "ends_s"), [(60.0, PAUSED_S + 60), (inf, NEVER_NS / S)])
def test_a_pause_of_a_step_that_may_not_wait_is_bounded(pause_s, ends_s):
    """The recharge of a residual discharge must begin: the run is over where nobody goes on."""
    step = charge(1.5, 4.2, 0.15)._replace(pause_s=pause_s)
    machine, _ = fed(machine_for(step), *map(sample, (1, 2)))
    machine, _ = fed(machine, sample(3, 3.9, 1.5), asks(PAUSED_S, "pause", 3.9, 1.5))
    assert machine.intent.run_ends_by_ns == ends_s * S
    machine, _ = fed(machine, asks(PAUSED_S + 2, "continue", 3.8))
    assert machine.state is State.CHANGEOVER
    assert machine.intent.run_ends_by_ns > 1000 * S


def _seen(*volts: float, **fields):
    """One reading a second of a paused bench, from one second after the pause on."""
    return [
        sample(PAUSED_S + n, one, contactor_closed=0, **fields) for n, one in enumerate(volts, 1)
    ]


RELAXING = (3.800, 3.780, 3.772, 3.768, 3.766, 3.765, 3.764)
"""Ever more slowly."""


def _asked(volts, at_s: int = 12, **fields):
    paused = _paused(*_seen(*volts))
    asking = asks(at_s, "continue", volts[-1], **fields)
    return fed(paused, asking)[0], paused, asking


def test_a_cell_that_relaxed_goes_on():
    """Relaxation only slows."""
    machine, _, _ = _asked(RELAXING)
    assert machine.state is State.CHANGEOVER


@pytest.mark.parametrize("step_v", [0.016, -0.016])
def test_a_voltage_that_moves_as_no_rest_does_is_another_cell(step_v):
    """10 mV beyond the change before, in two new readings, either way; refused for good, and
    said."""
    moved = [*RELAXING, 3.764 + step_v, 3.764 + step_v]
    machine, paused, asking = _asked(moved, 14)
    assert machine.state is State.PAUSED
    (note,) = of_changes(paused, machine, asking.at_ns)
    words = f"the cell voltage moved to {3.764 + step_v:.3f} V as no rest moves it"
    assert note == (CONTINUE_REFUSED, {"at_ns": 14 * S, "reason": words})
    machine, _ = fed(machine, *(sample(n, 3.77, contactor_closed=0) for n in range(15, 30)))
    machine, _ = fed(machine, asks(30, "continue", 3.77))
    assert machine.state is State.PAUSED


def test_a_single_reading_that_moved_decides_nothing():
    """Nor does a change below the bound, or one that the meter's counts may be."""
    assert _asked([*RELAXING, 3.790, *RELAXING[-3:]], 16)[0].state is State.CHANGEOVER
    assert _asked([*RELAXING, 3.772, 3.772], 14)[0].state is State.CHANGEOVER


def test_a_voltage_of_no_cell_is_refused():
    """One reading will do."""
    machine, _, _ = _asked([*RELAXING, 0.49, 3.764], 13)
    assert machine.state is State.PAUSED
    assert machine.pause is not None
    assert machine.pause.refused == "the cell voltage was 0.490 V"


@pytest.mark.parametrize(("missing", "state"), [(2, State.CHANGEOVER), (3, State.PAUSED)])
def test_three_readings_that_are_missing_in_a_row_are_refused(missing, state):
    """Readings that grow no younger; two may be a meter that is slow."""
    stale = [sample(12 + n, 3.764, voltage_at_ns=11 * S) for n in range(missing)]
    machine = _paused(*_seen(*RELAXING), *stale)
    machine, _ = fed(machine, asks(12 + missing, "continue", 3.764))
    assert machine.state is state


def test_a_voltage_that_is_no_number_is_missing():
    """Three of them."""
    gone = [sample(12 + n, NAN) for n in range(3)]
    machine = _paused(*_seen(*RELAXING), *gone)
    assert machine.pause is not None
    assert machine.pause.doubt == "the cell voltage was not read 3 times in a row"


def test_a_cell_too_cold_for_its_step_waits():
    """Refused now; once it is warm it goes on."""
    machine, _, _ = _asked(RELAXING, surface_c=9.0)
    assert machine.state is State.PAUSED
    assert machine.pause is not None
    assert machine.pause.refused == "surface 9.0 degC is outside 10.0 to 40.0 degC"
    machine, _ = fed(machine, asks(13, "continue", 3.764))
    assert machine.state is State.CHANGEOVER


def test_an_instrument_that_does_not_answer_is_refused():
    """What the check of identities found is in the sample."""
    fault = Fault(FaultKind.NO_REPLY, "supply", "", "supply: no answer")
    machine, _, _ = _asked(RELAXING, faults=(fault,))
    assert machine.state is State.PAUSED


def test_a_pause_counts_towards_no_bound():
    """Neither the step's nor the run's, whether a step was going on or not, and however often."""
    machine = _paused(*_seen(*RELAXING))
    ends_ns = 50_001 * S
    assert machine.intent.run_ends_by_ns == 1 << 62
    machine, _ = fed(machine, asks(34, "continue", 3.764))
    assert machine.intent.run_ends_by_ns == ends_ns + 30 * S
    machine, _ = fed(machine, asks(35, "pause", 3.764))
    machine, _ = fed(machine, asks(65, "continue", 3.764), sample(66, 3.764))
    assert machine.state is State.CHARGING
    assert machine.intent.run_ends_by_ns == ends_ns + 60 * S
    assert machine.tally is not None
    assert machine.tally.began_ns == (2 + 66 - PAUSED_S) * S


def test_a_pause_between_two_steps_counts_towards_no_bound_either():
    """There is no step to go on with."""
    machine, _ = fed(machine_for(rest(9)), sample(1), asks(2, "pause"))
    assert machine.intent.run_ends_by_ns == 1 << 62
    machine, _ = fed(machine, asks(1002, "continue"))
    assert machine.intent.run_ends_by_ns == (50_001 + 1000) * S


@pytest.mark.parametrize(
    ("first", "second", "goes_on"),
    [
        (charge(1.5, 4.2, 0.15), rest(9), False),
        (discharge(1.5, 3.0, 3), charge(1.5, 4.2, 0.15), True),
        (rest(9), charge(1.5, 4.2, 0.15), True),
    ],
)
def test_between_two_steps_the_cell_must_be_fit_for_the_next_one(first, second, goes_on):
    """42 degC at the surface are too warm for a charge, and not for a discharge or a rest."""
    machine, _ = fed(machine_for(first, second), sample(1), asks(2, "pause"))
    assert machine.tally is None
    machine, _ = fed(machine, *(sample(n, 3.7) for n in (3, 4)))
    machine, _ = fed(machine, asks(5, "continue", surface_c=42.0))
    assert (machine.state is not State.PAUSED) is goes_on

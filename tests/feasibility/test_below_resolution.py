"""A current that a bench cannot tell from none is said before the night, with the smallest that it
can; what is called possible does not end as an open circuit."""

import pytest

from sequencer.feasibility.measuring_channels import channels_of_bench
from sequencer.interlocks.panel import make_panel
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.intent import Intent, State
from tests.builders import LIMITS
from tests.feasibility.benches import WHOLE, bench, definitions, findings, with_capability
from tests.interlocks.judging import DISCHARGING, discharging

STEP = "- {{step: {}, current: {}, for: 1 min}}"
FINE = (
    "[{low: -3 A, high: 3 A, resolution: 0.01 mA, accuracy: {of reading: 0.1 %, offset: 0.1 mA}}]"
)


def unseen(told):
    """The findings about an open circuit."""
    return [line for line in told if "cannot be told from an open circuit" in line]


def test_a_discharge_too_small_to_tell_from_none():
    """The load reads up to 5 mA + 2 counts = 7 mA where none flows; it sets within 5 mA + 1 mA and
    reads within 6 mA, each with 0.1 %: 19 mA / 0.998 = 19.04 mA (worked here)."""
    (line,) = unseen(findings(STEP.format("discharge", "19 mA")))
    assert line == (
        "cannot: discharge at 19.0 mA: load may read up to 7 mA where no current flows, and tells"
        " 19.0 mA to within 6 mA: it cannot be told from an open circuit, and the run may end as"
        " one. Command 20.0 mA or more, or add a finer ammeter in series ('current' in the wiring)."
    )
    for amps in ("20 mA", "26 mA", "34 mA"):
        assert unseen(findings(STEP.format("discharge", amps))) == []


def test_a_charge_too_small_to_tell_from_none_and_what_helps():
    """The supply: 30 mA where none flows, 20 mA of error, 6 mA of setting: 56.2 mA. A finer ammeter
    in series sees the same charge."""
    (line,) = unseen(findings(STEP.format("charge", "56 mA")))
    assert "Command 57.0 mA or more" in line
    assert unseen(findings(STEP.format("charge", "57 mA"))) == []
    meter = with_capability("meter", "measure current", FINE)
    with_meter = findings(
        STEP.format("charge", "56 mA"), WHOLE + "  current: {by: meter}\n", meter=meter
    )
    assert unseen(with_meter) == []


@pytest.mark.parametrize("amps", [0.020, 0.026, 0.034])
def test_what_check_calls_possible_trips_nothing_at_the_worst_of_the_errors(amps):
    """The least that may be read, judged by the interlock itself on the whole bench."""
    channels = channels_of_bench(bench(), definitions())
    least = amps - 2 * (0.005 + 0.001 + 0.001 * amps)
    rule = next(one for one in make_panel(LIMITS, channels).rules if one.id == "circuit open")
    intent = DISCHARGING._replace(drive=DISCHARGING.drive._replace(current_a=amps))
    assert isinstance(intent, Intent)
    assert intent.state is State.DISCHARGING
    assert channels.zero_a(Direction.DISCHARGE) == pytest.approx(0.007)
    assert not any(rule.judge(discharging(100 + n, amps=-least), intent) for n in range(5))

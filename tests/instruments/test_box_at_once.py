"""A box of two supplies whose one reply lists both: each owner reads its own channel of it."""

import pytest
import yaml
from pydantic import ValidationError

from drivers.instruments.bench import WiredBench
from drivers.mirrored import MirroredInstrument
from drivers.off.plan import plan_safing
from drivers.simulated.served import start_served
from drivers.simulated.served_ends import Box
from sequencer.clocks import LockstepClock, WallClock
from sequencer.documents.channels import at_channel
from sequencer.documents.definition import InstrumentDefinition
from sequencer.ports import ProtectionBounds
from sequencer.vocabulary.commands import Command, Direction, Drive
from sequencer.vocabulary.sample import OFF, ON
from sequencer.vocabulary.verdict import Level
from tests.drivers.served.conftest import documents_of
from tests.drivers.served.test_one_port import box
from tests.drivers.test_mirrored import WHO, Values
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.dovrin_2x import Dovrin2X
from tests.instruments.simulators.served import ServedSimulators
from tests.instruments.two_channels import DEFINITION, document, read

CHARGE = Command(Drive(Direction.CHARGE, 0.5, 4.2), connected=True)
NUMBER = "-?[0-9.]+"
LISTED = ",".join(
    f"(?P<voltage_{one}>{NUMBER}),(?P<current_{one}>{NUMBER}),(?P<output_{one}>[01])"
    for one in (1, 2)
)


def at_once(pattern: str = LISTED) -> InstrumentDefinition:
    """The Dovrin 2X, asked for both channels in one question, as its manual's table has it."""
    raw = yaml.load(DEFINITION.read_text(encoding="utf-8"), Loader=yaml.BaseLoader)
    raw["operations"]["measure"] = {"query": "MEAS:ALL?", "pattern": pattern}
    return InstrumentDefinition.model_validate(raw)


def bench_of(address: str, channel: int) -> tuple[WiredBench, WallClock]:
    """That channel's bench, identified, with its clock."""
    clock, definitions = WallClock(), {"supply": at_channel(at_once(), channel)}
    bench = WiredBench(document(address, channel), definitions, clock, capacity_ah=3.0)
    bench.identify()
    return bench, clock


def test_each_owner_reads_its_own_channel_of_one_reply():
    """On cells of 3.7 V and 3.5 V; one goes off, proven, and the other goes on."""
    cells = Circuit(3.7, 0.05), Circuit(3.5, 0.08)
    with ServedSimulators({"box": Dovrin2X(*cells)}) as served:
        address = served.addresses["box"]
        (one, clock), (two, _) = bench_of(address, 1), bench_of(address, 2)
        one.apply(CHARGE)
        first, second = read(one, clock), read(two, clock)
        assert (first.supply_on, second.supply_on) == (ON, OFF)
        two.apply(CHARGE)
        first, second = read(one, clock), read(two, clock)
        assert first.faults == second.faults == ()
        assert first.voltage_v == pytest.approx(3.7 + 0.5 * 0.07, abs=0.01)
        assert second.voltage_v == pytest.approx(3.5 + 0.5 * 0.1, abs=0.01)
        proof = one.make_safe()
        assert (proof.is_off, proof.level) == (True, Level.B)
        assert read(two, clock).supply_on == ON
        assert two.make_safe().is_off
        one.close()
        two.close()


def test_the_plan_of_off_reads_its_own_channel_too():
    """The watchdog's questions are those of the definition."""
    plan = plan_safing(document("tcp:192.0.2.1:5025", 2), {"supply": at_channel(at_once(), 2)})
    (ask,) = plan.instruments[0].asks[:1]
    assert "MEAS:ALL?" in ask.send


def test_one_reply_holds_what_each_of_two_channels_has():
    """Whichever of the two answers it."""
    behind = Values(voltage=3.7, current=0.25), Values(voltage=5.0, current=0.0)
    mirrors = [
        MirroredInstrument(at_channel(at_once(), number), one, WHO)
        for number, one in enumerate(behind, 1)
    ]
    both = Box(mirrors)
    behind[1].is_on = True
    for line in ("CHAN 1;OUTP?", "CHAN 2;OUTP?"):
        both.respond(line)
        assert both.respond("MEAS:ALL?") == "3.7000,0.2500,0,5.0000,0.0000,1"


@pytest.mark.parametrize("kind", ["socket", "serial"])
def test_the_served_box_answers_for_both(kind):
    """One reply holds what each of the two instruments behind it shows."""
    cell = documents_of("demonstration")[2]
    link = at_once().link.model_copy(update={"kinds": (kind,)})
    found = at_once().model_copy(update={"link": link})
    definitions = {"one": at_channel(found, 1), "two": at_channel(found, 2)}
    with start_served(box(), definitions, cell) as served:
        clock = LockstepClock(*served.control)
        bench = WiredBench(box(), definitions, clock, served.addresses, capacity_ah=2.0)
        bench.identify()
        bench.protect(ProtectionBounds(4.25, 1.5, 2.5, 1.5))
        bench.apply(CHARGE)
        at_ns = clock.wait_until(clock.now_ns() + 2_000_000_000)
        sample = bench.read(at_ns // 1000 * 1000, 0, 1_000_000_000)
        truth = served.truth()
        assert bench.make_safe().is_off
        bench.close()
        clock.close()
    assert (sample.faults, sample.supply_on) == ((), ON)
    assert sample.current_a == pytest.approx(truth["current_a"], abs=0.01)


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        (LISTED.replace("output_2", "output"), "is no pattern for channel 1 alone"),
        (LISTED + "(?P=voltage_1)?", "is no pattern for channel"),
        (LISTED.replace("(?P<current_2>", "(?:"), "lists channel 2 without current"),
    ],
)
def test_a_list_that_lacks_something_of_a_channel_is_refused(pattern, words):
    """Of whichever channel: its owner may be another run."""
    with pytest.raises(ValidationError, match=words):
        at_once(pattern)

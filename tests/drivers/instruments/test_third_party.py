"""A driver of somebody else: a package with an entry point runs a night, safe like any other."""

from importlib import import_module
from pathlib import Path
from textwrap import dedent

import pytest

from drivers.instruments.bench import WiredBench
from drivers.instruments.instrument import Instrument
from drivers.registry import instrument_class
from drivers.simulated.served import start_served
from sequencer.clocks import LockstepClock
from sequencer.executive import Execution
from sequencer.interlocks.panel import make_panel
from sequencer.run_documents.channels import measuring_channels_of
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.verdict import Exit, Level
from tests.fakes import MemoryLog
from tests.safety import small_night

PACKAGE = """
    from drivers.instruments.instrument import Instrument

    PERFORMED = []


    class CountingMeter(Instrument):
        def perform(self, operation, value=None, channel=None):
            PERFORMED.append(operation)
            return super().perform(operation, value, channel)


    class OwnOff(Instrument):
        def off(self):
            pass


    class Nothing:
        pass
"""


@pytest.fixture
def package(tmp_path: Path, monkeypatch):
    """Somebody's package, installed: a module, and what it offers."""
    (tmp_path / "somebody_meter.py").write_text(dedent(PACKAGE))
    told = tmp_path / "somebody_meter-1.0.dist-info"
    told.mkdir()
    (told / "METADATA").write_text("Metadata-Version: 2.1\nName: somebody-meter\nVersion: 1.0\n")
    offers = ("counting = somebody_meter:CountingMeter", "own-off = somebody_meter:OwnOff")
    (told / "entry_points.txt").write_text(
        "\n".join(("[nightbench.instruments]", *offers, "nothing = somebody_meter:Nothing", ""))
    )
    monkeypatch.syspath_prepend(str(tmp_path))


@pytest.mark.usefixtures("package")
def test_a_class_that_an_entry_point_offers_runs_a_night():
    """Every word to the meter goes through it, and off is proven as ever."""
    read = small_night.run_documents()
    assert read.bench is not None
    assert read.bench.simulated_cell is not None
    document, cell = read.bench.bench.document, read.bench.simulated_cell.document
    meter = document.wiring.voltage.by
    theirs = read.definitions[meter].model_copy(update={"driver": "counting"})
    definitions = {**read.definitions, meter: theirs}
    channels = measuring_channels_of(read)
    with start_served(document, read.definitions, cell) as served:
        clock = LockstepClock(*served.control)
        bench = WiredBench(document, definitions, clock, served.addresses)
        panel = make_panel(read.plan.limits, channels)
        outcome = Execution(read.plan, channels, bench, clock, MemoryLog([]), panel).run()
        bench.close()
        clock.close()
    performed = import_module("somebody_meter").PERFORMED
    assert outcome.exit is Exit.DONE
    assert outcome.proof.level is Level.A
    assert len(performed) > 100


@pytest.mark.usefixtures("package")
@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("own-off", "somebody_meter:OwnOff has its own off: off is what the definition says"),
        ("nothing", "somebody_meter:Nothing is not derived from Instrument"),
        ("absent", "no driver is called absent: there are counting, nothing, own-off, text"),
    ],
)
def test_a_class_that_cannot_be_made_safe_is_refused(name, why):
    """Before anything is opened: the watchdog sends off from the definition, without any class."""
    with pytest.raises(UsageError, match=why):
        instrument_class(name)


def test_ours_is_had_without_a_look_at_what_is_installed():
    """A broken package of somebody else's stops no bench that does not name it."""
    assert instrument_class("text") is Instrument

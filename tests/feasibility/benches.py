"""Benches of shipped definitions, with what a test changes about them."""

from functools import cache
from pathlib import Path

from sequencer.documents.bench import BenchDocument
from sequencer.documents.cell import CellDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.feasibility.appraisal import Appraisal, appraise
from sequencer.source.loading import load, load_text
from tests.plan.documents import CELL, profile

DEFINITIONS = Path(__file__).parents[2] / "drivers" / "definitions"
KINDS = {
    "supply": "generic-scpi-supply",
    "load": "generic-scpi-load",
    "meter": "generic-scpi-multimeter",
    "logger": "generic-line-thermometer",
    "contactor": "generic-line-contactor",
}

WHOLE = """
  charge: supply
  discharge: load
  voltage: {by: meter, sense: four-wire}
  contactor: contactor
  contactor lead: positive
  lead resistance: 40 mOhm
  supply sense: four-wire
  sensors:
    - {place: surface, by: logger, channel: 1}
    - {place: room, by: logger, channel: 2}
"""


@cache
def shipped(name: str) -> InstrumentDefinition:
    """One shipped definition."""
    return load(DEFINITIONS / f"{name}.yaml", InstrumentDefinition).document


def bench(wiring: str = WHOLE) -> BenchDocument:
    """A bench with all five generic instruments, wired as said."""
    lines = "".join(
        f"  {name}: {{definition: {kind}, address: 'TCPIP0::192.0.2.{n}::5025::SOCKET'}}\n"
        for n, (name, kind) in enumerate(KINDS.items(), 1)
    )
    text = f"bench: test\ninstruments:\n{lines}wiring:{wiring}"
    return load_text(text, "bench.yaml", BenchDocument).document


def definitions(**changed: InstrumentDefinition) -> dict[str, InstrumentDefinition]:
    """The definitions of all five, some changed."""
    return {name: shipped(kind) for name, kind in KINDS.items()} | changed


def with_traits(name: str, **traits: object) -> InstrumentDefinition:
    """A generic instrument that does otherwise by itself."""
    one = shipped(KINDS[name])
    return one.model_copy(update={"traits": one.traits.model_copy(update=traits)})


def with_capability(name: str, capability: str, ranges: str) -> InstrumentDefinition:
    """A generic instrument that can do otherwise; ``ranges`` is YAML of one capability's ranges."""
    from sequencer.documents.capability import Capability

    made = load_text(f"source: test\nranges: {ranges}", "capability.yaml", Capability).document
    one = shipped(KINDS[name])
    return one.model_copy(update={"capabilities": one.capabilities | {capability: made}})


def appraisal(
    steps: str, wiring: str = WHOLE, of: CellDocument = CELL, **changed: InstrumentDefinition
) -> Appraisal:
    """What such a bench makes of these steps."""
    return appraise(profile(steps), of, bench(wiring), definitions(**changed))


def findings(
    steps: str, wiring: str = WHOLE, of: CellDocument = CELL, **changed: InstrumentDefinition
) -> list[str]:
    """As ``appraisal``, the findings as they are told."""
    return [str(one) for one in appraisal(steps, wiring, of, **changed).findings]

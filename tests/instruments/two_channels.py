"""A box of two channels and what is needed to use each apart: benches, runs, a box in trouble."""

from pathlib import Path

from drivers.instruments.bench import WiredBench
from sequencer.clocks import WallClock
from sequencer.documents.bench import BenchDocument
from sequencer.documents.channels import at_channel
from sequencer.documents.definition import InstrumentDefinition
from sequencer.source.loading import load

DEFINITION = Path(__file__).parent / "definitions" / "dovrin-2x.yaml"
SECOND_NS = 1_000_000_000


def document(address: str, channel: int) -> BenchDocument:
    """The bench of one channel, which charges and measures."""
    supply = {"definition": "x", "address": address, "channel": str(channel)}
    wiring = {"charge": "supply", "voltage": {"by": "supply", "sense": "two-wire"}}
    return BenchDocument.model_validate(
        {"bench": f"channel {channel}", "instruments": {"supply": supply}, "wiring": wiring}
    )


def bench_of(address: str, channel: int) -> tuple[WiredBench, WallClock]:
    """That bench, identified, with its clock."""
    definition = load(DEFINITION, InstrumentDefinition).document
    clock = WallClock()
    definitions = {"supply": at_channel(definition, channel)}
    bench = WiredBench(document(address, channel), definitions, clock, capacity_ah=3.0)
    bench.identify()
    return bench, clock


def read(bench: WiredBench, clock: WallClock):
    """One sample now, with half a second for it."""
    return bench.read(clock.now_ns() // 1000 * 1000, 0, SECOND_NS)


BENCH = """bench: channel {channel}
instruments:
  supply: {{definition: {definition}, address: "{address}", channel: {channel}}}
wiring:
  charge: supply
  voltage: {{by: supply, sense: two-wire}}
  lead resistance: 20 mOhm
"""
PROFILE = """profile: some seconds of charge
steps:
  - {step: charge, current: 0.5 A, voltage: recommended, for: 5 s}
"""


def written(folder: Path, address: str, channel: int) -> Path:
    """The bench document of one channel as a file."""
    path = folder / f"bench-{channel}.yaml"
    path.write_text(
        BENCH.format(channel=channel, definition=DEFINITION, address=address), encoding="utf-8"
    )
    return path

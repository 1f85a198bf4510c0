"""A protection with a range of its own: from 1 V, and beyond what the supply gives."""

import pytest

from drivers.instruments.settings import protections
from sequencer.documents.bench import BenchDocument
from sequencer.ports import ProtectionBounds
from sequencer.vocabulary.faults import InstrumentError
from tests.instruments.language import described
from tests.instruments.meeting import tried
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.generic import ScpiSupply


class SmallSupply(ScpiSupply):
    """6 V; the over-voltage protection takes 1 V to 8 V and refuses the rest."""

    most_v, least_protection_v, most_protection_v = 6.0, 1.0, 8.0


def span(high, low="0 V", step="1 mV"):
    """A capability of one range."""
    reaches = {"low": low, "high": high, "resolution": step, "accuracy": {"of reading": "0.1 %"}}
    return {"source": "its manual", "ranges": [reaches]}


SIX = {"set voltage": span("6 V"), "measure voltage": span("6 V")}
OWN = span("8 V", "1 V", "10 mV")
BENCH = BenchDocument.model_validate(
    {
        "bench": "small",
        "instruments": {"supply": {"definition": "x", "address": "tcp:127.0.0.1:1"}},
        "wiring": {"charge": "supply", "voltage": {"by": "supply", "sense": "two-wire"}},
    }
)


def wrong(definition):
    """What does not fit when the definition is tried against the small supply."""
    trial = tried(definition, SmallSupply(Circuit(0.0, 10.0)), ohm=10.0)
    return [one.words for one in trial.exchanges if not one.fits]


def test_without_a_range_of_its_own_a_value_that_it_refuses_is_tried():
    """The simulator refuses what lies out of its range."""
    assert any("Data out of range" in one for one in wrong(described("supply", capabilities=SIX)))


def test_with_a_range_of_its_own_it_is_tried_and_left_within_it():
    """Every exchange fits."""
    assert wrong(described("supply", capabilities=SIX | {"set over-voltage": OWN})) == []


@pytest.mark.parametrize(("ceiling_v", "is_within"), [(4.2, True), (7.5, True), (8.2, False)])
def test_a_protection_that_cannot_be_set_is_refused_before_it_is_sent(ceiling_v, is_within):
    """In whole steps of its resolution; beyond its range nothing is set in its place."""
    definition = described("supply", capabilities=SIX | {"set over-voltage": OWN})
    bounds = ProtectionBounds(ceiling_v, 1.0, 2.5, 1.0)
    if not is_within:
        with pytest.raises(InstrumentError, match=r"set over-voltage 8\.22 lies beyond 1 to 8"):
            protections(definition, BENCH, "charge", bounds)
        return
    value = protections(definition, BENCH, "charge", bounds)["set over-voltage"]
    assert ceiling_v < value < ceiling_v + 0.05
    assert value == pytest.approx(round(value, 2), abs=1e-9)

"""Fault documents made in one line, and a bench in process for them to happen on."""

from drivers.simulated.bench import SimulatedBench
from drivers.simulated.disturbance import Disturbance
from sequencer.documents.faults import FaultDocument
from tests.drivers.served.conftest import documents_of


def fault(**keys: str) -> FaultDocument:
    """A fault document from its keys, with ``_`` for a space and ``for_`` for for."""
    texts = {key.rstrip("_").replace("_", " "): text for key, text in keys.items()}
    return FaultDocument.model_validate({"fault": "a test", **texts})


class Physics:
    """The demonstration bench in process, charging at 1 A unless told otherwise, and its faults."""

    def __init__(self, name: str = "demonstration") -> None:
        self.bench = SimulatedBench(*documents_of(name))
        self.disturbance = Disturbance(self.bench)
        self.bench.advance_to(0)
        supply, contactor = self.bench.supply, self.bench.contactor
        assert supply is not None
        assert contactor is not None
        assert self.bench.load is not None
        assert self.bench.meter is not None
        self.supply, self.contactor = supply, contactor
        self.load, self.meter = self.bench.load, self.bench.meter
        contactor.close()
        supply.set_voltage(4.2)
        supply.set_current(1.0)
        supply.output(True)

    def after(self, seconds: float) -> SimulatedBench:
        """The bench some time later."""
        self.bench.advance_to(self.bench.at_ns + round(seconds * 1e9))
        return self.bench

    def begin(self, **keys: str) -> FaultDocument:
        """A fault that this bench has a place for begins."""
        one = fault(**keys)
        self.disturbance.check(one)
        self.disturbance.begin(one)
        return one

"""After *off* the next question is answered by its own answer, whatever the bare line end led to.

A bare line end goes before *off*, because half a command may wait there. To an instrument that
acknowledges commands it is a command: it is answered as a mistake, as a command, or not at all.
"""

import pytest

from drivers.instruments.instrument import Instrument
from drivers.transports.choice import transport_for
from sequencer.documents.definition import InstrumentDefinition
from sequencer.source.loading import load
from tests.instruments.misbehaving import DEFINITIONS, Misbehaving
from tests.instruments.simulators.brunde_150 import Brunde150
from tests.instruments.simulators.circuit import Circuit


class AtBareLineEnd(Brunde150):
    """One that answers a bare line end as it is told to; its manual says nothing of that."""

    says: str | None = None

    def answered(self, line: str, now: float) -> str | None:
        """The bare line end apart."""
        return super().answered(line, now) if line else self.says


@pytest.mark.parametrize("says", [None, "0", "1"])
def test_the_question_after_off_is_answered_by_its_own_answer(says):
    """No time is measured: each answer takes 20 ms, which is not waited for by luck."""
    definition = load(DEFINITIONS / "brunde-150.yaml", InstrumentDefinition).document
    simulator = AtBareLineEnd(Circuit(0.0, 10.0))
    simulator.says = says
    far_end = Misbehaving(simulator, None)
    one = Instrument("load", definition, transport_for(far_end.address, definition.link, "load"))
    try:
        for _ in range(3):
            one.off()
            assert one.identify().matches
            assert one.perform("measure")["current"] == 0.0
    finally:
        one.close()
        far_end.close()

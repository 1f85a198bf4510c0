"""What is taken to be true of a bench whose document has no simulation section.

The cell itself is guessed from its cell document by ``drivers.simulated.nominal``.
"""

from typing import Final

from sequencer.documents.simulation import Simulation

STATE_OF_CHARGE: Final = 0.3
"""Cells are shipped at no more than 30 % (ICAO/IATA packing instruction 965)."""


def nominal_simulation() -> Simulation:
    """A cell as shipped, a room of 25 degC, one seed."""
    return Simulation.model_validate({"cell": "nominal", "state of charge": STATE_OF_CHARGE})

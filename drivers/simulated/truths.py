"""From documents to the plain numbers of the physics."""

from drivers.simulated.parameters import CellParameters, CurvePoint, RcBranch, Resistance, Thermal
from sequencer.documents.simulation import Resistor, SimulatedCellDocument, ThermalMasses


def parameters_of(document: SimulatedCellDocument) -> CellParameters:
    """The parameters that a simulated cell document states."""
    return CellParameters(
        capacity_ah=document.capacity,
        curve=tuple(
            CurvePoint(point.at, point.voltage, point.entropic) for point in document.open_circuit
        ),
        ohmic=_resistance(document.ohmic),
        thermal=_thermal(document.thermal),
        branches=tuple(RcBranch(_resistance(one), one.capacitance) for one in document.branches),
        self_discharge_a=document.self_discharge,
        fade=document.fade,
    )


def _resistance(one: Resistor) -> Resistance:
    return Resistance(one.resistance, one.bend, one.activation_energy)


def _thermal(masses: ThermalMasses) -> Thermal:
    if masses.surface is None or masses.core_to_surface is None:
        return Thermal(masses.core + (masses.surface or 0.0), masses.surface_to_room)
    return Thermal(masses.core, masses.surface_to_room, masses.surface, masses.core_to_surface)

"""The columns of samples.csv: the open Battery Data Format's labels first, then our own.

Labels are those of the Battery Data Format 1.3.0 (Battery Data Alliance, LF Energy). Our own follow
its ``Name / unit`` form. Nothing here knows how a value is formatted.
"""

STANDARD = (
    "Test Time / s",
    "Voltage / V",
    "Current / A",
    "Unix Time / s",
    "Cycle Count / 1",
    "Step Count / 1",
    "Ambient Temperature / degC",
    "Surface Temperature / degC",
    "Temperature T1 / degC",
    "Step Type",
    "Step ID",
    "Step Time / s",
    "Record Index / 1",
    "Step Charging Capacity / Ah",
    "Step Discharging Capacity / Ah",
    "Step Charging Energy / Wh",
    "Step Discharging Energy / Wh",
)
"""Columns whose labels are the standard's. T1 is the sensor at the tab."""

OWN = {
    "Supply Voltage / V": "voltage at the supply's own terminals or sense",
    "Supply Current / A": "current by the supply's own meter, positive when it charges",
    "Load Voltage / V": "voltage at the load's own terminals or sense",
    "Load Current / A": "current by the load's own meter, positive when it discharges",
    "Supply Output / 1": "1 on, 0 off, empty unknown",
    "Load Input / 1": "1 on, 0 off, empty unknown",
    "Contactor / 1": "1 closed, 0 open, empty unknown or none",
    "Commanded Current / A": "current set from this row on, positive; of a charge that holds a "
    "voltage its limit",
    "Voltage Time / s": "test time of the voltage reading",
    "Current Time / s": "test time of the current reading",
    "Supply Time / s": "test time of the supply's readings",
    "Load Time / s": "test time of the load's readings",
    "Ambient Time / s": "test time of the ambient temperature",
    "Surface Time / s": "test time of the surface temperature",
    "T1 Time / s": "test time of the tab temperature",
    "Contactor Time / s": "test time of the contactor's feedback",
    "Lateness / s": "how late the tick was",
}
"""Our own columns and what they hold."""

MACHINE_NAMES = {
    "Test Time / s": "test_time_second",
    "Voltage / V": "voltage_volt",
    "Current / A": "current_ampere",
    "Unix Time / s": "unix_time_second",
    "Cycle Count / 1": "cycle_count",
    "Step Count / 1": "step_count",
    "Ambient Temperature / degC": "ambient_temperature_celsius",
    "Surface Temperature / degC": "surface_temperature_celsius",
    "Temperature T1 / degC": "temperature_t1_celsius",
    "Step Type": "step_type",
    "Step ID": "step_id",
    "Step Time / s": "step_time_second",
    "Record Index / 1": "record_index",
    "Step Charging Capacity / Ah": "step_charging_capacity_ah",
    "Step Discharging Capacity / Ah": "step_discharging_capacity_ah",
    "Step Charging Energy / Wh": "step_charging_energy_wh",
    "Step Discharging Energy / Wh": "step_discharging_energy_wh",
}
"""The standard's names of its terms, by label."""

LABELS = (*STANDARD, *OWN)
HEADER = (",".join(LABELS) + "\n").encode()
INDEX = {label: place for place, label in enumerate(LABELS)}
TEXT_LABELS = ("Step Type", "Step ID")


def is_count(label: str) -> bool:
    """Whether a column holds whole numbers only: counts, and states of outputs."""
    return label.endswith(" / 1")

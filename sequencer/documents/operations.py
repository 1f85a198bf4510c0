"""The fixed names of what instruments do, and what each must take, give and prove."""

from typing import NamedTuple

from sequencer.vocabulary.quantities import Dimension

NUMBER_GROUPS: dict[str, Dimension] = {
    "voltage": Dimension.VOLTAGE,
    "current": Dimension.CURRENT,
    "power": Dimension.POWER,
    "temperature": Dimension.TEMPERATURE,
    "resistance": Dimension.RESISTANCE,
}
"""Named groups of reply patterns that are numbers, and what they measure."""
FLAG_GROUPS = ("output", "closed")
"""Named groups of reply patterns that are yes or no."""


class OperationName(NamedTuple):
    """What the bench may ask under this name. ``value``: what a setting takes; ``gives``: the
    groups that a reply must have; ``expect``: what its read-back's flag must say; ``senses``: it
    reads a sensor, which may have a channel."""

    value: Dimension | None = None
    gives: tuple[str, ...] = ()
    expect: bool | None = None
    must_read_back: bool = False
    senses: bool = False


ON_TIME = "set on-time"
"""A load that is switched on with this set ends its current by itself; 0 s takes the timer off."""

STAGE_S = 1.5
"""Longest that one stage of a command may take (real time): meanwhile nothing is judged."""

WATCHDOG_S = 5.0
"""What ``set watchdog`` is set to: longer than the longest regular silence (a question every 2 s,
and half a tick), short enough for any cell."""

OPERATIONS: dict[str, OperationName] = {
    "set voltage": OperationName(Dimension.VOLTAGE, must_read_back=True),
    "set current": OperationName(Dimension.CURRENT, must_read_back=True),
    "set over-voltage": OperationName(Dimension.VOLTAGE, must_read_back=True),
    "set over-current": OperationName(Dimension.CURRENT, must_read_back=True),
    "set under-voltage": OperationName(Dimension.VOLTAGE, must_read_back=True),
    "set watchdog": OperationName(Dimension.TIME, must_read_back=True),
    "set on-time": OperationName(Dimension.TIME, must_read_back=True),
    "set mode current": OperationName(),
    "clear protection": OperationName(),
    "output on": OperationName(expect=True, must_read_back=True),
    "output off": OperationName(expect=False, must_read_back=True),
    "close": OperationName(expect=True, must_read_back=True),
    "open": OperationName(expect=False, must_read_back=True),
    "measure": OperationName(gives=("voltage", "current", "output")),
    "measure voltage": OperationName(gives=("voltage",)),
    "measure current": OperationName(gives=("current",)),
    "measure temperature": OperationName(gives=("temperature",), senses=True),
    "measure resistance": OperationName(gives=("resistance",), senses=True),
    "measure thermocouple voltage": OperationName(gives=("voltage",), senses=True),
    "measure cold junction": OperationName(gives=("temperature",)),
    "state": OperationName(gives=("closed",)),
}
"""Every operation name; a definition may use no other."""

NEEDED: dict[str, tuple[str, ...]] = {
    "supply": (
        "set voltage",
        "set current",
        "set over-voltage",
        "output on",
        "output off",
        "measure",
    ),
    "load": ("set mode current", "set current", "output on", "output off", "measure"),
    "meter": ("measure voltage",),
    "thermometer": (),
    "contactor": ("close", "open", "state"),
}
"""The operations without which an instrument of that kind is of no use; a thermometer needs one
that ``senses``."""

DISABLE: dict[str, str] = {"supply": "output off", "load": "output off", "contactor": "open"}
"""The operation that de-energises; meters and thermometers have nothing to de-energise."""

CAPABILITIES: dict[str, Dimension] = {
    "set voltage": Dimension.VOLTAGE,
    "set current": Dimension.CURRENT,
    "set over-voltage": Dimension.VOLTAGE,
    "set over-current": Dimension.CURRENT,
    "set under-voltage": Dimension.VOLTAGE,
    "set on-time": Dimension.TIME,
    "measure voltage": Dimension.VOLTAGE,
    "measure current": Dimension.CURRENT,
    "measure temperature": Dimension.TEMPERATURE,
    "measure resistance": Dimension.RESISTANCE,
    "measure thermocouple voltage": Dimension.VOLTAGE,
    "measure cold junction": Dimension.TEMPERATURE,
    "power": Dimension.POWER,
}
"""Every capability name, and what it is a range of."""

CAPABLE: dict[str, tuple[str, ...]] = {
    "supply": ("set voltage", "set current", "measure voltage", "measure current"),
    "load": ("set current", "measure voltage", "measure current"),
    "meter": ("measure voltage",),
    "thermometer": (),
    "contactor": (),
}
"""The capabilities without which a kind cannot be planned with."""

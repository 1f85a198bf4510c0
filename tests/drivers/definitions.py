"""Shipped definitions, loaded; and what instruments of theirs answer."""

from functools import cache
from typing import Any

import yaml

from drivers.instruments.instrument import Instrument
from drivers.registry import definition_names, definition_path
from drivers.test_rig import Case, Example
from sequencer.documents.channels import at_channel, is_by_channel
from sequencer.documents.definition import InstrumentDefinition
from sequencer.source.loading import load

NAMES = definition_names()
IDENTITY = "Pretended,Model 1,SN1001,1.0"


@cache
def definition(name: str) -> InstrumentDefinition:
    """A shipped definition by name; one of several channels for the first of them."""
    found = load(definition_path(name), InstrumentDefinition).document
    return at_channel(found, 1) if is_by_channel(found) else found


def raw(name: str) -> dict[str, Any]:
    """A shipped definition as its text stands, to be altered."""
    found: dict[str, Any] = yaml.load(
        definition_path(name).read_text(encoding="utf-8"), Loader=yaml.BaseLoader
    )
    return found


_DRIVES = {
    "measure": Example("4.1234;+2.500E-01;1", {"voltage": 4.1234, "current": 0.25, "output": True})
}
_DRAWS = {"measure": Example("3.7000;0;0", {"voltage": 3.7, "current": 0.0, "output": False})}
_READS = {"measure voltage": Example("+4.123400E+00", {"voltage": 4.1234})}
EXAMPLES: dict[str, dict[str, Example]] = {
    "generic-scpi-supply": _DRIVES,
    "generic-scpi-supply-full": _DRIVES,
    "generic-scpi-supply-selected": _DRIVES,
    "generic-scpi-load": _DRAWS,
    "generic-scpi-load-full": _DRAWS,
    "generic-scpi-load-timed": _DRAWS,
    "generic-scpi-load-words": _DRAWS,
    "generic-scpi-load-by-mode": _DRAWS,
    "generic-scpi-multimeter": _READS,
    "generic-scpi-multimeter-at-once": _READS,
    "generic-scpi-ohmmeter": {
        "measure resistance": Example("+1.089700E+02", {"resistance": 108.97})
    },
    "generic-line-thermometer": {
        "measure temperature": Example("T1 -3.46 degC", {"temperature": -3.46})
    },
    "generic-line-thermometer-streaming": {},
    "generic-line-contactor": {"state": Example("OPEN", {"closed": False})},
    "generic-line-relay-board": {"state": Example("0", {"closed": False})},
    "generic-modbus-supply": {},
    "generic-modbus-thermometer": {},
    "generic-modbus-relay": {},
}

ANSWERS: dict[str, str] = {
    "identity": IDENTITY,
    "errors": '0,"No error"',
}


def case(name: str) -> Case:
    """The conformance kit's case for the driver that ships, with this definition."""
    answers = ANSWERS if definition(name).dialect != "modbus" else {}
    return Case(_quiet, definition(name), EXAMPLES[name], answers)


def _quiet(name: str, of: InstrumentDefinition, wire: object) -> Instrument:
    return Instrument(name, of, wire, pause=lambda _: None)  # type: ignore[arg-type]

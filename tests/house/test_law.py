"""The law of imports is whole: every room and every part of the drivers stands in its contracts."""

import tomllib

from tests.house.tree import ROOT, python_files

LAW = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
CONTRACTS = {one["id"]: one for one in LAW["tool"]["importlinter"]["contracts"]}


def parts_of(package: str) -> set[str]:
    """Every module and package directly inside ``package``, as dotted names."""
    inside = {path.parts[1] for path in python_files() if path.parts[0] == package}
    return {f"{package}.{name.removesuffix('.py')}" for name in inside - {"__init__.py"}}


def named(contract: str, key: str) -> set[str]:
    """What a contract names under ``key``."""
    return set(CONTRACTS[contract][key])


def test_every_room_but_three_is_kept_from_the_drivers():
    """Only assembly opens drivers, and the watchdog what switches off; run documents look up
    definitions and addresses."""
    kept = named("assembly-opens-drivers", "source_modules")
    assert kept == parts_of("sequencer") - {
        "sequencer.assembly",
        "sequencer.run_documents",
        "sequencer.watchdog",
    }


def test_drivers_are_kept_from_every_room_but_three():
    """Ports, documents and vocabulary are all that a driver knows."""
    known = {"sequencer.ports", "sequencer.documents", "sequencer.vocabulary"}
    assert named("drivers-know-no-job", "forbidden_modules") == parts_of("sequencer") - known


def test_the_watchdog_is_kept_from_every_driver_but_off():
    """What comes to the rescue leans on as little as can be."""
    forbidden = named("watchdog-opens-off", "forbidden_modules")
    assert forbidden == parts_of("drivers") - {"drivers.off"}


def test_yaml_is_read_in_one_room():
    """Every room but source, and all drivers, are kept from it."""
    kept = named("yaml-in-source-only", "source_modules")
    assert kept == (parts_of("sequencer") - {"sequencer.source"}) | {"drivers"}


def test_every_part_of_the_drivers_but_the_wires_is_kept_from_the_wires():
    """Transports and raw links open wires; nothing else does."""
    kept = named("wires-in-transports", "source_modules")
    wires = {"drivers.off.raw_links", "drivers.transports"}
    modules = [path for path in python_files() if path.parts[:2] == ("drivers", "off")]
    off = {f"drivers.off.{path.stem}" for path in modules if path.stem != "__init__"}
    parts = (parts_of("drivers") - {"drivers.off"}) | off
    assert kept == (parts - wires) | {"sequencer"}

"""Drivers by name, imported when asked for; one that cannot be had says why."""

from importlib.metadata import EntryPoint

import pytest

from drivers.instruments.instrument import Instrument
from drivers.registry import GROUP, Registry, definition_names, definition_path
from sequencer.vocabulary.faults import UsageError


def offered(name, target):
    """A third party's entry point."""
    return EntryPoint(name, target, GROUP)


def test_the_shipped_driver_is_there():
    """Every definition that names no driver means this one."""
    assert Registry(offered=[]).driver("text") is Instrument


def test_nothing_is_imported_until_it_is_asked_for():
    """An absent driver hurts only who wants it, and then with its reason, kept."""
    registry = Registry(offered=[offered("odd", "no_such_module_anywhere:Driver")])
    assert registry.names == ["odd", "text"]
    assert registry.absent == {}
    with pytest.raises(UsageError, match="driver odd cannot be had: ModuleNotFoundError"):
        registry.driver("odd")
    assert "no_such_module_anywhere" in registry.absent["odd"]


@pytest.mark.parametrize(
    ("target", "message"),
    [("math:no_such_name", "cannot be had: AttributeError"), ("math:pi", "is no class")],
)
def test_what_an_entry_point_names_must_be_a_class(target, message):
    """A typing error in somebody's metadata is told as theirs."""
    with pytest.raises(UsageError, match=message):
        Registry(offered=[offered("odd", target)]).driver("odd")


def test_a_name_that_is_taken_is_refused():
    """By a shipped driver, or twice by others."""
    with pytest.raises(UsageError, match="two drivers are called text"):
        Registry(offered=[offered("text", "elsewhere:Driver")])
    with pytest.raises(UsageError, match="two drivers are called odd"):
        Registry(offered=[offered("odd", "one:Driver"), offered("odd", "two:Driver")])


def test_an_unknown_name_is_met_with_the_known_ones():
    """So that the author of a definition can choose."""
    with pytest.raises(UsageError, match="no driver is called nothing: there are text"):
        Registry(offered=[]).driver("nothing")


def test_definitions_are_found_by_name_and_by_path(tmp_path):
    """A name never reaches outside the folder that ships."""
    assert definition_path("generic-scpi-supply").is_file()
    mine = tmp_path / "mine.yaml"
    mine.write_text("")
    assert definition_path(str(mine)) == mine
    assert "generic-scpi-load" in definition_names()
    for unknown in ("mine", "../definitions/generic-scpi-supply", "/etc/passwd", ""):
        with pytest.raises(UsageError, match="no instrument definition"):
            definition_path(unknown)

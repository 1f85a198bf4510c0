"""The visible table of drivers: name -> ``module:Class``, imported only when asked for.

Knows no wire. A driver that cannot be had remembers why. Third parties add theirs as entry points
of the group ``nightbench.instruments``; a name that is already taken is refused.
"""

from collections.abc import Iterable, Mapping
from importlib import import_module
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.near import did_you_mean

if TYPE_CHECKING:
    from drivers.instruments.instrument import Instrument

GROUP = "nightbench.instruments"

SHIPPED: dict[str, str] = {
    "text": "drivers.instruments.instrument:Instrument",
}
"""Drivers that ship, by the name that a definition's ``driver`` gives."""

OFF_METHODS = ("off", "part", "_send_off")
"""What no driver changes."""

_DEFINITIONS = Path(__file__).parent / "definitions"


def definition_path(name: str) -> Path:
    """Where a shipped definition lies, or where the path given leads.

    Raises:
        UsageError: neither exists; the message lists what ships.
    """
    shipped = _DEFINITIONS / f"{name}.yaml"
    if "/" not in name and shipped.is_file():
        return shipped
    given = Path(name)
    if given.suffix in (".yaml", ".yml") and given.is_file():
        return given
    names = ", ".join(definition_names())
    meant = did_you_mean(name, definition_names())
    rule = f"no instrument definition {name}: give a path to one, or one of {names}{meant}"
    raise UsageError(rule)


def definition_names() -> list[str]:
    """The names of the definitions that ship."""
    return sorted(path.stem for path in _DEFINITIONS.glob("*.yaml"))


class Registry:
    """Drivers by name; ``absent`` holds, for each that could not be imported, why."""

    def __init__(
        self,
        shipped: Mapping[str, str] = SHIPPED,
        offered: Iterable[EntryPoint] | None = None,
    ) -> None:
        self._targets = dict(shipped)
        self.absent: dict[str, str] = {}
        for point in entry_points(group=GROUP) if offered is None else offered:
            if point.name in self._targets:
                raise UsageError(
                    f"two drivers are called {point.name}: {self._targets[point.name]}"
                    f" and {point.value}"
                )
            self._targets[point.name] = point.value

    @property
    def names(self) -> list[str]:
        """Every name known, importable or not."""
        return sorted(self._targets)

    def instrument(self, name: str) -> "type[Instrument]":
        """The class of that name as an instrument: derived from ours, and with our way of switching
        off, whose bytes stand in the definition so that the watchdog can send them without it.

        Raises:
            UsageError: unknown, absent, no instrument, or with an *off* of its own.
        """
        from drivers.instruments.instrument import Instrument

        found = self.driver(name)
        if not issubclass(found, Instrument):
            raise UsageError(f"driver {name}: {self._targets[name]} is not derived from Instrument")
        own = [one for one in OFF_METHODS if getattr(found, one) is not getattr(Instrument, one)]
        if own:
            raise UsageError(
                f"driver {name}: {self._targets[name]} has its own {', '.join(own)}: off is what "
                "the definition says, for the watchdog sends it too"
            )
        return found

    def driver(self, name: str) -> type:
        """The class of that name, imported now.

        Raises:
            UsageError: unknown, or absent, with the reason.
        """
        if name not in self._targets:
            raise UsageError(f"no driver is called {name}: there are {', '.join(self.names)}")
        module, _, attribute = self._targets[name].partition(":")
        try:
            found = getattr(import_module(module), attribute)
        except (ImportError, AttributeError) as error:
            self.absent[name] = f"{type(error).__name__}: {error}"
            raise UsageError(f"driver {name} cannot be had: {self.absent[name]}") from error
        if not isinstance(found, type):
            raise UsageError(f"driver {name}: {self._targets[name]} is no class")
        return found


def instrument_class(name: str) -> "type[Instrument]":
    """The class of the driver that a definition names; those that nobody else brought are had
    without a look at what is installed.

    Raises:
        UsageError: as ``Registry.instrument``.
    """
    if name in SHIPPED:
        return Registry(offered=()).instrument(name)
    return Registry().instrument(name)

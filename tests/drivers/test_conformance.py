"""Every registered driver passes the kit, and the kit notices drivers that should not."""

import re
from pathlib import Path

import pytest

from drivers.conformance import CHECKS, findings
from drivers.instruments.instrument import Instrument
from drivers.registry import Registry
from drivers.test_rig import Case
from sequencer.documents.definition import InstrumentDefinition
from sequencer.source.loading import load
from sequencer.vocabulary.faults import InstrumentError
from tests.drivers.definitions import NAMES, case, definition

FOLDER = Path(__file__).parents[1] / "instruments" / "definitions"
STRANGERS = sorted(FOLDER.glob("*.yaml"))


@pytest.mark.parametrize("name", NAMES)
def test_the_shipped_driver_conforms_with_every_shipped_definition(name):
    """No rule of the kit is broken, in lines and in frames."""
    assert findings(case(name)) == []


@pytest.mark.parametrize("path", STRANGERS, ids=lambda one: one.stem)
def test_the_shipped_driver_conforms_with_the_definitions_of_strangers(path):
    """Echo, prompt, several questions, streams, silence as an end: the same rules; the examples are
    formed of the definition."""
    definition = load(path, InstrumentDefinition).document
    make = lambda name, of, wire: Instrument(name, of, wire, pause=lambda _: None)  # noqa: E731
    assert findings(Case(make, definition)) == []


@pytest.mark.parametrize("driver", Registry().names)
def test_every_registered_driver_conforms(driver):
    """Each driver of the table passes with every definition that names it."""
    found = Registry().driver(driver)
    named = [name for name in NAMES if definition(name).driver == driver]
    assert named
    for name in named:
        make = lambda called, of, wire: found(called, of, wire, pause=lambda _: None)  # noqa: E731
        assert findings(case(name)._replace(make=make)) == []


class AsksAgain(Instrument):
    """Plain retry on the same session: what a late answer needs to be taken for another."""

    def _guarded(self, act, *arguments):
        return act(*arguments)


class TrustsAnyone(Instrument):
    """Never asks who is there."""

    def _make_ready(self):
        if not self.transport.is_open:
            self.open()


class ForgetsWho(Instrument):
    """Accepts another instrument in a later session."""

    def identify(self):
        """Ask anew."""
        self._known = None
        return super().identify()


class SendsOffOnce(Instrument):
    """Off without a line end, once."""

    def _send_off(self):
        for command in self.dialect.lines("safe"):
            self.transport.write(command)


class AsksBeforeOff(Instrument):
    """Identity gates off."""

    def off(self):
        """Switch off."""
        self.identify()
        super().off()


class GivesUpOff(Instrument):
    """Off on the present session or not at all."""

    def off(self):
        """Switch off."""
        if not self.transport.is_open:
            self.open()
        self._send_off()


class BelievesSettings(Instrument):
    """Reads nothing back."""

    def _confirmed(self, operation, value, question):
        return value


class RepeatsSettings(Instrument):
    """Sends a setting twice, to be sure."""

    def _set(self, operation, value, channel):
        super()._set(operation, value, channel)
        return super()._set(operation, value, channel)


class ShrugsAtDifferences(Instrument):
    """Asks back and takes any answer."""

    def _confirmed(self, operation, value, question):
        self._guarded(self.transport.query, question)
        return value


class DrainsForLong(Instrument):
    """Empties the error queue without a bound of its own."""

    def errors(self):
        """Drain."""
        found = []
        for _ in range(3):
            found += super().errors()
        return found


class Guesses(Instrument):
    """Reads replies the generous way."""

    def _ask(self, operation, channel):
        self._make_ready()
        text = self._guarded(self.transport.query, self.dialect.command(operation, None, channel))
        numbers = re.findall(rb"[-+0-9.eE]+", text)
        groups = ("voltage", "current", "output")
        return dict(zip(groups, map(float, numbers), strict=False))


class TurnsSigns(Instrument):
    """Has its own idea of which way current flows."""

    def _ask(self, operation, channel):
        reading = super()._ask(operation, channel)
        return {**reading, "current": -reading["current"]}


BROKEN = [
    (AsksAgain, "an answer that does not fit poisons the session"),
    (TrustsAnyone, "identity is asked before anything else"),
    (TrustsAnyone, "a stranger is told nothing but off"),
    (ForgetsWho, "another instrument is noticed"),
    (SendsOffOnce, "off comes first twice and asks nobody"),
    (AsksBeforeOff, "off comes first twice and asks nobody"),
    (GivesUpOff, "off opens a new session when the old one is dead"),
    (BelievesSettings, "settings are read back"),
    (RepeatsSettings, "settings are read back"),
    (ShrugsAtDifferences, "settings are read back"),
    (DrainsForLong, "the error queue is drained within its bound"),
    (TurnsSigns, "answers are understood"),
    (Guesses, "an answer that does not fit poisons the session"),
    (Guesses, "no value is never a number"),
    (AsksAgain, "a lost link is told and left behind"),
    (AsksAgain, "late answers never answer the next question"),
]


@pytest.mark.parametrize(("driver", "rule"), BROKEN, ids=lambda one: getattr(one, "__name__", one))
def test_the_kit_notices_a_driver_that_breaks_a_rule(driver, rule):
    """Each broken driver is found under the name of the rule that it breaks."""
    make = lambda called, of, wire: driver(called, of, wire, pause=lambda _: None)  # noqa: E731
    found = findings(case("generic-scpi-supply")._replace(make=make))
    assert rule in [one.split(":")[0] for one in found]


@pytest.mark.parametrize(
    ("driver", "rule"),
    [
        (ForgetsWho, "another instrument is noticed"),
        (SendsOffOnce, "off comes first twice and asks nobody"),
        (ShrugsAtDifferences, "settings are read back"),
        (AsksAgain, "an answer that does not fit poisons the session"),
    ],
)
def test_the_kit_notices_it_of_registers_too(driver, rule):
    """The same broken drivers, behind frames."""
    make = lambda called, of, wire: driver(called, of, wire, pause=lambda _: None)  # noqa: E731
    found = findings(case("generic-modbus-supply")._replace(make=make))
    assert rule in [one.split(":")[0] for one in found]


class SendsAnything(Instrument):
    """Writes values without looking at them."""

    def _set(self, operation, value, channel):
        self._make_ready()
        self.transport.write(f"{operation} {value}\n".encode())
        return {}


class SettingTwiceWhenSilent(Instrument):
    """Repeats the setting when its read-back is not answered."""

    def perform(self, operation, value=None, channel=None):
        """Do it."""
        try:
            return super().perform(operation, value, channel)
        except InstrumentError:
            return super().perform(operation, value, channel)


@pytest.mark.parametrize(
    ("driver", "rule"),
    [
        (SendsAnything, "impossible values are not sent"),
        (SettingTwiceWhenSilent, "a setting is never repeated"),
    ],
)
def test_the_kit_notices_careless_settings(driver, rule):
    """Values that are no values, and settings that are sent again."""
    make = lambda called, of, wire: driver(called, of, wire, pause=lambda _: None)  # noqa: E731
    found = findings(case("generic-scpi-supply")._replace(make=make))
    assert rule in [one.split(":")[0] for one in found]


def test_every_rule_of_the_kit_has_a_driver_that_breaks_it():
    """A check that nothing can fail would be no check."""
    proven = {rule for _, rule in BROKEN} | {
        "impossible values are not sent",
        "a setting is never repeated",
    }
    rules = {check.__name__.removeprefix("check_").replace("_", " ") for check in CHECKS}
    assert rules == proven

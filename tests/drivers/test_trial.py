"""One instrument tried by its definition: what is right fits, mistakes are named in place."""

from itertools import count

import pytest

from drivers.instruments.instrument import Instrument
from drivers.instruments.noted_wire import Noting
from drivers.instruments.trial import Trial
from drivers.transports.memory import MemoryTransport
from sequencer.documents.definition import InstrumentDefinition
from sequencer.source.loading import load
from sequencer.vocabulary.faults import RefusedError
from tests.drivers.mistakes import (
    CHANNELS,
    GOAL,
    ROOT,
    FarEnd,
    Mistake,
    carry_out,
    mistakes,
    ohm_of,
    path_of,
)
from tests.drivers.mistakes import trial_of as met

NAMES = sorted({one.definition for one in mistakes()})
DRIVING = ("generic-scpi-supply", "generic-scpi-load", "generic-line-contactor")


def trial_of(name: str, far_end: FarEnd) -> tuple[Trial, MemoryTransport]:
    """A trial of a definition that ships, against that far end."""
    path = ROOT / f"drivers/definitions/{name}.yaml"
    definition = load(path, InstrumentDefinition).document
    memory = MemoryTransport("it", definition.link, far_end.respond)
    wire = Noting(memory)
    instrument = Instrument("it", definition, wire, pause=lambda _s: None)
    return Trial(instrument, wire, CHANNELS.get(name), pause=lambda _s: None), memory


@pytest.mark.parametrize("name", NAMES)
def test_an_instrument_that_is_as_its_definition_says_fits(name):
    """Every exchange; the far end is written apart from the dialects."""
    trial = met(name, load(path_of(name), InstrumentDefinition).document)
    trial.with_output_off()
    trial.with_output_on(ohm_of(name))
    assert [one for one in trial.exchanges if not one.fits] == []


@pytest.mark.parametrize("name", DRIVING)
def test_the_output_comes_on_only_when_that_is_asked_for_and_goes_off_again(name):
    """What was sent, in its order."""
    ons = {b"OUTP ON\n", b"INP ON\n", b"CLOSE\n"}
    offs = {b"OUTP OFF\n", b"INP OFF\n", b"OPEN\n"}
    trial, memory = trial_of(name, FarEnd(name))
    trial.with_output_off()
    assert not ons & set(memory.sent)
    assert memory.sent[1] in offs  # a line end, then off, before anything is asked
    trial.with_output_on()
    switched = [one for one in memory.sent if one in ons | offs]
    assert switched[-1] in offs
    assert sum(one in ons for one in switched) == 1


@pytest.mark.parametrize(("took_s", "fits"), [(0.01, True), (2.0, False)])
def test_an_answer_that_is_slow_for_its_read_time_out_is_told(monkeypatch, took_s, fits):
    """One night it would come too late."""
    monkeypatch.setattr("drivers.instruments.noted_wire.monotonic", count(0.0, took_s).__next__)
    trial, _ = trial_of("generic-scpi-supply", FarEnd("generic-scpi-supply"))
    trial.with_output_off()
    (how_fast,) = [one for one in trial.exchanges if one.tried == "how fast it answers"]
    assert (how_fast.fits, "it will come too late" in how_fast.words) == (fits, not fits)


def test_settings_are_left_as_they_were_found():
    """Those whose value can be read back."""
    far_end = FarEnd("generic-scpi-supply")
    far_end._set |= {"VOLT": 3.3, "CURR": 0.75}
    trial, _ = trial_of("generic-scpi-supply", far_end)
    trial.with_output_off()
    assert (far_end._set["VOLT"], far_end._set["CURR"]) == (3.3, 0.75)
    assert far_end._set["VOLT:PROT"] == 33.0


def test_an_instrument_with_a_cell_at_its_terminals_is_not_tried():
    """Half a volt, and nothing was set."""

    class OnACell(FarEnd):
        def _asked(self, line: str) -> str | None:
            return "3.7000" if line == "MEAS:VOLT?" else super()._asked(line)

    trial, memory = trial_of("generic-scpi-supply", OnACell("generic-scpi-supply"))
    with pytest.raises(RefusedError, match=r"it reads 3\.700 V with everything off"):
        trial.with_output_off()
    assert not [one for one in memory.sent if one.startswith((b"VOLT ", b"CURR ", b"OUTP ON"))]


def test_off_is_sent_also_when_what_it_shows_cannot_be_read():
    """Whatever happened while the output was on."""

    class Falters(FarEnd):
        def _asked(self, line: str) -> str | None:
            return None if self._is_on else super()._asked(line)

    trial, memory = trial_of("generic-scpi-supply", Falters("generic-scpi-supply"))
    trial.with_output_off()
    trial.with_output_on()
    assert [one for one in trial.exchanges if not one.fits]
    assert memory.sent[-1] != b"OUTP ON\n"
    assert memory.sent.index(b"OUTP ON\n") < len(memory.sent) - memory.sent[::-1].index(
        b"OUTP OFF\n"
    )


def entry_of(one: Mistake) -> str:
    """The first line of the entry that the mistake stands in."""
    return one.text.splitlines()[one.first - 1]


def test_single_mistakes_are_named_where_they_stand():
    """An eighth of them, by one seed; the campaign makes all and prints those that are not. What is
    missed is of a reading alone: nothing that is set, switched or sent is missed, but for what
    clears a protection: none has acted in a trial."""
    drawn = list({one.text: one for one in mistakes()}.values())[::8]
    outcomes = [(one, carry_out(one)) for one in drawn]
    assert len(outcomes) > 200
    named = sum(outcome.is_named for _, outcome in outcomes)
    assert named >= GOAL * len(outcomes)
    missed = [one for one, outcome in outcomes if outcome.word == "missed"]
    missed = [one for one in missed if "clear protection:" not in entry_of(one)]
    assert all(word not in one.words for one in missed for word in ("send:", "safe:", "read-back"))


def test_what_answers_the_bare_line_end_before_off_answers_nothing_else():
    """Some instruments answer whatever they do not understand, also an empty line."""

    class AnswersAll(FarEnd):
        def respond(self, data: bytes) -> bytes:
            return b"?\n" if data == b"\n" else super().respond(data)

    trial, memory = trial_of("generic-scpi-load", AnswersAll("generic-scpi-load"))
    instrument = trial._instrument
    instrument.identify()
    instrument.off()
    assert instrument.perform("measure")["output"] is False
    assert memory.sessions == 1


class OnACellLater(FarEnd):
    """Somebody joins a cell while the person is asked to stay."""

    later = False

    def _asked(self, line: str) -> str | None:
        return "3.7000" if self.later and line == "MEAS:VOLT?" else super()._asked(line)


def test_a_cell_that_is_joined_before_the_output_comes_on_is_seen():
    """It is looked for again just before."""
    far_end = OnACellLater("generic-scpi-supply")
    trial, memory = trial_of("generic-scpi-supply", far_end)
    trial.with_output_off()
    far_end.later = True
    with pytest.raises(RefusedError, match="with everything off"):
        trial.with_output_on()
    assert b"OUTP ON\n" not in memory.sent


@pytest.mark.parametrize("which", ["VOLT", "CURR"])
def test_an_output_whose_limit_was_not_taken_does_not_come_on(which):
    """It would come on with whatever was set before."""

    class Stubborn(FarEnd):
        is_stubborn = False

        def _scpi(self, line: str) -> str | None:
            return (
                None if self.is_stubborn and line.startswith(f"{which} ") else super()._scpi(line)
            )

    far_end = Stubborn("generic-scpi-supply")
    trial, memory = trial_of("generic-scpi-supply", far_end)
    trial.with_output_off()
    far_end.is_stubborn, far_end._set[which] = True, 5.0
    trial.with_output_on()
    assert b"OUTP ON\n" not in memory.sent
    assert any(not one.fits for one in trial.exchanges)


def test_a_voltage_that_cannot_be_read_ends_the_trial_of_what_drives():
    """Whether a cell is there is then not known."""

    class Blind(FarEnd):
        def _asked(self, line: str) -> str | None:
            return "nan" if line == "MEAS:VOLT?" else super()._asked(line)

    trial, memory = trial_of("generic-scpi-supply", Blind("generic-scpi-supply"))
    trial.with_output_off()
    trial.with_output_on()
    assert not [one for one in memory.sent if one.startswith((b"VOLT ", b"OUTP ON"))]


def test_an_output_that_does_not_go_off_is_told_as_such():
    """Not seen off is more than an exchange that does not fit."""

    class StaysOn(FarEnd):
        def _scpi(self, line: str) -> str | None:
            return None if line == "OUTP OFF" and self._is_on else super()._scpi(line)

    trial, _ = trial_of("generic-scpi-supply", StaysOn("generic-scpi-supply"))
    trial.with_output_off()
    assert trial.is_seen_off
    trial.with_output_on()
    assert not trial.is_seen_off

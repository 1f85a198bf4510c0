"""The bench is looked at before anything is energised: contactor open, then closed for a moment."""

import pytest

from sequencer.clocks import VirtualClock
from sequencer.inspection import NO_QUESTIONS, Inspection, Questions
from sequencer.vocabulary.commands import RESTING, Command
from sequencer.vocabulary.faults import FaultKind, InstrumentError, RefusedError
from sequencer.vocabulary.sample import ON
from sequencer.vocabulary.verdict import UNPROVEN, Level
from tests.builders import CHANNELS, LIMITS, S
from tests.fakes import PROVEN, LinearCellBench


class Behind(LinearCellBench):
    """A bench whose supply sees the cell only through the contactor; ``sees`` is what it reads."""

    def __init__(self, *, sees=lambda volts: volts, proof=None, leaks_a=0.0):
        super().__init__([])
        self.commands, self.sees, self.proof, self.leaks_a = [], sees, proof, leaks_a
        self.breaks_at = None
        self.closed_ns = []

    def apply(self, command):
        """Obey and remember; or break."""
        self.commands.append(command)
        super().apply(command)

    def prove_off(self):
        """As told, or proven."""
        return self.proof or super().prove_off()

    def read(self, at_ns, late_ns, period_ns):
        """Zero behind the open contactor."""
        seen = super().read(at_ns, late_ns, period_ns)
        closed = seen.contactor_closed == ON
        if self.breaks_at is not None and closed:
            raise self.breaks_at
        if not closed:
            return seen._replace(supply_v=0.0, load_v=0.0)
        self.closed_ns.append(at_ns)
        volts = self.sees(seen.voltage_v)
        return seen._replace(
            supply_v=volts, load_v=volts, current_a=self.leaks_a, supply_a=self.leaks_a
        )


def looked_at(bench, channels=CHANNELS, beats=None, questions=NO_QUESTIONS):
    """The notes of a look at it."""
    notes, clock = [], VirtualClock(S)

    def beat(phase, due_s):
        if beats is not None:
            beats.append((phase, due_s, bench.command.connected))

    def note(*told):
        notes.append(told)

    Inspection(bench, clock, note, LIMITS, channels, questions, beat).insist()
    return notes


def test_the_contactor_is_closed_for_a_moment_with_every_output_off():
    """Once closed, once opened, nothing driven; for longer than idle instruments go unread."""
    bench = Behind()
    notes = dict(looked_at(bench))
    assert bench.commands == [Command(RESTING, connected=True), Command(RESTING, connected=False)]
    assert list(notes) == ["zero", "connected"]
    assert notes["connected"]["supply_v"] == notes["connected"]["voltage_v"]
    assert notes["connected"]["at_ns"] - notes["zero"]["at_ns"] > 2 * S


def test_sense_wires_that_see_no_cell_refuse_the_run_and_the_contactor_opens():
    """Before any current: driven like that the supply would push its output up."""
    bench = Behind(sees=lambda _volts: 0.0)
    with pytest.raises(RefusedError) as refused:
        looked_at(bench)
    assert any("a lead or a sense wire is off" in one for one in refused.value.reasons)
    assert bench.commands[-1] == Command(RESTING, connected=False)


def test_what_is_not_proven_off_is_not_connected():
    """The contactor stays open; what that proof means is judged by whoever asked for it."""
    for proof in (UNPROVEN, PROVEN._replace(contradicted=True)):
        bench = Behind(proof=proof)
        try:
            assert [kind for kind, _ in looked_at(bench)] == ["zero"]
        except RefusedError:
            assert proof.contradicted or proof is UNPROVEN
        assert bench.commands == []


@pytest.mark.parametrize(
    ("announced", "reached", "fits"),
    [
        (Level.A, Level.A, True),
        (Level.A, Level.B, False),
        (Level.B, Level.A, True),
        (Level.B, Level.C, False),
        (Level.C, Level.C, True),
        (None, Level.NONE, True),
    ],
)
def test_off_must_be_proven_as_well_as_was_announced(announced, reached, fits):
    """A contact that parts nothing, or a zero that is current: refused before anything is on."""
    bench = Behind(proof=PROVEN._replace(level=reached))
    questions = Questions(announced)
    if fits:
        looked_at(bench, questions=questions)
        return
    with pytest.raises(RefusedError) as refused:
        looked_at(bench, questions=questions)
    assert f"at level {reached.value} only, and level {announced.value}" in refused.value.reasons[0]


def test_without_a_contactor_nothing_is_switched():
    """There the first look shows it all."""
    bench = LinearCellBench([])
    looked_at(bench, CHANNELS._replace(contactor=False))
    assert not any("apply" in one for one in bench.trace)


def test_an_instrument_that_fails_while_connected_leaves_the_contactor_open():
    """The failure goes on to whoever makes safe."""
    bench = Behind()
    bench.breaks_at = InstrumentError(FaultKind.NO_REPLY, "meter", "no answer")
    with pytest.raises(InstrumentError):
        looked_at(bench)
    assert bench.commands[-1] == Command(RESTING, connected=False)


@pytest.mark.parametrize(("leaks_a", "most_s"), [(3.1, 0.0), (0.5, 2.2), (float("nan"), 0.0)])
def test_a_supply_that_only_says_that_it_is_off_drives_the_cell_no_longer_than_in_a_rest(
    leaks_a, most_s
):
    """The open contactor had hidden it. Each reading is judged: more than the cell bears, or no
    reading at all, opens at once; less once a rest has had its two seconds to settle."""
    bench = Behind(leaks_a=leaks_a)
    with pytest.raises(RefusedError) as refused:
        looked_at(bench)
    assert "with the contactor closed and every output off: current" in refused.value.reasons[0]
    assert (bench.closed_ns[-1] - bench.closed_ns[0]) / S <= most_s
    assert bench.commands[-1] == Command(RESTING, connected=False)


def test_the_heartbeat_is_as_short_as_in_a_run_while_the_contactor_is_closed():
    """An executive that freezes there is replaced within three seconds, not in half a minute."""
    beats = []
    looked_at(Behind(), beats=beats)
    assert {phase for phase, _, _ in beats} == {"checking"}
    assert beats[0][1] < 3.0  # before it closes
    assert all(due_s < 3.0 for _, due_s, closed in beats if closed)
    assert beats[-1] == ("checking", 30.0, False)

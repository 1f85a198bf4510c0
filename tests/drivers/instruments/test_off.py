"""Off and its proof over scripted instruments on loopback sockets: gone, lying, late."""

import pytest

from sequencer.vocabulary.commands import RESTING, Command
from sequencer.vocabulary.faults import FaultKind, InstrumentError
from sequencer.vocabulary.sample import OFF
from sequencer.vocabulary.verdict import Level
from tests.drivers.instruments.standing import CHARGE, DISCHARGE, REST, SECOND_NS, kinds

# -- off, and its proof


def test_off_over_live_sessions(rig, scripted):
    """Everything answers: level A, no fresh session needed."""
    rig.ready(CHARGE).tick()
    opened = {name: server.opened for name, server in scripted.servers.items()}
    proof = rig.bench.make_safe()
    assert (proof.level, proof.is_off) == (Level.A, True)
    assert "breaker feedback open" in proof.evidence
    assert {name: server.opened for name, server in scripted.servers.items()} == opened
    lines = scripted["psu"].lines
    assert lines[lines.index("OUTP OFF") - 1 :][:3] == ["", "OUTP OFF", "OUTP OFF"]
    assert lines.count("MEAS:VOLT?;:MEAS:CURR?;:OUTP?") >= 2


def test_proof_at_a_changeover_cites_the_numbers(rig):
    """The contactor may stay closed: level B, with what each instrument can see."""
    rig.ready(CHARGE).tick()
    rig.bench.apply(Command(RESTING, connected=True))
    proof = rig.bench.prove_off()
    assert (proof.level, proof.is_off) == (Level.B, True)
    assert "psu reads 3.700 V, reads 0.000 A (at most 20 mA), output off" in proof.evidence
    assert proof.honest_a == pytest.approx(0.020)


def test_proof_while_driving_is_contradicted(rig):
    """Nothing is commanded, and what contradicts off is found."""
    rig.ready(CHARGE).tick()
    proof = rig.bench.prove_off()
    assert proof.contradicted
    assert rig.scripted.circuit.supply_on


@pytest.mark.parametrize("how", ["mute", "die", "drop"])
@pytest.mark.parametrize("without", [(), ("breaker",)])
def test_a_driving_supply_that_is_gone(hasty, scripted, how, without):
    """With a contactor off is proven all the same; without one a dead supply proves nothing. A
    session that merely dropped is opened afresh and obeys."""
    standing = hasty(*without).ready(CHARGE)
    standing.tick()
    if how == "mute":
        scripted["psu"].mute = True
    else:
        getattr(scripted["psu"], how)()
    proof = standing.bench.make_safe()
    assert proof.is_off == (not without or how == "drop")
    if not without:
        assert not scripted.circuit.closed


def test_an_ignored_off_without_contactor_is_never_called_off(hasty, scripted):
    """Told again and again, and still on: contradicted."""
    standing = hasty("breaker").ready(CHARGE)
    standing.tick()
    scripted["psu"].ignore.add("OUTP")
    proof = standing.bench.make_safe()
    assert proof.contradicted
    assert not proof.is_off
    assert scripted["psu"].lines.count("OUTP OFF") >= 4


def test_a_lying_feedback_is_contradicted_by_the_current(hasty, scripted):
    """The contact welded, its feedback stuck at open, the supply ignoring off."""
    standing = hasty().ready(CHARGE)
    standing.tick()
    scripted["psu"].ignore.add("OUTP")
    scripted["breaker"].ignore.add("OPEN")
    scripted.feedback_lies = True
    assert standing.bench.make_safe().contradicted


def test_a_dead_load_is_not_taken_for_off_although_it_was_seen_off_before(hasty, scripted):
    """Somebody may have switched it on since, and it cannot be asked: nothing is proven."""
    standing = hasty("breaker").ready()
    standing.ticks(2)
    standing.bench.apply(CHARGE)
    standing.tick()
    scripted["eload"].die()
    proof = standing.bench.make_safe()
    assert (proof.level, proof.is_off) == (Level.NONE, False)


def test_an_idle_supply_that_comes_on_and_falls_silent_is_not_called_off(hasty, scripted):
    """Switched on at its panel while the cell rests, then its link is cut: it goes on charging."""
    standing = hasty("breaker").ready()
    standing.ticks(3)
    scripted.circuit.supply_set, scripted.circuit.supply_on = [4.2, 1.0], True
    scripted["psu"].die()
    proof = standing.bench.make_safe()
    assert scripted.circuit.current_a == 1.0
    assert (proof.level, proof.is_off) == (Level.NONE, False)


def test_a_voltage_that_rises_after_charging_supports_nothing(hasty, scripted):
    """With the charging current gone the cell's voltage cannot rise by 50 mV: level C only."""
    standing = hasty("breaker").ready(CHARGE)
    standing.tick()
    scripted["dmm"].garble = lambda line, said: "3.8000" if line == "READ?" else said
    proof = standing.bench.make_safe()
    assert (proof.level, proof.is_off) == (Level.C, False)


def deny(scripted):
    """The supply ignores off and says that it is off and gives nothing."""
    scripted["psu"].ignore.add("OUTP")
    scripted["psu"].garble = lambda line, said: (
        "3.700;0.000;0" if line.startswith("MEAS") else "0" if line == "OUTP?" else said
    )


def test_a_supply_that_denies_is_caught_by_the_voltage(hasty, scripted):
    """It says off and zero, but the cell's voltage does not step back by what the same current
    made it step before (50 mV at 1 A): its word alone is level C."""
    standing = hasty("breaker").ready()
    standing.tick()
    standing.bench.apply(CHARGE)
    standing.ticks(2)
    deny(scripted)
    proof = standing.bench.make_safe()
    assert (proof.level, proof.is_off) == (Level.C, False)
    assert "dmm reads 3.750 V, was 3.750 V under 1.000 A" in proof.evidence


def test_a_supply_that_denies_at_the_end_of_a_step_is_told(hasty, scripted):
    """Rest was commanded and the supply says that it is off; ten seconds later the voltage still
    stands where it stood under current. Nothing else may be driven meanwhile."""
    standing = hasty("breaker").ready()
    standing.tick()
    standing.bench.apply(CHARGE)
    standing.ticks(2)
    deny(scripted)
    standing.bench.apply(REST)
    assert [kinds(sample) for sample in standing.ticks(10)] == [[]] * 10
    assert kinds(standing.tick()) == [(FaultKind.OUTPUT_DIFFERS, "psu", "")]
    with pytest.raises(InstrumentError, match=r"it says off, but the cell reads 3\.750 V"):
        standing.bench.apply(DISCHARGE)
    assert not standing.bench.make_safe().is_off


def test_a_true_end_of_a_step_contradicts_nothing(hasty):
    """The voltage steps back: the supply is off, and what it was before is forgotten."""
    standing = hasty("breaker").ready()
    standing.tick()
    for command in (CHARGE, REST, DISCHARGE, REST, CHARGE, REST):
        standing.bench.apply(command)
        assert [kinds(sample) for sample in standing.ticks(13)] == [[]] * 13
    assert standing.bench.prove_off().honest_a == pytest.approx(0.020)


def test_a_lead_that_opened_before_off_leaves_no_step_to_see(hasty, scripted):
    """The current was gone while the load was still on, and its terminals fell to nothing: off
    changes no voltage, and the load's word, its zero and the meter stand."""
    standing = hasty("breaker").ready()
    standing.tick()
    standing.bench.apply(DISCHARGE)
    standing.ticks(2)
    scripted["eload"].garble = lambda line, said: (
        f"0.002;0.000;{said[-1]}" if line.startswith("MEAS") else said
    )
    scripted["psu"].garble = lambda line, said: "0.001;0.000;0" if line.startswith("MEAS") else said
    scripted["dmm"].garble = lambda line, said: "3.6900" if line == "READ?" else said
    standing.ticks(3)
    proof = standing.bench.make_safe()
    assert (proof.level, proof.is_off) == (Level.B, True)


def test_a_voltage_that_steps_back_bounds_what_a_lying_supply_gives(hasty, scripted):
    """Step seen 50 mV/A, margin 5 mV + 2 x (0.5 mV + 0.1 mV): the step back of 50 mV shows through
    twice that resistance that 0.438 A are gone (worked here)."""
    standing = hasty("breaker").ready()
    standing.tick()
    standing.bench.apply(CHARGE)
    standing.ticks(2)
    proof = standing.bench.make_safe()
    assert (proof.level, proof.is_off) == (Level.B, True)
    assert proof.lying_a == pytest.approx(1.0 - (0.050 - 0.0062) / 0.1)


def test_our_own_bug_trips_instead_of_ending_the_lane(rig, monkeypatch):
    """Any exception of a driver becomes a fault that trips at once; the lane goes on."""
    rig.ready(CHARGE).tick()

    def broken(*_):
        raise AttributeError("our own")

    lane = rig.bench._lanes["dmm"]
    monkeypatch.setattr(lane._instrument, "perform", broken)
    assert kinds(rig.tick()) == [(FaultKind.LINK_LOST, "dmm", "voltage_v")]
    monkeypatch.undo()
    assert rig.tick().faults == ()


def test_a_bug_of_ours_in_the_proof_leads_to_fresh_links(rig, scripted, monkeypatch):
    """Whatever a lane meets while it is asked what it sees: making safe goes on, and proves off."""
    rig.ready(CHARGE).tick()

    def broken(*_given):
        raise RuntimeError("a bug")

    monkeypatch.setattr("drivers.instruments.live.witness", broken)
    opened = scripted["psu"].opened
    proof = rig.bench.make_safe()
    assert (proof.level, proof.is_off) == (Level.A, True)
    assert scripted["psu"].opened == opened + 1
    assert not scripted.circuit.supply_on


def test_off_goes_before_what_is_waiting(hasty, scripted):
    """A lane with questions queued up drops them for off."""
    standing = hasty().ready(CHARGE)
    standing.tick()
    scripted["psu"].mute = True
    standing.bench.read(standing.clock.now_ns() + SECOND_NS, 0, 2_000_000)  # waits 1 ms, leaves it
    proof = standing.bench.make_safe()
    assert proof.is_off
    assert not scripted.circuit.supply_on


def test_readings_go_on_after_off(hasty, scripted):
    """Sampling after a trip uses new sessions where the old ones were given up."""
    standing = hasty().ready(CHARGE)
    standing.tick()
    scripted["psu"].mute = True
    assert standing.bench.make_safe().is_off
    scripted["psu"].mute = False
    sample = standing.ticks(2)[-1]
    assert sample.faults == ()
    assert (sample.supply_on, sample.contactor_closed, sample.voltage_v) == (OFF, OFF, 3.7)


def test_closing_twice_and_after_death_returns(hasty, scripted):
    """Closing waits for nobody."""
    standing = hasty().ready(CHARGE)
    for server in scripted.servers.values():
        server.die()
    standing.bench.close()
    standing.bench.close()

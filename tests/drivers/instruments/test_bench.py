"""The bench port over scripted instruments on loopback sockets: order, readings, faults, off."""

import math

import pytest

from drivers import safing
from drivers.instruments.bench import WiredBench
from sequencer.clocks import VirtualClock
from sequencer.vocabulary.commands import RESTING, Command, Direction, Drive
from sequencer.vocabulary.faults import FaultKind, InstrumentError, RefusedError
from sequencer.vocabulary.sample import OFF, ON
from sequencer.vocabulary.verdict import Level
from tests.drivers.instruments.scripted import DEFINITIONS, ScriptedBench

SECOND_NS = 1_000_000_000
CHARGE = Command(Drive(Direction.CHARGE, 1.0, 4.2), connected=True)
DISCHARGE = Command(Drive(Direction.DISCHARGE, 2.0, 3.0), connected=True)
REST = Command(RESTING, connected=False)


def quick(definition):
    """The same instrument with less patience, where silence is the point."""
    link = definition.link.model_copy(update={"read_time_out": 0.1})
    return definition.model_copy(update={"link": link})


class Stand:
    """A wired bench on scripted instruments, in virtual time."""

    def __init__(self, scripted, *without, patient=True):
        self.scripted = scripted
        self.clock = VirtualClock(SECOND_NS)
        definitions = {
            name: one if patient else quick(one)
            for name, one in DEFINITIONS.items()
            if name not in without
        }
        self.bench = WiredBench(scripted.document(*without), definitions, self.clock)

    def ready(self, command=None):
        """Identified, and driving when a command is given; what was said before is forgotten."""
        self.bench.identify()
        if command is not None:
            self.bench.apply(command)
        for server in self.scripted.servers.values():
            server.lines.clear()
        return self

    def tick(self, seconds=1.0):
        """The next sample."""
        self.clock.wait_until(self.clock.now_ns() + int(seconds * SECOND_NS))
        return self.bench.read(self.clock.now_ns(), 0, SECOND_NS)

    def ticks(self, count):
        """Several samples, a second apart."""
        return [self.tick() for _ in range(count)]


@pytest.fixture
def scripted():
    """Five scripted instruments, the contactor closed and the supply on, as somebody left them."""
    with ScriptedBench() as bench:
        bench.circuit.supply_on, bench.circuit.supply_set = True, [4.2, 1.0]
        yield bench


@pytest.fixture
def stand(scripted):
    """A patient bench with everything."""
    standing = Stand(scripted)
    yield standing
    standing.bench.close()


@pytest.fixture
def hasty(scripted, monkeypatch):
    """Benches with little patience, made on demand."""
    monkeypatch.setattr(safing, "REPLY_S", 0.15)
    monkeypatch.setattr(safing, "OPEN_S", 0.2)
    monkeypatch.setattr(safing, "TOTAL_S", 0.6)
    made = []

    def make(*without):
        made.append(Stand(scripted, *without, patient=False))
        return made[-1]

    yield make
    for standing in made:
        standing.bench.close()


def kinds(sample):
    """Kind, culprit and channel of every fault."""
    return [(one.kind, one.culprit, one.channel) for one in sample.faults]


# -- before anything is energised


def test_off_comes_before_identity(stand):
    """Whatever was left on goes off before anybody is asked who they are."""
    identities = stand.bench.identify()
    assert [(one.instrument, one.model, one.serial) for one in identities] == [
        ("psu", "Supply", "S1"),
        ("eload", "Load", "L1"),
        ("dmm", "Meter", "M1"),
        ("logger", "Logger", "T1"),
        ("breaker", "Contactor", "K1"),
    ]
    lines = stand.scripted["psu"].lines
    assert lines[:4] == ["", "OUTP OFF", "OUTP OFF", "*IDN?"]
    assert not stand.scripted.circuit.supply_on
    assert not stand.scripted.circuit.closed


def test_every_reason_to_refuse_is_told_at_once(hasty):
    """A wrong instrument, a dead one and an output that stays on: one refusal with all three."""
    standing = hasty()
    scripted = standing.scripted
    scripted["dmm"].garble = lambda line, reply: "Somebody else" if "IDN" in line else reply
    scripted["logger"].die()
    scripted["psu"].ignore.add("OUTP")
    with pytest.raises(RefusedError) as refusal:
        standing.bench.identify()
    reasons = "\n".join(refusal.value.reasons)
    assert "dmm: 'Somebody else' answers, which is no generic-scpi-multimeter" in reasons
    assert "logger: link lost" in reasons
    assert "psu: its output is on after it was switched off" in reasons


def test_another_serial_number_is_refused(scripted):
    """Two instruments of one kind swapped on their ports are told apart."""
    document = scripted.document()
    supply = document.instruments["psu"].model_copy(update={"serial_number": "S2"})
    swapped = document.model_copy(update={"instruments": {**document.instruments, "psu": supply}})
    bench = WiredBench(swapped, DEFINITIONS, VirtualClock())
    with pytest.raises(RefusedError, match="serial number S1 answers, the bench document says S2"):
        bench.identify()
    bench.close()


def test_protections_lie_beyond_bound_leads_and_errors(stand):
    """Over-voltage: 4.25 V + 2 A x 40 mOhm + the supply's limit of error there (0.05 % + 5 mV + one
    count of 1 mV) + read-back tolerance 20 mV; under-voltage likewise below (worked here)."""
    stand.ready().bench.protect(4.25, 2.0, 2.5, 5.0)
    assert stand.scripted.circuit.overvoltage == pytest.approx(
        4.25 + 2.0 * 0.040 + 0.0005 * 4.25 + 0.005 + 0.001 + 0.020, abs=0.0006
    )
    assert stand.scripted.circuit.undervoltage == pytest.approx(
        2.5 - 5.0 * 0.040 - (0.0005 * 2.5 + 0.010 + 0.001), abs=0.0006
    )


# -- commands


def test_the_contactor_closes_before_the_output_goes_on(stand, scripted):
    """Both outputs off, contact closed by its own feedback, settings read back, then on."""
    order = []
    for server in scripted.servers.values():
        server.garble = lambda line, reply: (order.append(line), reply)[1]
        answer = server.answer
        server.answer = lambda line, answer=answer: (order.append(line), answer(line))[1]
    stand.bench.identify()
    order.clear()
    stand.bench.apply(CHARGE)
    told = [line for line in order if not line.endswith("?")]
    assert sorted(told[:2]) == ["INP OFF", "OUTP OFF"]
    assert told[2:] == ["CLOSE", "VOLT 4.200", "CURR 1.000", "OUTP ON"]
    assert order.index("STATE?") < order.index("OUTP ON")


def test_a_setting_is_rounded_down_and_never_repeated(stand, scripted):
    """4.1999 V on a supply of 1 mV steps is 4.199 V; the same command again sends no setting."""
    stand.ready(Command(Drive(Direction.CHARGE, 0.9999, 4.1999), connected=True))
    assert scripted.circuit.supply_set == [4.199, 0.999]
    stand.bench.apply(Command(Drive(Direction.CHARGE, 0.9999, 4.1999), connected=True))
    assert [line for line in scripted["psu"].lines if "?" not in line] == []
    stand.bench.apply(Command(Drive(Direction.CHARGE, 0.5, 4.1999), connected=True))
    assert [line for line in scripted["psu"].lines if "?" not in line] == ["CURR 0.500"]


def test_turning_round_breaks_before_it_makes(stand, scripted):
    """From charge to discharge: the supply is off, by its read-back, before the load goes on."""
    stand.ready(CHARGE)
    order = []
    for name in ("psu", "eload"):
        answer = scripted[name].answer
        scripted[name].answer = lambda line, answer=answer: (order.append(line), answer(line))[1]
    stand.bench.apply(DISCHARGE)
    assert order.index("OUTP OFF") < order.index("OUTP?") < order.index("INP ON")
    circuit = scripted.circuit
    assert (circuit.supply_on, circuit.load_on, circuit.closed) == (False, True, True)


def test_rest_switches_off_before_it_opens(stand, scripted):
    """A contactor that parts a current wears; off comes first."""
    stand.ready(DISCHARGE)
    stand.bench.apply(REST)
    circuit = scripted.circuit
    assert (circuit.supply_on, circuit.load_on, circuit.closed) == (False, False, False)


def test_nothing_is_driven_through_an_open_contactor(stand):
    """Our own bug, told before anything moves."""
    with pytest.raises(ValueError, match="open contactor"):
        stand.ready().bench.apply(Command(Drive(Direction.CHARGE, 1.0, 4.2), connected=False))


@pytest.mark.parametrize(
    ("ignored", "kind"),
    [
        ("CURR", FaultKind.SETTING_DIFFERS),
        ("OUTP", FaultKind.OUTPUT_DIFFERS),
    ],
)
def test_what_is_not_obeyed_is_an_error(stand, scripted, ignored, kind):
    """A setting or a switching that the read-back does not confirm."""
    stand.ready()
    scripted["psu"].ignore.add(ignored)
    with pytest.raises(InstrumentError) as error:
        stand.bench.apply(Command(Drive(Direction.CHARGE, 0.7, 4.2), connected=True))
    assert (error.value.kind, error.value.culprit) == (kind, "psu")


def test_a_contactor_that_does_not_close_keeps_the_output_off(stand, scripted):
    """Its feedback says open after the command: nothing is switched on."""
    stand.ready()
    scripted["breaker"].ignore.add("CLOSE")
    with pytest.raises(InstrumentError, match="breaker"):
        stand.bench.apply(CHARGE)
    assert not scripted.circuit.supply_on


def test_a_setting_beyond_the_instrument_is_an_error(stand):
    """7 A on a 5 A supply is refused, not clipped."""
    with pytest.raises(InstrumentError, match="lies beyond 0 to 5"):
        stand.ready().bench.apply(Command(Drive(Direction.CHARGE, 7.0, 4.2), connected=True))


# -- readings


def test_a_sample_while_charging(stand):
    """Every field, with the time at which it was asked; current is positive."""
    sample = stand.ready(CHARGE).tick()
    now = stand.clock.now_ns()
    assert (sample.at_ns, sample.voltage_v, sample.voltage_at_ns) == (now, 3.75, now)
    assert (sample.current_a, sample.current_at_ns) == (1.0, now)
    assert (sample.supply_v, sample.supply_a, sample.supply_at_ns) == (3.75, 1.0, now)
    assert (sample.load_a, sample.surface_c, sample.surface_at_ns) == (0.0, 24.5, now)
    assert (sample.supply_on, sample.load_on, sample.contactor_closed) == (ON, OFF, ON)
    assert math.isnan(sample.room_c)
    assert sample.faults == ()


def test_discharging_is_negative(stand):
    """The load's current is positive into the load and discharges the cell."""
    sample = stand.ready(DISCHARGE).tick()
    assert (sample.current_a, sample.load_a) == (-2.0, 2.0)


def test_an_offset_of_what_is_off_is_no_current(stand, scripted):
    """An idle load that shows 5 mA (it tells 6.1 mA from zero) takes nothing off the charge; one
    that is off and shows 100 mA does."""
    shown = ["0.005"]
    scripted["eload"].garble = lambda line, reply: (
        f"3.750;{shown[0]};0" if line.startswith("MEAS") else reply
    )
    stand.ready(CHARGE)
    assert stand.tick().current_a == 1.0
    shown[0] = "0.100"
    assert stand.ticks(2)[-1].current_a == pytest.approx(0.9)


def test_who_is_idle_is_asked_less_often_and_stays_young(stand, scripted):
    """The load while charging: every other second; never three seconds old."""
    samples = stand.ready(CHARGE).ticks(10)
    assert scripted["psu"].lines.count("MEAS:VOLT?;:MEAS:CURR?;:OUTP?") == 10
    assert scripted["eload"].lines.count("MEAS:VOLT?;:MEAS:CURR?;:INP?") == 5
    assert max(one.at_ns - one.load_at_ns for one in samples) < 3 * SECOND_NS


@pytest.mark.parametrize("reply", ["9.91E37", "+9.9E37"])
def test_no_value_keeps_the_old_one_and_its_time(stand, scripted, reply):
    """Not-a-number and infinity of SCPI-1999 are a state, not a number."""
    before = stand.ready(CHARGE).tick()
    scripted["dmm"].garble = lambda line, said: reply if line == "READ?" else said
    after = stand.tick()
    assert (after.voltage_v, after.voltage_at_ns) == (before.voltage_v, before.voltage_at_ns)
    assert kinds(after) == [(FaultKind.INVALID_READING, "dmm", "voltage_v")]
    scripted["dmm"].garble = lambda line, said: said
    assert stand.tick().faults == ()


def test_a_sensor_that_came_off_is_said(stand, scripted):
    """The definition's marker for a disconnected sensor."""
    stand.ready(CHARGE)
    scripted["logger"].garble = lambda line, said: "T1 OPEN" if line == "T1?" else said
    assert kinds(stand.tick()) == [(FaultKind.INVALID_READING, "logger", "surface_c")]


@pytest.mark.parametrize("spoilt", ["3.7;1.0", "garbage", "3.75;1.000;1;0"])
def test_an_answer_that_does_not_fit_poisons_the_session(stand, scripted, spoilt):
    """Nothing counts until a fresh session has told who it is; then all is well again."""
    before = stand.ready(CHARGE).tick()
    opened = scripted["psu"].opened
    scripted["psu"].garble = lambda line, said: spoilt if line.startswith("MEAS") else said
    after = stand.tick()
    assert kinds(after) == [(FaultKind.POISONED, "psu", "supply_a")]
    assert (after.supply_a, after.supply_at_ns) == (before.supply_a, before.supply_at_ns)
    scripted["psu"].garble = lambda line, said: said
    scripted["psu"].lines.clear()
    assert stand.tick().faults == ()
    assert scripted["psu"].opened == opened + 1
    assert scripted["psu"].lines[0] == "*IDN?"


def test_sessions_are_not_lost_for_ever(hasty, scripted):
    """Three sessions lost, and the instrument counts as gone: LINK_LOST, which trips at once."""
    standing = hasty().ready(CHARGE)
    scripted["psu"].mute = True
    seen = [kinds(standing.tick()) for _ in range(6)]
    assert seen[0] == [(FaultKind.NO_REPLY, "psu", "supply_a")]
    assert seen[-1] == [(FaultKind.LINK_LOST, "psu", "supply_a")]
    assert scripted["psu"].opened == 1 + 3


def test_an_instrument_that_rebooted_has_lost_its_settings(stand, scripted):
    """A new session compares every setting with what it was set to; none is sent again."""
    stand.ready(CHARGE)
    scripted.circuit.supply_set = [0.0, 0.0]
    scripted.circuit.supply_on = False
    scripted["psu"].drop()
    kinds_seen = [kind for _ in range(2) for kind, *_ in kinds(stand.tick())]
    assert FaultKind.SETTING_DIFFERS in kinds_seen
    assert scripted.circuit.supply_set == [0.0, 0.0]
    assert not scripted.circuit.supply_on


def test_another_instrument_behind_a_new_session_is_told(stand, scripted):
    """Identity changed: somebody swapped plugs."""
    stand.ready(CHARGE).tick()
    scripted["dmm"].garble = lambda line, said: "Loopback,Meter,M9,1.0" if line == "*IDN?" else said
    scripted["dmm"].drop()
    kinds_seen = [kind for _ in range(2) for kind, *_ in kinds(stand.tick())]
    assert FaultKind.IDENTITY_CHANGED in kinds_seen


def test_an_error_in_the_queue_is_told_once(stand, scripted):
    """Looked for every half minute of bench time."""
    stand.ready(CHARGE).ticks(2)
    queue = ['-222,"Data out of range"']
    scripted["psu"].garble = lambda line, said: (
        queue.pop() if line == "SYST:ERR?" and queue else said
    )
    found = [fault for sample in stand.ticks(31) for fault in sample.faults]
    assert [(one.kind, one.culprit, one.detail) for one in found] == [
        (FaultKind.ERROR_QUEUE, "psu", "-222, Data out of range")
    ]


def test_a_knob_that_somebody_turned_is_told(stand, scripted):
    """A setting changed by nobody, within half a minute of bench time."""
    stand.ready(CHARGE).ticks(2)
    scripted.circuit.supply_set[1] = 2.0
    found = [one for sample in stand.ticks(31) for one in kinds(sample)]
    assert [kind for kind, *_ in found] == [FaultKind.SETTING_DIFFERS]


# -- off, and its proof


def test_off_over_live_sessions(stand, scripted):
    """Everything answers: level A, no fresh session needed."""
    stand.ready(CHARGE).tick()
    opened = {name: server.opened for name, server in scripted.servers.items()}
    proof = stand.bench.make_safe()
    assert (proof.level, proof.is_off) == (Level.A, True)
    assert "breaker feedback open" in proof.evidence
    assert {name: server.opened for name, server in scripted.servers.items()} == opened
    assert scripted["psu"].lines[-4:-1] == ["", "OUTP OFF", "OUTP OFF"]


def test_proof_at_a_changeover_cites_the_numbers(stand):
    """The contactor may stay closed: level B, with what each instrument can see."""
    stand.ready(CHARGE).tick()
    stand.bench.apply(Command(RESTING, connected=True))
    proof = stand.bench.prove_off()
    assert (proof.level, proof.is_off) == (Level.B, True)
    assert "psu reads 3.700 V, reads 0.000 A (resolves 20.5 mA), output off" in proof.evidence
    assert proof.resolution_a == pytest.approx(0.0205)


def test_proof_while_driving_is_contradicted(stand):
    """Nothing is commanded, and nobody is fooled."""
    stand.ready(CHARGE).tick()
    proof = stand.bench.prove_off()
    assert proof.contradicted
    assert stand.scripted.circuit.supply_on


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


def test_a_dead_load_while_charging_without_contactor_is_excused(hasty, scripted):
    """It was seen off before and never switched on: the supply's proof and the meter stand."""
    standing = hasty("breaker").ready()
    standing.ticks(2)
    standing.bench.apply(CHARGE)
    standing.tick()
    scripted["eload"].die()
    proof = standing.bench.make_safe()
    assert (proof.level, proof.is_off) == (Level.B, True)
    assert "eload was proven off before and not switched on since" in proof.evidence


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


def test_a_voltage_that_steps_back_states_what_it_could_see(hasty, scripted):
    """Step seen 50 mV/A, margin 5 mV + 2 x (0.5 mV + 0.1 mV): a step must exceed twice the margin
    at half that resistance to be asked for, so 4 x 6.2 mV / 50 mOhm (worked here)."""
    standing = hasty("breaker").ready()
    standing.tick()
    standing.bench.apply(CHARGE)
    standing.ticks(2)
    proof = standing.bench.make_safe()
    assert (proof.level, proof.is_off) == (Level.B, True)
    assert proof.resolution_a == pytest.approx(4 * 0.0062 / 0.050)


def test_our_own_bug_trips_instead_of_ending_the_lane(stand, monkeypatch):
    """Whatever escapes a driver becomes a fault that trips at once; the lane lives on."""
    stand.ready(CHARGE).tick()

    def broken(*_):
        raise AttributeError("our own")

    lane = stand.bench._lanes["dmm"]
    monkeypatch.setattr(lane._instrument, "perform", broken)
    assert kinds(stand.tick()) == [(FaultKind.LINK_LOST, "dmm", "voltage_v")]
    monkeypatch.undo()
    assert stand.tick().faults == ()


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

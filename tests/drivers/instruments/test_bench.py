"""The bench port over scripted instruments on loopback sockets: order, readings, faults."""

import math

import pytest

from drivers.instruments.bench import WiredBench
from sequencer.clocks import VirtualClock
from sequencer.ports import ProtectionBounds
from sequencer.vocabulary.commands import Command, CurrentLimitRow, Direction, Drive, Held
from sequencer.vocabulary.faults import FaultKind, InstrumentError, RefusedError
from sequencer.vocabulary.sample import OFF, ON
from tests.drivers.instruments.scripted import DEFINITIONS
from tests.drivers.instruments.standing import CHARGE, DISCHARGE, REST, SECOND_NS, kinds

# -- before anything is energised


def test_off_comes_before_identity(rig):
    """Whatever was left on goes off before anybody is asked who they are."""
    identities = rig.bench.identify()
    assert [(one.instrument, one.model, one.serial) for one in identities] == [
        ("psu", "Supply", "S1"),
        ("eload", "Load", "L1"),
        ("dmm", "Meter", "M1"),
        ("logger", "Logger", "T1"),
        ("breaker", "Contactor", "K1"),
    ]
    lines = rig.scripted["psu"].lines
    assert lines[:4] == ["", "OUTP OFF", "OUTP OFF", "*IDN?"]
    assert not rig.scripted.circuit.supply_on
    assert not rig.scripted.circuit.closed


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
    assert "dmm: reply does not fit its question: 'Somebody else' answers, which is no" in reasons
    keys = "definition generic-scpi-multimeter, identity, pattern"
    assert rf"{keys}: identity: sent '*IDN?\n', received 'Somebody else', expected (?P<m" in reasons
    assert "logger: link lost" in reasons
    assert "psu: output state differs: its output is on after it was switched off" in reasons


def test_another_serial_number_is_refused(scripted):
    """Two instruments of one kind swapped on their ports are told apart."""
    document = scripted.document()
    supply = document.instruments["psu"].model_copy(update={"serial_number": "S2"})
    swapped = document.model_copy(update={"instruments": {**document.instruments, "psu": supply}})
    bench = WiredBench(swapped, DEFINITIONS, VirtualClock())
    with pytest.raises(RefusedError, match="serial number S1 answers, the bench document says S2"):
        bench.identify()
    bench.close()


def test_protections_lie_beyond_bound_leads_and_errors(rig):
    """Over-voltage: 4.25 V + 2 A x 40 mOhm + the supply's limit of error there (0.05 % + 5 mV + one
    count of 1 mV) + read-back tolerance 20 mV; under-voltage likewise below (worked here)."""
    rig.ready().bench.protect(ProtectionBounds(4.25, 2.0, 2.5, 5.0))
    assert rig.scripted.circuit.overvoltage == pytest.approx(
        4.25 + 2.0 * 0.040 + 0.0005 * 4.25 + 0.005 + 0.001 + 0.020, abs=0.0006
    )
    assert rig.scripted.circuit.undervoltage == pytest.approx(
        2.5 - 5.0 * 0.040 - (0.0005 * 2.5 + 0.010 + 0.001), abs=0.0006
    )
    # The contactor's own watchdog: 5 s, as the shipped definition writes numbers.
    assert rig.scripted.watchdog == "5.000"


def test_a_bound_on_the_over_voltage_protection_holds_whatever_leads_and_errors_are(rig):
    """A cell for far more than the usual voltage: at or below its ceiling, to the count."""
    rig.ready().bench.protect(ProtectionBounds(4.42, 2.0, 2.5, 5.0, 4.42))
    assert rig.scripted.circuit.overvoltage == pytest.approx(4.42, abs=1e-9)


def test_a_protection_that_is_read_back_above_its_bound_is_refused(rig):
    """5 mV above is within what its definition tolerates, and above the cell's ceiling."""
    rig.ready()
    rig.scripted["psu"].garble = lambda line, reply: "4.425" if line == "VOLT:PROT?" else reply
    with pytest.raises(InstrumentError, match=r"read back as 4\.425 V, above 4\.420 V") as told:
        rig.bench.protect(ProtectionBounds(4.42, 2.0, 2.5, 5.0, 4.42))
    assert told.value.kind is FaultKind.SETTING_DIFFERS


# -- commands


def test_the_contactor_closes_before_the_output_goes_on(rig, scripted):
    """Both outputs off, contact closed by its own feedback, settings read back, then on."""
    order = []
    for server in scripted.servers.values():
        server.garble = lambda line, reply: (order.append(line), reply)[1]
        answer = server.answer
        server.answer = lambda line, answer=answer: (order.append(line), answer(line))[1]
    rig.bench.identify()
    order.clear()
    rig.bench.apply(CHARGE)
    told = [line for line in order if not line.endswith("?")]
    assert sorted(told[:2]) == ["INP OFF", "OUTP OFF"]
    assert told[2:] == ["CLOSE", "VOLT 4.200", "CURR 1.000", "OUTP ON"]
    assert order.index("STATE?") < order.index("OUTP ON")


def test_a_setting_is_rounded_down_and_never_repeated(rig, scripted):
    """4.1999 V on a supply of 1 mV steps is 4.199 V; the same command again sends no setting."""
    rig.ready(Command(Drive(Direction.CHARGE, 0.9999, 4.1999), connected=True))
    assert scripted.circuit.supply_set == [4.199, 0.999]
    rig.bench.apply(Command(Drive(Direction.CHARGE, 0.9999, 4.1999), connected=True))
    assert [line for line in scripted["psu"].lines if "?" not in line] == []
    rig.bench.apply(Command(Drive(Direction.CHARGE, 0.5, 4.1999), connected=True))
    assert [line for line in scripted["psu"].lines if "?" not in line] == ["CURR 0.500"]


def test_a_trim_sets_the_current_and_nothing_else(rig, scripted):
    """One setting and its read-back to what drives; rounded down, never below the least of the
    instrument; the supply hears nothing, no output is switched."""
    driven = Drive(Direction.DISCHARGE, 2.0, 3.0, Held.POWER, 6.0)
    rig.ready(Command(driven, connected=True, set_a=1.5))
    for name in ("psu", "eload"):
        scripted[name].lines.clear()
    rig.bench.apply(Command(driven, connected=True, set_a=1.23456, is_trim=True))
    told = [line for line in scripted["eload"].lines if "?" not in line]
    assert [line.split() for line in told] == [["CURR", "1.234"]]
    assert not [line for line in scripted["psu"].lines if "?" not in line]
    assert scripted.circuit.load_on


def test_a_trim_of_a_charge_sets_the_supplys_current_alone(rig, scripted):
    """A current that follows the maker's table: the voltage is not set again, nothing is switched,
    and the first one is what was wanted, not the step's largest."""
    row = CurrentLimitRow(Direction.CHARGE, 0.6)
    driven = Drive(Direction.CHARGE, 1.0, 4.2, Held.VOLTAGE, table=(row,))
    rig.ready(Command(driven, connected=True, set_a=0.6))
    assert scripted.circuit.supply_set == [4.2, 0.6]
    for name in ("psu", "eload"):
        scripted[name].lines.clear()
    rig.bench.apply(Command(driven, connected=True, set_a=0.9, is_trim=True))
    told = [line for line in scripted["psu"].lines if "?" not in line]
    assert [line.split() for line in told] == [["CURR", "0.900"]]
    assert not [line for line in scripted["eload"].lines if "?" not in line]
    assert scripted.circuit.supply_on


def test_a_trim_begins_no_time_to_settle(rig):
    """What was seen off since the last command is counted from that command, not from a trim."""
    driven = Drive(Direction.DISCHARGE, 2.0, 3.0, Held.POWER, 6.0)
    rig.ready(Command(driven, connected=True, set_a=1.5))
    since_ns = rig.bench._commanded_ns
    rig.bench.apply(Command(driven, connected=True, set_a=1.2, is_trim=True))
    assert rig.bench._commanded_ns == since_ns


def test_turning_round_breaks_before_it_makes(rig, scripted):
    """From charge to discharge: the supply is off, by its read-back, before the load goes on."""
    rig.ready(CHARGE)
    order = []
    for name in ("psu", "eload"):
        answer = scripted[name].answer
        scripted[name].answer = lambda line, answer=answer: (order.append(line), answer(line))[1]
    rig.bench.apply(DISCHARGE)
    assert order.index("OUTP OFF") < order.index("OUTP?") < order.index("INP ON")
    circuit = scripted.circuit
    assert (circuit.supply_on, circuit.load_on, circuit.closed) == (False, True, True)


def test_rest_switches_off_before_it_opens(rig, scripted):
    """A contactor that parts a current wears; off comes first."""
    rig.ready(DISCHARGE)
    rig.bench.apply(REST)
    circuit = scripted.circuit
    assert (circuit.supply_on, circuit.load_on, circuit.closed) == (False, False, False)


def test_nothing_is_driven_through_an_open_contactor(rig):
    """Our own bug, told before anything moves."""
    with pytest.raises(ValueError, match="open contactor"):
        rig.ready().bench.apply(Command(Drive(Direction.CHARGE, 1.0, 4.2), connected=False))


@pytest.mark.parametrize(
    ("ignored", "kind"),
    [
        ("CURR", FaultKind.SETTING_DIFFERS),
        ("OUTP", FaultKind.OUTPUT_DIFFERS),
    ],
)
def test_what_is_not_obeyed_is_an_error(rig, scripted, ignored, kind):
    """A setting or a switching that the read-back does not confirm."""
    rig.ready()
    scripted["psu"].ignore.add(ignored)
    with pytest.raises(InstrumentError) as error:
        rig.bench.apply(Command(Drive(Direction.CHARGE, 0.7, 4.2), connected=True))
    assert (error.value.kind, error.value.culprit) == (kind, "psu")


def test_a_contactor_that_does_not_close_keeps_the_output_off(rig, scripted):
    """Its feedback says open after the command: nothing is switched on."""
    rig.ready()
    scripted["breaker"].ignore.add("CLOSE")
    with pytest.raises(InstrumentError, match="breaker"):
        rig.bench.apply(CHARGE)
    assert not scripted.circuit.supply_on


def test_a_setting_beyond_the_instrument_is_an_error(rig):
    """7 A on a 5 A supply is refused, not clipped."""
    with pytest.raises(InstrumentError, match="lies beyond 0 to 5"):
        rig.ready().bench.apply(Command(Drive(Direction.CHARGE, 7.0, 4.2), connected=True))


# -- readings


def test_a_sample_while_charging(rig):
    """Every field, with the time at which it was asked; current is positive."""
    sample = rig.ready(CHARGE).tick()
    now = rig.clock.now_ns()
    assert (sample.at_ns, sample.voltage_v, sample.voltage_at_ns) == (now, 3.75, now)
    assert (sample.current_a, sample.current_at_ns) == (1.0, now)
    assert (sample.supply_v, sample.supply_a, sample.supply_at_ns) == (3.75, 1.0, now)
    assert (sample.load_a, sample.surface_c, sample.surface_at_ns) == (0.0, 24.5, now)
    assert (sample.supply_on, sample.load_on, sample.contactor_closed) == (ON, OFF, ON)
    assert math.isnan(sample.room_c)
    assert sample.faults == ()


def test_discharging_is_negative(rig):
    """The load's current is positive into the load and discharges the cell."""
    sample = rig.ready(DISCHARGE).tick()
    assert (sample.current_a, sample.load_a) == (-2.0, 2.0)


def test_an_offset_of_what_is_off_is_no_current(rig, scripted):
    """An idle load that shows 5 mA (it tells 6.1 mA from zero) takes nothing off the charge; one
    that is off and shows 100 mA does."""
    shown = ["0.005"]
    scripted["eload"].garble = lambda line, reply: (
        f"3.750;{shown[0]};0" if line.startswith("MEAS") else reply
    )
    rig.ready(CHARGE)
    assert rig.tick().current_a == 1.0
    shown[0] = "0.100"
    assert rig.ticks(2)[-1].current_a == pytest.approx(0.9)


def test_who_is_idle_is_asked_less_often_and_stays_young(rig, scripted):
    """The load while charging: every other second; never three seconds old."""
    samples = rig.ready(CHARGE).ticks(10)
    assert scripted["psu"].lines.count("MEAS:VOLT?;:MEAS:CURR?;:OUTP?") == 10
    assert scripted["eload"].lines.count("MEAS:VOLT?;:MEAS:CURR?;:INP?") == 5
    assert max(one.at_ns - one.load_at_ns for one in samples) < 3 * SECOND_NS


@pytest.mark.parametrize("reply", ["9.91E37", "+9.9E37"])
def test_no_value_keeps_the_old_one_and_its_time(rig, scripted, reply):
    """Not-a-number and infinity of SCPI-1999 are a state, not a number."""
    before = rig.ready(CHARGE).tick()
    scripted["dmm"].garble = lambda line, said: reply if line == "READ?" else said
    after = rig.tick()
    assert (after.voltage_v, after.voltage_at_ns) == (before.voltage_v, before.voltage_at_ns)
    assert kinds(after) == [(FaultKind.INVALID_READING, "dmm", "voltage_v")]
    scripted["dmm"].garble = lambda line, said: said
    assert rig.tick().faults == ()


def test_a_sensor_that_came_off_is_said(rig, scripted):
    """The definition's marker for a disconnected sensor."""
    rig.ready(CHARGE)
    scripted["logger"].garble = lambda line, said: "T1 OPEN" if line == "T1?" else said
    assert kinds(rig.tick()) == [(FaultKind.INVALID_READING, "logger", "surface_c")]


@pytest.mark.parametrize("spoilt", ["3.7;1.0", "garbage", "3.75;1.000;1;0"])
def test_an_answer_that_does_not_fit_poisons_the_session(rig, scripted, spoilt):
    """Nothing counts until a fresh session has told who it is; then all is well again."""
    before = rig.ready(CHARGE).tick()
    opened = scripted["psu"].opened
    scripted["psu"].garble = lambda line, said: spoilt if line.startswith("MEAS") else said
    after = rig.tick()
    assert kinds(after) == [(FaultKind.POISONED, "psu", "supply_a")]
    assert (after.supply_a, after.supply_at_ns) == (before.supply_a, before.supply_at_ns)
    scripted["psu"].garble = lambda line, said: said
    scripted["psu"].lines.clear()
    assert kinds(rig.tick()) == [(FaultKind.REOPENED, "psu", "")]
    assert rig.tick().faults == ()
    assert scripted["psu"].opened == opened + 1
    assert scripted["psu"].lines[0] == "*IDN?"


def test_sessions_are_not_lost_for_ever(hasty, scripted):
    """No session in ten seconds, and the instrument counts as gone: LINK_LOST, which trips at
    once, and nothing is opened any more."""
    standing = hasty().ready(CHARGE)
    scripted["psu"].mute = True
    seen = [kinds(standing.tick()) for _ in range(13)]
    silent = (FaultKind.NO_REPLY, FaultKind.BUSY)  # said by its lane, or of it where it is late
    assert seen[0][0] in [(kind, "psu", "supply_a") for kind in silent]
    assert seen[-1] == [(FaultKind.LINK_LOST, "psu", "supply_a")]
    opened = scripted["psu"].opened
    assert opened <= 1 + 11
    standing.ticks(3)
    assert scripted["psu"].opened == opened


def test_an_instrument_that_rebooted_has_lost_its_settings(rig, scripted):
    """A new session compares every setting with what it was set to; none is sent again."""
    rig.ready(CHARGE)
    scripted.circuit.supply_set = [0.0, 0.0]
    scripted.circuit.supply_on = False
    scripted["psu"].drop()
    kinds_seen = [kind for _ in range(2) for kind, *_ in kinds(rig.tick())]
    assert FaultKind.SETTING_DIFFERS in kinds_seen
    assert scripted.circuit.supply_set == [0.0, 0.0]
    assert not scripted.circuit.supply_on


def test_another_instrument_behind_a_new_session_is_told(rig, scripted):
    """Identity changed: somebody swapped plugs; asked twice, in two sessions."""
    rig.ready(CHARGE).tick()
    scripted["dmm"].garble = lambda line, said: "Loopback,Meter,M9,1.0" if line == "*IDN?" else said
    scripted["dmm"].drop()
    kinds_seen = [kind for _ in range(3) for kind, *_ in kinds(rig.tick())]
    assert kinds_seen == [FaultKind.AWAITED, FaultKind.AWAITED, FaultKind.IDENTITY_CHANGED]


def test_an_error_in_the_queue_is_told_once(rig, scripted):
    """Looked for as often as the definition says: every ten seconds of bench time."""
    assert DEFINITIONS["psu"].errors.poll_interval == 10.0
    rig.ready(CHARGE).ticks(2)
    queue = ['-222,"Data out of range"']
    scripted["psu"].garble = lambda line, said: (
        queue.pop() if line == "SYST:ERR?" and queue else said
    )
    found = [fault for sample in rig.ticks(11) for fault in sample.faults]
    keys = "definition generic-scpi-supply, errors, fine codes"
    said = r"""errors: sent 'SYST:ERR?\n', received '-222,"Data out of range"', expected 0"""
    assert [(one.kind, one.culprit, one.detail) for one in found] == [
        (FaultKind.ERROR_QUEUE, "psu", f"-222, Data out of range; {keys}: {said}")
    ]


def test_errors_identity_and_settings_are_looked_at_each_at_its_pace(rig, scripted):
    """In two minutes: errors every ten seconds, the rest every thirty; a meter has no settings."""
    rig.ready(CHARGE).ticks(121)
    asked = {
        line: scripted["psu"].lines.count(line) for line in ("SYST:ERR?", "*IDN?", "VOLT:PROT?")
    }
    assert asked["SYST:ERR?"] == 12
    assert asked["*IDN?"] == 4
    assert scripted["logger"].lines.count("ID?") == 4


def test_a_knob_that_somebody_turned_is_told(rig, scripted):
    """A setting changed by nobody, within half a minute of bench time."""
    rig.ready(CHARGE).ticks(2)
    scripted.circuit.supply_set[1] = 2.0
    found = [one for sample in rig.ticks(31) for one in kinds(sample)]
    assert [kind for kind, *_ in found] == [FaultKind.SETTING_DIFFERS]

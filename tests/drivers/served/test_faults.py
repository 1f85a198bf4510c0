"""Faults: what their documents demand, when they begin and end, and what they do to a wire."""

import socket
import time

import pytest
import serial
from pydantic import ValidationError

from drivers.simulated.bench import SimulatedBench
from drivers.simulated.disturbance import Disturbance
from drivers.simulated.faults import FaultSchedule
from drivers.simulated.served import ServedBenchError
from sequencer.documents.faults import NEEDS, PHYSICAL, FaultDocument
from sequencer.documents.fields import key_of
from sequencer.source.loading import load
from tests.drivers.served.conftest import ROOT, ask_terminal, documents_of

SHIPPED = sorted((ROOT / "sim_configs" / "faults").glob("*.yaml"))


def fault(**keys: str) -> FaultDocument:
    """A fault document from its keys, with ``_`` for a space and ``for_`` for for."""
    texts = {key.rstrip("_").replace("_", " "): text for key, text in keys.items()}
    return FaultDocument.model_validate({"fault": "a test", **texts})


def test_every_kind_is_shipped_as_a_document_with_a_line_for_editors():
    """Line 1 names the schema; nothing that can go wrong lacks an example."""
    kinds = {load(path, FaultDocument).document.kind for path in SHIPPED}
    assert kinds == set(NEEDS)
    line = "# yaml-language-server: $schema=../../sequencer/source/schemas/faults.schema.json"
    assert {path.read_text().splitlines()[0] for path in SHIPPED} == {line}


def test_the_list_of_kinds_is_the_truth():
    """Every kind stands in the README with the face, and with the keys, that the code wants."""
    rows = {}
    for line in (ROOT / "sim_configs" / "faults" / "README.md").read_text().splitlines():
        if line.startswith("| `"):
            kind, where, must, may, _ = [cell.strip() for cell in line.strip("|").split("|")]
            rows[kind.strip("`")] = where, _keys(must), _keys(may)
    assert rows == {
        kind: (
            "both" if kind in PHYSICAL else "served",
            {key_of(name) for name in needs.required},
            {key_of(name) for name in needs.optional},
        )
        for kind, needs in NEEDS.items()
    }


def _keys(cell: str) -> set[str]:
    return set(cell.split("`")[1::2])


@pytest.mark.parametrize(
    ("keys", "rule"),
    [
        ({"kind": "late reply", "instrument": "charge"}, "late reply needs: delay"),
        ({"kind": "open lead", "text": "x"}, "open lead takes no: text"),
        ({"kind": "reboot", "instrument": "charge", "for_": "3 s"}, "takes no: for"),
        ({"kind": "drift", "reading": "surface"}, "per hour"),
        ({"kind": "melt"}, "Input should be"),
        ({"kind": "silent", "instrument": "charge", "at": "5"}, "no unit"),
    ],
)
def test_a_fault_document_says_what_it_lacks(keys, rule):
    """A parameter that is missing, that means nothing here, or that has no unit."""
    with pytest.raises(ValidationError, match=rule):
        fault(**keys)


class Diary:
    """A physics and a stage that write down what happens to them and when."""

    def __init__(self, *faults: FaultDocument) -> None:
        self.at_ns, self.current_a = 0, 0.0
        self.lines: list[str] = []
        self.schedule = FaultSchedule(self._move, lambda: self.current_a, self, faults)

    def _move(self, to_ns: int) -> None:
        self.at_ns = to_ns

    def begin(self, one: FaultDocument) -> None:
        """Write it down."""
        self.lines.append(f"{self.at_ns / 1e9:g} {one.kind} begins")

    def end(self, one: FaultDocument) -> None:
        """Write it down."""
        self.lines.append(f"{self.at_ns / 1e9:g} {one.kind} ends")

    def reach(self, seconds: float) -> list[str]:
        """Move to a time; what happened until then."""
        self.schedule.advance_to(round(seconds * 1e9))
        return self.lines


def test_faults_begin_and_end_at_their_own_moments_inside_one_long_step():
    """Whatever the step of whoever asks."""
    diary = Diary(
        fault(kind="open lead", at="10 s", for_="5 s"),
        fault(kind="probe off", reading="surface", at="12 s"),
    )
    assert diary.reach(9.9) == []
    assert diary.reach(3600.0) == [
        "10 open lead begins",
        "12 probe off begins",
        "15 open lead ends",
    ]
    assert diary.at_ns == 3_600_000_000_000


def test_a_fault_counted_from_a_current_waits_for_that_current():
    """Charging and discharging are told apart by sign, and each counts once."""
    diary = Diary(
        fault(kind="open lead", counted_from="charging", at="3 s"),
        fault(kind="contactor welded", counted_from="discharging"),
    )
    assert diary.reach(100.0) == []
    diary.current_a = -1.0
    assert diary.reach(101.0) == ["101 contactor welded begins"]
    diary.current_a = 1.0
    assert diary.reach(102.0)[1:] == []
    assert diary.reach(200.0)[1:] == ["105 open lead begins"]
    diary.current_a = -1.0
    assert len(diary.reach(300.0)) == 2


def test_mending_ends_what_holds_and_forgets_what_was_to_come():
    """Nothing begins afterwards."""
    diary = Diary(fault(kind="open lead"), fault(kind="contactor open", at="50 s"))
    diary.reach(1.0)
    diary.schedule.mend()
    assert diary.reach(100.0) == ["0 open lead begins", "1 open lead ends"]


class Physics:
    """The demonstration bench in process, charging at 1 A unless told otherwise, and its faults."""

    def __init__(self, name: str = "demonstration") -> None:
        self.bench = SimulatedBench(*documents_of(name))
        self.disturbance = Disturbance(self.bench)
        self.bench.advance_to(0)
        supply, contactor = self.bench.supply, self.bench.contactor
        assert supply is not None
        assert contactor is not None
        assert self.bench.load is not None
        assert self.bench.meter is not None
        self.supply, self.contactor = supply, contactor
        self.load, self.meter = self.bench.load, self.bench.meter
        contactor.close()
        supply.set_voltage(4.2)
        supply.set_current(1.0)
        supply.output(True)

    def after(self, seconds: float) -> SimulatedBench:
        """The bench some time later."""
        self.bench.advance_to(self.bench.at_ns + round(seconds * 1e9))
        return self.bench

    def begin(self, **keys: str) -> FaultDocument:
        """A fault that this bench has a place for begins."""
        one = fault(**keys)
        self.disturbance.check(one)
        self.disturbance.begin(one)
        return one


def test_an_open_lead_stops_the_current_and_closing_it_brings_it_back():
    """The supply then shows its set voltage, and the cell its own."""
    physics = Physics()
    assert physics.after(10).cell_amps() == pytest.approx(1.0, abs=0.01)
    one = physics.begin(kind="open lead")
    assert physics.after(1).cell_amps() == 0.0
    assert physics.supply.measure_voltage() == pytest.approx(4.2, abs=0.01)
    physics.disturbance.end(one)
    assert physics.after(1).cell_amps() == pytest.approx(1.0, abs=0.01)


def test_a_cell_that_opens_takes_its_voltage_away_and_an_open_lead_does_not():
    """The meter on the tabs tells the two apart: it sees what drives the leads, or nothing."""
    physics = Physics()
    lead = physics.begin(kind="open lead")
    assert 3.0 < physics.after(1).meter_volts() < 3.9
    physics.disturbance.end(lead)
    physics.begin(kind="cell opens")
    assert physics.after(1).cell_amps() == 0.0
    assert physics.bench.meter_volts() == pytest.approx(4.2, abs=0.01)
    physics.supply.output(False)
    assert physics.bench.meter_volts() == 0.0
    physics.contactor.open()
    assert physics.bench.meter_volts() == 0.0


def test_a_lifted_sense_drives_the_supply_up():
    """Beyond its set value, up to its range, while its own reading says nothing is there."""
    physics = Physics()
    physics.begin(kind="lifted sense", instrument="charge")
    physics.after(3600 * 6)
    assert physics.bench.cell.voltage_v > 4.25
    assert physics.supply.measure_voltage() == pytest.approx(0.0, abs=0.011)


def test_lead_resistance_drops_voltage_at_a_two_wire_load():
    """2 A through half an ohm more: 0.94 V lower than through 31 mOhm (Ohm's law)."""
    physics = Physics()
    physics.supply.output(False)
    physics.load.set_current(2.0)
    physics.load.output(True)
    before = physics.after(1).load_volts()
    one = physics.begin(kind="lead resistance", resistance="501 mOhm")
    assert before - physics.bench.load_volts() == pytest.approx(2.0 * 0.470, abs=0.005)
    physics.disturbance.end(one)
    assert physics.bench.load_volts() == pytest.approx(before, abs=1e-3)


def test_readings_stick_die_overload_and_drift_one_after_another():
    """Each on the meter, each undone; a drift of 10 % an hour is 5 % after half an hour."""
    physics = Physics()
    stuck = physics.begin(kind="stuck reading", reading="cell voltage")
    first = physics.meter.measure_voltage()
    physics.after(1800)
    assert physics.meter.measure_voltage() == first
    physics.disturbance.end(stuck)
    assert physics.meter.measure_voltage() > first
    over = physics.begin(kind="over-range", reading="cell voltage")
    assert physics.meter.measure_voltage() == float("inf")
    physics.disturbance.end(over)
    dead = physics.begin(kind="dead reading", reading="cell voltage")
    assert str(physics.meter.measure_voltage()) == "nan"
    physics.disturbance.end(dead)
    drift = physics.begin(kind="drift", reading="cell voltage", per_hour="10 %")
    physics.after(1800)
    true = physics.bench.cell.voltage_v
    assert physics.meter.measure_voltage() == pytest.approx(1.05 * true, rel=5e-4)
    physics.disturbance.end(drift)
    assert physics.meter.measure_voltage() == pytest.approx(true, rel=5e-4)


def test_a_sensor_drifts_by_kelvins_and_a_probe_that_fell_off_finds_the_room():
    """2 K an hour; a probe in the air takes the room's temperature with its own lag."""
    physics = Physics()
    logger = physics.bench.thermometer
    assert logger is not None
    physics.supply.set_current(3.0)
    physics.after(1800)
    warm = logger.measure(1)
    assert warm > 22.5
    drift = physics.begin(kind="drift", reading="surface", value_per_hour="2 K")
    physics.supply.output(False)
    physics.after(3600 * 3)
    assert logger.measure(1) == pytest.approx(22.0 + 6.0, abs=0.6)
    physics.disturbance.end(drift)
    physics.supply.output(True)
    physics.begin(kind="probe off", reading="surface")
    physics.after(1800)
    assert abs(logger.measure(1) - logger.measure(2)) < 0.6


def test_a_meter_that_lost_its_lead_floats_at_a_plausible_value():
    """Where it was, or where the document says."""
    physics = Physics()
    one = physics.begin(kind="meter lead off", value="3.71 V")
    assert physics.meter.measure_voltage() == pytest.approx(3.71, abs=0.002)
    physics.disturbance.end(one)
    before = physics.meter.measure_voltage()
    physics.begin(kind="meter lead off")
    physics.after(1800)
    assert physics.meter.measure_voltage() == pytest.approx(before, abs=0.001)


def test_a_contact_that_does_not_follow_tells_by_its_feedback():
    """Welded it stays closed, dropped out it stays open, whatever it is told."""
    physics = Physics()
    closed = []
    welded = physics.begin(kind="contactor welded")
    physics.contactor.open()
    closed.append(physics.contactor.is_closed)
    physics.disturbance.end(welded)
    closed.append(physics.contactor.is_closed)
    physics.contactor.close()
    closed.append(physics.contactor.is_closed)
    physics.begin(kind="contactor open")
    closed.append(physics.contactor.is_closed)
    assert closed == [True, False, True, False]
    assert physics.after(1).cell_amps() == 0.0


@pytest.mark.parametrize(("admits", "shown"), [("yes", True), ("no", False)])
def test_an_output_that_ignores_off_stays_on_whatever_it_says(admits, shown):
    """The current tells, the state only if it admits; afterwards *off* works again."""
    physics = Physics()
    one = physics.begin(kind="ignored off", instrument="supply", admits=admits)
    physics.supply.output(False)
    assert physics.supply.shown_on is shown
    assert physics.after(1).cell_amps() == pytest.approx(1.0, abs=0.01)
    physics.disturbance.end(one)
    physics.supply.output(False)
    assert abs(physics.bench.cell_amps()) < 1e-3


def test_settings_are_ignored_or_clipped_and_the_read_back_may_lie():
    """What flows is the truth; the read-back is the truth only when it admits."""
    physics = Physics()
    one = physics.begin(kind="ignored setting", instrument="charge", setting="current")
    physics.supply.set_current(2.0)
    assert physics.supply.current_setting == 1.0
    physics.disturbance.end(one)
    physics.begin(kind="clipped setting", instrument="charge", limit="500 mA", admits="no")
    physics.supply.set_current(2.0)
    assert physics.supply.current_setting == 2.0
    assert physics.after(1).cell_amps() == pytest.approx(0.5, abs=0.01)


def test_a_hand_at_the_panel_changes_settings_and_outputs():
    """As if somebody had turned the knob."""
    physics = Physics()
    physics.begin(kind="panel", instrument="charge", value="2 A")
    assert physics.after(1).cell_amps() == pytest.approx(2.0, abs=0.02)
    physics.begin(kind="panel", instrument="charge", output_on="no")
    assert abs(physics.after(1).cell_amps()) < 1e-3
    physics.begin(kind="panel", instrument="contactor", output_on="no")
    assert not physics.contactor.is_closed


@pytest.mark.parametrize(
    "keys",
    [
        {"kind": "lifted sense", "instrument": "load"},
        {"kind": "stuck reading", "reading": "tab"},
        {"kind": "probe off", "reading": "supply voltage"},
        {"kind": "ignored off", "instrument": "meter"},
        {"kind": "clipped setting", "instrument": "load", "limit": "3 V"},
        {"kind": "panel", "instrument": "logger"},
        {"kind": "stuck reading", "reading": "current"},
        {"kind": "silent", "instrument": "supply"},
    ],
)
def test_a_fault_without_a_place_on_the_bench_is_refused(keys):
    """Before it is scheduled, with the reason."""
    with pytest.raises(ValueError, match=r"this|concerns|has no|nothing"):
        Physics().disturbance.check(fault(**keys))


def test_a_silent_instrument_does_nothing_or_only_does_not_say_so(clients):
    """With ``executes`` the command counts and the reply is lost."""
    supply = clients.peer("supply")
    clients.bench.inject({"kind": "silent", "instrument": "supply", "executes": "yes"})
    supply.tell("VOLT 4;VOLT?")
    clients.bench.mend()
    assert float(supply.ask("VOLT?")) == 4.0
    clients.bench.inject({"kind": "silent", "instrument": "supply", "executes": "no"})
    supply.tell("VOLT 5;VOLT?")
    clients.bench.mend()
    assert float(supply.ask("VOLT?")) == 4.0


def test_a_late_reply_comes_late_and_answers_the_next_question(clients):
    """The order of replies is kept, so every later answer is one late."""
    meter, supply = clients.peer("meter"), clients.peer("supply")
    clients.bench.inject(
        {"kind": "late reply", "instrument": "voltage", "delay": "300 ms", "times": "1"}
    )
    began = time.monotonic()
    meter.tell("*IDN?")
    assert supply.ask("*IDN?").startswith("nightbench"), "nobody else waits"
    meter.tell("*OPC?")
    assert meter.line().startswith("nightbench,")
    assert time.monotonic() - began >= 0.3
    assert meter.line() == "1"


def test_half_a_line_stops_in_the_middle_and_its_rest_follows(clients):
    """The two halves together are the reply; without ``rest after`` the rest never comes."""
    supply = clients.peer("supply")
    supply.socket.settimeout(10.0)
    clients.bench.inject(
        {"kind": "half line", "instrument": "charge", "rest after": "200 ms", "times": "1"}
    )
    supply.tell("*IDN?")
    whole = b"nightbench,generic-scpi-supply,SIM-supply,1.0\n"
    first = supply.socket.recv(4096)
    assert first == whole[: len(whole) // 2]
    assert first + supply.socket.recv(4096) == whole
    clients.bench.inject({"kind": "half line", "instrument": "charge", "times": "1"})
    supply.tell("OUTP?")
    assert supply.socket.recv(4096) == b"0"
    assert supply.ask("VOLT?") == "0.000000E+00"


def test_garbage_and_two_lines_for_one_question(clients):
    """Bytes that are no reply, a reply that is another one's, and one reply twice."""
    meter, logger = clients.peer("meter"), clients.terminal("logger")
    clients.bench.inject({"kind": "garbage", "instrument": "surface", "times": "1"})
    assert ask_terminal(logger, "T1?") == "\x00\xfe#~\x7f"
    assert ask_terminal(logger, "T1?").startswith("T1 22.")
    clients.bench.inject({"kind": "garbage", "instrument": "meter", "text": "012", "times": "1"})
    assert meter.ask("READ?") == "012"
    clients.bench.inject({"kind": "two lines", "instrument": "meter", "times": "1"})
    assert meter.ask("*OPC?") == "1"
    assert meter.line() == "1"
    assert meter.ask("SYST:ERR?") == '0,"No error"'


def test_the_number_of_over_range_is_that_of_the_standard(clients):
    """SCPI-1999: infinity is 9.9E37 and not-a-number 9.91E37 (memory)."""
    meter = clients.peer("meter")
    clients.bench.inject({"kind": "over-range", "reading": "cell voltage"})
    assert float(meter.ask("READ?")) == 9.9e37
    clients.bench.mend()
    clients.bench.inject({"kind": "dead reading", "reading": "cell voltage"})
    assert float(meter.ask("READ?")) == 9.91e37
    clients.bench.inject({"kind": "dead reading", "reading": "surface"})
    assert ask_terminal(clients.terminal("logger"), "T1?") == "T1 OPEN"


def test_a_killed_socket_refuses_until_it_is_plugged_in_again(clients):
    """Bench time decides when: the session ends, connecting is refused, then the port is back."""
    control, supply = clients.control(), clients.peer("supply")
    supply.tell("VOLT 4")
    assert supply.ask("VOLT?").startswith("4")
    clients.bench.inject({"kind": "killed", "instrument": "supply", "at": "1 s", "for": "5 s"})
    assert supply.ask("OUTP?") == "0"
    control.ask("advance 2500000000")
    assert supply.socket.recv(1) == b""
    with pytest.raises(ConnectionRefusedError):
        clients.peer("supply")
    control.ask("advance 8000000000")
    assert clients.peer("supply").ask("VOLT?").startswith("4")


def _ask_three_times(terminal: serial.Serial) -> None:
    """A write to a terminal without another end may still be taken once."""
    for _ in range(3):
        ask_terminal(terminal, "T1?")


def test_a_killed_terminal_is_gone_for_good(clients):
    """Its client sees the end, its name is gone, and it is not promised to come back."""
    logger = clients.terminal("logger")
    assert ask_terminal(logger, "T1?").startswith("T1 ")
    with pytest.raises(ServedBenchError, match="cannot come back"):
        clients.bench.inject({"kind": "killed", "instrument": "logger", "for": "5 s"})
    clients.bench.inject({"kind": "killed", "instrument": "logger"})
    with pytest.raises((serial.SerialException, OSError)):
        _ask_three_times(logger)
    with pytest.raises(serial.SerialException):
        clients.terminal("logger")
    assert clients.peer("supply").ask("OUTP?") == "0"


@pytest.mark.parametrize(("output_on", "state"), [("no", "0"), ("yes", "1")])
def test_a_reboot_breaks_the_session_forgets_the_settings_and_says_power_on(
    clients, output_on, state
):
    """ESR 128; the port refuses while it boots, and the output is as the document says."""
    control, supply = clients.control(), clients.peer("supply")
    supply.tell("VOLT 4;CURR 1;:OUTP ON;*ESR?")
    assert supply.line() == "128"
    clients.bench.inject(
        {
            "kind": "reboot",
            "instrument": "charge",
            "boots for": "5 s",
            "output on": output_on,
        }
    )
    assert supply.socket.recv(1) == b""
    with pytest.raises(ConnectionRefusedError):
        clients.peer("supply")
    control.ask("advance 7000000000")
    again = clients.peer("supply")
    assert again.ask("*ESR?;VOLT?;CURR?;OUTP?") == f"128;0.000000E+00;0.000000E+00;{state}"


def test_a_terminal_that_reboots_is_deaf_meanwhile_and_opens_its_contact(clients):
    """Nothing that is said while it boots is carried out."""
    control, contactor = clients.control(), clients.terminal("contactor")
    contactor.write(b"CLOSE\n")
    assert ask_terminal(contactor, "STATE?") == "CLOSED"
    clients.bench.inject({"kind": "reboot", "instrument": "contactor", "boots for": "2 s"})
    contactor.write(b"CLOSE\n")
    contactor.timeout = 0.2
    assert ask_terminal(contactor, "STATE?") == ""
    control.ask("advance 4000000000")
    contactor.timeout = 10.0
    assert ask_terminal(contactor, "STATE?") == "OPEN"


def test_an_error_nobody_asked_for_and_another_identity(clients):
    """The error queue and the answer to ``*IDN?`` as the document says, and back again."""
    supply = clients.peer("supply")
    clients.bench.inject({"kind": "error queue", "instrument": "supply", "text": "-330,Broken"})
    assert supply.ask("SYST:ERR?;ERR?") == '-330,"Broken";0,"No error"'
    clients.bench.inject({"kind": "identity", "instrument": "supply", "text": "a,b,c,d"})
    assert supply.ask("*IDN?") == "a,b,c,d"
    clients.bench.mend()
    assert supply.ask("*IDN?").endswith(",SIM-supply,1.0")


def test_a_timed_fault_comes_in_real_time_though_nobody_asks(clients):
    """With no control connection, a port dies at its moment and its client sees it."""
    supply = clients.peer("supply")
    assert supply.ask("OUTP?") == "0"
    clients.bench.inject({"kind": "killed", "instrument": "supply", "at": "100 ms"})
    supply.socket.settimeout(10.0)
    assert supply.socket.recv(1) == b""


def test_faults_that_were_given_at_the_start_come_at_their_time(serve):
    """As documents, counted from the start of bench time."""
    bench = serve(
        faults=[fault(kind="killed", instrument="voltage", at="10 s")],
    )
    host, port = bench.addresses["meter"].split("::")[1:3]
    with (
        socket.create_connection(bench.control, timeout=10.0) as control,
        socket.create_connection((host, int(port)), timeout=10.0) as meter,
    ):
        control.sendall(b"advance 10999999999\n")
        assert control.recv(100) == b"at 10999999999\n"
        meter.sendall(b"*OPC?\n")
        assert meter.recv(100) == b"1\n"
        control.sendall(b"advance 11000000000\n")
        assert control.recv(100) == b"at 11000000000\n"
        assert meter.recv(100) == b""

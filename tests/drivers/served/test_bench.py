"""The served bench over real sockets and terminals: who may connect, and what is answered."""

from random import Random
from typing import Any

import pytest
import pyvisa
import serial

from drivers.simulated.served import ServedBenchError, start_served
from tests.drivers.served.conftest import ask_terminal, documents_of


def test_every_instrument_answers_to_the_identity_that_its_definition_wants(clients):
    """Four comma-separated fields each, and an empty error queue where there is one."""
    for name in ("supply", "load", "meter"):
        peer = clients.peer(name)
        model = f"generic-scpi-{name}".replace("meter", "multimeter")
        assert peer.ask("*IDN?") == f"simulated by nightbench,{model},SIM-{name},1.0"
        assert peer.ask("SYST:ERR?") == '0,"No error"'
    for name in ("logger", "contactor"):
        model = {"logger": "thermometer", "contactor": "contactor"}[name]
        answer = ask_terminal(clients.terminal(name), "ID?")
        assert answer == f"simulated by nightbench,generic-line-{model},SIM-{name},1.0"


def test_a_charge_flows_only_through_a_closed_contact_and_is_seen_by_every_instrument(clients):
    """Supply, meter and truth agree within what their definitions state, on and off."""
    clients.control()
    supply, meter = clients.peer("supply"), clients.peer("meter")
    contactor = clients.terminal("contactor")
    supply.tell("VOLT 4.2;CURR 1.5;:OUTP ON")
    volts, amps, is_on = supply.ask("MEAS:VOLT?;:MEAS:CURR?;:OUTP?").split(";")
    assert abs(float(amps)) <= 0.02
    assert is_on == "1"
    contactor.write(b"CLOSE\n")
    assert ask_terminal(contactor, "STATE?") == "CLOSED"
    volts, amps, _ = supply.ask("MEAS:VOLT?;:MEAS:CURR?;:OUTP?").split(";")
    truth = clients.bench.truth()
    # Accuracies of the shipped definitions: 0.2 % + 10 mA + a count of 10 mA; 0.02 % + 0.5 mV.
    assert truth["current_a"] == pytest.approx(1.5, abs=0.013)
    assert float(amps) == pytest.approx(truth["current_a"], abs=0.023)
    assert float(volts) == pytest.approx(truth["voltage_v"], abs=0.010)
    assert float(meter.ask("READ?")) == pytest.approx(truth["voltage_v"], abs=0.002)
    supply.tell("OUTP OFF")
    assert supply.ask("OUTP?") == "0"
    # What is left is what the definitions say leaks through outputs that are off: 0.6 mA.
    assert abs(clients.bench.truth()["current_a"]) <= 0.6e-3 + 1e-9


def test_a_load_discharges_and_reads_its_current_as_positive(clients):
    """The load's own sign is positive into it; the cell loses charge."""
    clients.control()
    load, contactor = clients.peer("load"), clients.terminal("contactor")
    contactor.write(b"CLOSE\n")
    assert ask_terminal(contactor, "STATE?") == "CLOSED"
    load.tell("FUNC CURR;CURR 2;:INP ON")
    volts, amps, is_on = load.ask("MEAS:VOLT?;:MEAS:CURR?;:INP?").split(";")
    truth = clients.bench.truth()
    assert is_on == "1"
    assert float(amps) == pytest.approx(2.0, abs=0.015)
    assert truth["current_a"] == pytest.approx(-float(amps), abs=0.015)
    # Two-wire: the load sees the cell less the drop of 31 mOhm of leads.
    assert float(volts) == pytest.approx(truth["voltage_v"] - 2.0 * 0.031, abs=0.014)
    load.tell("FUNC CURR")
    assert load.ask("INP?") == "0", "changing the mode drops the input"


def test_settings_read_back_as_quantised_and_out_of_range_is_an_error(clients):
    """−222 and the old value; what the definition does not send is −113 and not answered."""
    supply = clients.peer("supply")
    assert supply.ask("VOLT 4.20049;VOLT?") == "4.200"
    assert supply.ask("VOLT 31;VOLT?") == "4.200"
    assert supply.ask("SYST:ERR?") == '-222,"Data out of range"'
    assert supply.ask("VOLTS 5;VOLT?") == "4.200"
    assert supply.ask("SYST:ERR?") == '-113,"Undefined header"'
    assert float(supply.ask("VOLT:PROT 4.3;:VOLT:PROT?")) == 4.3


def test_the_error_queue_is_first_in_first_out_and_bounded(clients):
    """A full queue ends in −350 instead of the newest error, and an empty one says 0."""
    supply = clients.peer("supply")
    supply.tell("VOLT 99")
    for _ in range(25):
        supply.tell("FOO")
    answers = [supply.ask("SYST:ERR?") for _ in range(21)]
    assert answers[0] == '-222,"Data out of range"'
    assert answers[1:-2] == ['-113,"Undefined header"'] * 18
    assert answers[-2:] == ['-350,"Queue overflow"', '0,"No error"']


def test_the_over_voltage_protection_trips_and_stays_off(clients):
    """A protection below the cell's voltage drops the output at the next moment."""
    control, supply = clients.control(), clients.peer("supply")
    contactor = clients.terminal("contactor")
    contactor.write(b"CLOSE\n")
    assert ask_terminal(contactor, "STATE?") == "CLOSED"
    supply.tell("VOLT:PROT 3.0;:VOLT 4.2;:CURR 1;:OUTP ON")
    assert supply.ask("OUTP?") == "1"
    assert control.ask("advance 2000000000") == "at 2000000000"
    assert supply.ask("OUTP?") == "0"


def test_a_new_connection_replaces_the_old_one(clients):
    """A fresh session always gets through; the old one sees the end of its connection."""
    old, new = clients.peer("supply"), clients.peer("supply")
    assert new.ask("OUTP?") == "0"
    assert old.socket.recv(1) == b""


def test_half_a_command_of_a_dead_session_does_not_spoil_the_next_one(clients):
    """On a socket it goes with its session; on a terminal a bare line end gets rid of it."""
    old = clients.peer("supply")
    old.socket.sendall(b"OUTP O")
    old.close()
    assert clients.peer("supply").ask("OUTP?") == "0"
    broken = clients.terminal("contactor")
    broken.write(b"CLO")
    broken.flush()
    broken.close()
    fresh = clients.terminal("contactor")
    fresh.write(b"\n")
    assert ask_terminal(fresh, "STATE?") == "OPEN"


def test_a_bare_line_end_clears_half_a_command(clients):
    """Half a command and a line end is an error in the queue, and what follows is understood."""
    supply = clients.peer("supply")
    supply.socket.sendall(b"OUTP O")
    supply.socket.sendall(b"\n\r\nOUTP?\n")
    assert supply.line() == "0"
    assert supply.ask("SYST:ERR?").startswith("-")


def test_a_line_without_end_is_refused_and_the_next_one_understood(clients):
    """The input buffer is bounded: −363, never a growing process."""
    supply = clients.peer("supply")
    supply.socket.sendall(b"X" * 70_000)
    assert supply.ask("\nOUTP?;SYST:ERR?").startswith("0;-363,")


def test_several_messages_in_one_packet_are_answered_in_order(clients):
    """A packet is not a message."""
    supply = clients.peer("supply")
    supply.socket.sendall(b"OUTP?\nVOLT?\r\nCURR?\n")
    assert [supply.line() for _ in range(3)] == ["0", "0.000", "0.000"]


def test_pyvisa_speaks_to_the_sockets(clients):
    """The library that real drivers use, unchanged."""
    manager = pyvisa.ResourceManager("@py")
    try:
        meter: Any = manager.open_resource(
            clients.bench.addresses["meter"],
            read_termination="\n",
            write_termination="\n",
            timeout=5000,
        )
        meter.write("CONF:VOLT:DC 10")
        assert float(meter.query("READ?")) == pytest.approx(
            clients.bench.truth()["voltage_v"], abs=0.002
        )
        assert meter.query("SYST:ERR?") == '0,"No error"'
        meter.close()
    finally:
        manager.close()


def test_the_thermometer_answers_each_channel_and_marks_one_without_a_sensor(clients):
    """``T1 22.09 degC`` within 0.4 K + 0.5 % and a count, ``OPEN`` where nothing is connected."""
    logger = clients.terminal("logger")
    name, value, unit = ask_terminal(logger, "T1?").split(" ")
    assert (name, unit) == ("T1", "degC")
    assert float(value) == pytest.approx(22.0, abs=0.52)
    assert ask_terminal(logger, "T7?") == "T7 OPEN degC"
    logger.write(b"WHAT?\n")
    assert ask_terminal(logger, "ID?").startswith("simulated by nightbench,")


def test_a_terminal_echoes_nothing_and_keeps_control_characters(clients):
    """Raw mode: what comes back is the reply alone."""
    logger = clients.terminal("logger")
    logger.write(b"\x03\x04\nID?\n")
    assert logger.read_until(b"\n").startswith(b"simulated by nightbench,")
    assert logger.in_waiting == 0


def test_a_terminal_can_be_opened_again_after_its_client_was_lost(clients):
    """Opening, losing and opening again leaves nothing behind."""
    for _ in range(20):
        port = clients.terminal("contactor")
        assert ask_terminal(port, "STATE?") == "OPEN"
        port.close()


def test_two_owners_of_one_terminal_are_refused_by_the_lock(clients):
    """The lock that serial libraries take holds on a pseudo-terminal too."""
    clients.terminal("logger")
    with pytest.raises(serial.SerialException):
        clients.terminal("logger")


def test_noise_on_every_wire_ends_nothing(clients):
    """Two thousand seeded lines of bytes, to every instrument and the control line."""
    random = Random(20)
    control = clients.control()
    sinks = [clients.peer(name).socket.sendall for name in ("supply", "load", "meter")]
    sinks += [clients.terminal(name).write for name in ("logger", "contactor")]
    for number in range(2000):
        line = random.randbytes(random.randrange(30)).replace(b"\n", b"")
        sinks[number % len(sinks)](line + b"\n")
        words = random.choice(["advance ", "fault ", "truth", "now", "mend", "", "fault [[[{"])
        assert control.ask(words + line.decode("latin-1").replace("\r", ""))
    for name in ("supply", "load", "meter"):
        assert clients.peer(name).ask("*CLS;*IDN?").endswith(f",SIM-{name},1.0")
    assert clients.bench.is_running()


def test_a_fault_without_a_place_stops_the_start(serve):
    """The reason is one line, and no process is left."""
    from sequencer.documents.faults import FaultDocument

    fault = FaultDocument.model_validate(
        {"fault": "no such thing", "kind": "silent", "instrument": "oven"}
    )
    with pytest.raises(ServedBenchError, match="this bench has no instrument oven"):
        start_served(*documents_of("demonstration"), faults=[fault])


def test_a_contactor_opens_by_its_watchdog_when_nobody_talks_to_it(clients):
    """Only once it was set, only after its time, whatever else is asked meanwhile; and it stays
    open. Any line counts as talk."""
    control = clients.control()
    contactor, meter = clients.terminal("contactor"), clients.peer("meter")
    contactor.write(b"CLOSE\n")
    assert ask_terminal(contactor, "STATE?") == "CLOSED"
    control.ask("advance 60000000000")
    assert clients.bench.truth()["contactor_closed"] is True  # none was set
    contactor.write(b"WATCHDOG 5.000\n")
    assert ask_terminal(contactor, "WATCHDOG?") == "5.000"
    control.ask("advance 64900000000")
    assert ask_terminal(contactor, "ID?").startswith("simulated by nightbench")
    control.ask("advance 69800000000")
    assert clients.bench.truth()["contactor_closed"] is True
    meter.ask("READ?")
    control.ask("advance 69910000000")
    assert clients.bench.truth()["contactor_closed"] is False
    assert ask_terminal(contactor, "STATE?") == "OPEN"

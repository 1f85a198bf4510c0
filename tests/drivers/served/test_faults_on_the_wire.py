"""What goes wrong on a served bench, as raw clients see it."""

import socket
import time

import pytest
import serial

from drivers.simulated.served import ServedBenchError
from tests.drivers.served.conftest import ask_terminal
from tests.drivers.served.faulty import fault


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
    assert supply.ask("*IDN?").startswith("simulated by nightbench"), "nobody else waits"
    meter.tell("SYST:ERR?")
    assert meter.line().startswith("simulated by nightbench,")
    assert time.monotonic() - began >= 0.3
    assert meter.line() == '0,"No error"'


def test_half_a_line_stops_in_the_middle_and_its_rest_follows(clients):
    """The two halves together are the reply; without ``rest after`` the rest never comes."""
    supply = clients.peer("supply")
    supply.socket.settimeout(10.0)
    clients.bench.inject(
        {"kind": "half line", "instrument": "charge", "rest after": "200 ms", "times": "1"}
    )
    began = time.monotonic()
    supply.tell("*IDN?")
    whole = b"simulated by nightbench,generic-scpi-supply,SIM-supply,1.0\n"
    came = supply.socket.recv(4096)  # on a busy computer both may have come by now
    assert came in (whole[: len(whole) // 2], whole)
    while len(came) < len(whole):
        came += supply.socket.recv(4096)
    assert (came, time.monotonic() - began >= 0.2) == (whole, True)
    clients.bench.inject({"kind": "half line", "instrument": "charge", "times": "1"})
    supply.tell("OUTP?")
    assert supply.socket.recv(4096) == b"0"
    assert supply.ask("VOLT?") == "0.000"


def test_garbage_and_two_lines_for_one_question(clients):
    """Bytes that are no reply, a reply that is another one's, and one reply twice."""
    meter, logger = clients.peer("meter"), clients.terminal("logger")
    clients.bench.inject({"kind": "garbage", "instrument": "surface", "times": "1"})
    assert ask_terminal(logger, "T1?") == "\x00\xfe#~\x7f"
    assert ask_terminal(logger, "T1?").startswith("T1 22.")
    clients.bench.inject({"kind": "garbage", "instrument": "meter", "text": "012", "times": "1"})
    assert meter.ask("READ?") == "012"
    clients.bench.inject({"kind": "two lines", "instrument": "meter", "times": "1"})
    assert meter.ask("SYST:ERR?") == meter.line() == '0,"No error"'
    assert meter.ask("*IDN?").startswith("simulated by nightbench,")


def test_the_number_of_over_range_is_that_of_the_standard(clients):
    """SCPI-1999: infinity is 9.9E37 and not-a-number 9.91E37 (memory)."""
    meter = clients.peer("meter")
    clients.bench.inject({"kind": "over-range", "reading": "cell voltage"})
    assert float(meter.ask("READ?")) == 9.9e37
    clients.bench.mend()
    clients.bench.inject({"kind": "dead reading", "reading": "cell voltage"})
    assert float(meter.ask("READ?")) == 9.91e37
    clients.bench.inject({"kind": "dead reading", "reading": "surface"})
    assert ask_terminal(clients.terminal("logger"), "T1?") == "T1 OPEN degC"


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
def test_a_reboot_breaks_the_session_and_forgets_the_settings(clients, output_on, state):
    """The port refuses while it boots, and the output is as the document says."""
    control, supply = clients.control(), clients.peer("supply")
    assert supply.ask("VOLT 4;CURR 1;:OUTP ON;OUTP?") == "1"
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
    assert again.ask("VOLT?;CURR?;OUTP?") == f"0.000;0.000;{state}"


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
    assert supply.ask("SYST:ERR?;SYST:ERR?") == '-330,"Broken";0,"No error"'
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
        meter.sendall(b"SYST:ERR?\n")
        assert meter.recv(100) == b'0,"No error"\n'
        control.sendall(b"advance 11000000000\n")
        assert control.recv(100) == b"at 11000000000\n"
        assert meter.recv(100) == b""


def test_an_output_that_is_switched_on_and_hangs_neither_answers_nor_obeys(clients):
    """On in truth, whatever it is told; with ``executes`` it obeys without a word."""
    supply = clients.peer("supply")
    assert supply.ask("OUTP?") == "0"
    clients.bench.inject({"kind": "on and silent", "instrument": "charge"})
    supply.tell("OUTP OFF;OUTP?")
    supply.socket.settimeout(0.2)
    with pytest.raises(TimeoutError):
        supply.line()
    assert clients.bench.truth()["supply_on"]
    clients.bench.mend()
    clients.bench.inject({"kind": "on and silent", "instrument": "charge", "executes": "yes"})
    again = clients.peer("supply")
    again.tell("OUTP OFF")
    clients.bench.mend()
    assert again.ask("OUTP?") == "0"
    assert not clients.bench.truth()["supply_on"]


def test_what_lost_its_power_comes_back_on_as_it_was_set(clients):
    """The session breaks and the port refuses meanwhile; settings and output are back then."""
    control, supply = clients.control(), clients.peer("supply")
    supply.tell("VOLT 4;CURR 1")
    assert supply.ask("OUTP?") == "0"
    clients.bench.inject({"kind": "power dip", "instrument": "charge", "boots for": "2 s"})
    assert supply.socket.recv(1) == b""
    with pytest.raises(ConnectionRefusedError):
        clients.peer("supply")
    control.ask("advance 4000000000")
    assert clients.peer("supply").ask("VOLT?;OUTP?") == "4.000;1"

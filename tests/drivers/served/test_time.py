"""Bench time of the served bench: held by a control connection, or running with real time."""

import time

import pytest

from drivers.simulated.served_time import START_NS, BenchTime
from tests.drivers.served.conftest import ask_terminal

PATIENCE_S = 10.0


class Reality:
    """A real clock that moves when told to, and a physics that writes down where it was moved."""

    def __init__(self) -> None:
        self.real_ns = 500
        self.moves: list[int] = []
        self.time = BenchTime(self.moves.append, lambda: self.real_ns)

    def pass_ns(self, span_ns: int) -> int:
        """Let real time pass; how far bench time has come."""
        self.real_ns += span_ns
        self.time.catch_up()
        return self.time.now_ns - START_NS


def test_time_stands_still_until_somebody_connects_and_then_runs_as_fast_as_real_time():
    """One to one, from where it stood."""
    reality = Reality()
    assert reality.pass_ns(1000) == 0
    reality.time.start()
    assert reality.pass_ns(250) == 250
    assert reality.moves == [START_NS + 250]


def test_a_holder_stops_time_and_moves_it_forward_only():
    """Advancing to the past is answered with the present and moves nothing."""
    reality = Reality()
    reality.time.hold()
    assert reality.pass_ns(1000) == 0
    assert reality.time.advance_to(START_NS + 70) == START_NS + 70
    assert reality.time.advance_to(START_NS + 10) == START_NS + 70
    reality.time.start()
    assert reality.pass_ns(1000) == 70
    assert reality.moves == [START_NS + 70]


def test_time_runs_on_from_where_it_is_after_the_last_holder_left():
    """Two holders: the first to leave changes nothing."""
    reality = Reality()
    reality.time.hold()
    reality.time.hold()
    reality.time.advance_to(START_NS + 5_000)
    reality.time.release()
    assert reality.pass_ns(100) == 5_000
    reality.time.release()
    assert reality.pass_ns(100) == 5_100
    reality.time.hold()
    assert reality.pass_ns(100) == 5_100


@pytest.mark.parametrize(("began", "after"), [(False, 0), (True, 100)])
def test_an_observer_leaves_time_as_it_was(began, after):
    """Standing still before anybody came, running once it ran."""
    reality = Reality()
    if began:
        reality.time.start()
    reality.time.hold()
    reality.time.unhold()
    assert reality.pass_ns(100) == after


def test_a_rate_multiplies_the_time_that_passes_from_then_on():
    """What had passed stays; a rate that is asked for while time is held counts afterwards."""
    reality = Reality()
    reality.time.start()
    assert reality.pass_ns(100) == 100
    reality.time.pace(20.0)
    assert reality.pass_ns(100) == 2_100
    assert reality.time.real_s_until(reality.time.now_ns + 20_000_000_000) == 1.0
    reality.time.hold()
    reality.time.pace(3.0)
    assert reality.pass_ns(100) == 2_100
    reality.time.release()
    assert reality.pass_ns(100) == 2_400
    reality.time.pace(1.0)
    assert reality.pass_ns(100) == 2_500


def test_a_rate_lasts_as_long_as_its_connection(clients):
    """A thousand times as fast, then held, then real time: an hour of bench time does not pass in
    the seconds that this test takes."""
    control = clients.control()
    assert control.ask("rate 1000") == "ok"
    began = time.monotonic()
    while int(control.ask("now")[3:]) < 500 * 1_000_000_000:
        assert time.monotonic() - began < PATIENCE_S, "500 s take half a second"
    assert control.ask("advance 900000000000000").startswith("error ")
    assert control.ask("rate 0") == "ok"
    held = control.ask("now")
    assert control.ask("now") == held
    assert control.ask("rate 1000") == "ok"
    control.close()
    observer = clients.control()
    observer.ask("observe")
    begun, first = time.monotonic(), int(observer.ask("now")[3:])
    passed = int(observer.ask("now")[3:]) - first
    while time.monotonic() < begun + 0.05:
        passed = int(observer.ask("now")[3:]) - first
    assert 0 < passed < 50 * (time.monotonic() - begun) * 1e9


def test_a_rate_that_is_none_is_refused(clients):
    """With the rule; and the time is held as before."""
    control = clients.control()
    for line in ("rate", "rate -1", "rate 1001", "rate nan", "rate 1e3", "rate fast"):
        assert control.ask(line) == "error rate takes a number from 0 to 1000", line
    assert control.ask("now") == "at 1000000000"


def test_the_control_protocol_to_the_letter(clients):
    """Nothing first, one answer a line, never backwards, an error for everything else."""
    control = clients.control()
    assert control.ask("now") == "at 1000000000"
    assert control.ask("advance 123000000000") == "at 123000000000"
    assert control.ask("advance 5") == "at 123000000000"
    assert control.ask("now") == "at 123000000000"
    for line in ("advance", "advance -1", "advance 1.5", "advance x", "hello", "", "fault {}"):
        assert control.ask(line).startswith("error "), line
    control.socket.sendall(b"advance 124000000000\nnow\n")
    assert [control.line(), control.line()] == ["at 124000000000"] * 2


def test_an_observer_may_not_move_time(clients):
    """Whoever only looks is told so."""
    clients.control()
    observer = clients.control()
    assert observer.ask("observe") == "ok"
    assert observer.ask("advance 123000000000").startswith("error ")
    assert observer.ask("now") == "at 1000000000"


def _trace(clients) -> list[str]:
    control, supply, meter = clients.control(), clients.peer("supply"), clients.peer("meter")
    load = clients.peer("load")
    contactor, logger = clients.terminal("contactor"), clients.terminal("logger")
    contactor.write(b"CLOSE\n")
    lines = [ask_terminal(contactor, "STATE?"), control.ask("now")]
    supply.tell("VOLT 4.2;CURR 2.5;:OUTP ON")
    for tick in range(2, 300):
        lines.append(control.ask(f"advance {tick * 10_000_000_000}"))
        lines.append(supply.ask("MEAS:VOLT?;:MEAS:CURR?;:OUTP?"))
        lines += [meter.ask("READ?"), load.ask("MEAS:VOLT?;:MEAS:CURR?;:INP?")]
        lines += [ask_terminal(logger, "T1?"), ask_terminal(logger, "T2?")]
        if tick == 150:
            supply.tell("OUTP OFF")
            load.tell("CURR 1.5;:INP ON")
    return lines


def test_in_lockstep_the_same_questions_get_the_same_answers(serve):
    """Fifty minutes of charge and discharge, twice: not one digit differs."""
    from tests.drivers.served.conftest import Clients

    traces = []
    for _ in range(2):
        clients = Clients(serve())
        traces.append(_trace(clients))
        clients.close()
    assert traces[0] == traces[1]
    assert len({line for line in traces[0] if line.startswith("T1")}) > 10


def test_when_the_control_connection_is_lost_real_time_goes_on(clients):
    """From where it was, no faster than real time, with the physics moving along."""
    control, supply = clients.control(), clients.peer("supply")
    contactor = clients.terminal("contactor")
    contactor.write(b"CLOSE\n")
    assert ask_terminal(contactor, "STATE?") == "CLOSED"
    supply.tell("VOLT 4.2;CURR 2;:OUTP ON")
    control.ask("advance 10000000000")
    held = clients.bench.truth()
    assert clients.bench.truth() == held, "nothing moves while the time is held"
    began = time.monotonic()
    control.close()
    truth = clients.bench.truth()
    while truth["at_ns"] < 10_050_000_000 and time.monotonic() < began + PATIENCE_S:
        truth = clients.bench.truth()
    assert truth["at_ns"] >= 10_050_000_000
    assert truth["at_ns"] - 10_000_000_000 <= (time.monotonic() - began) * 1e9
    assert truth["state_of_charge"] > held["state_of_charge"]
    supply.tell("OUTP OFF")
    assert supply.ask("OUTP?") == "0"
    again = clients.control()
    assert again.ask("now") == again.ask("now")


def test_without_any_control_connection_time_is_real(clients):
    """Enough for a person with a terminal: no control needed."""
    supply = clients.peer("supply")
    assert supply.ask("OUTP?") == "0"
    began = time.monotonic()
    while clients.bench.truth()["at_ns"] < START_NS + 20_000_000:
        assert time.monotonic() < began + PATIENCE_S

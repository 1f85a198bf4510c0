"""Making safe over fresh links: every way in which a bench can refuse, and what is then proven."""

import fcntl
import os
import pty
import threading
import time
from functools import partial
from types import SimpleNamespace

import pytest

from drivers.off import carrying_out
from drivers.off.plan import plan_safing
from drivers.off.raw_links import open_raw
from sequencer.documents.safing import Safed, SafingLink, SafingPlan, dump, load
from sequencer.vocabulary.verdict import Level
from tests.drivers.instruments.scripted import DEFINITIONS, ScriptedBench

make_safe = partial(carrying_out.make_safe, pause=lambda _: None)
prove_off = partial(carrying_out.prove_off, pause=lambda _: None)
"""These instruments need no time to settle: no pause is waited for, and it counts all the same."""


@pytest.fixture
def bench():
    """Five instruments, the supply charging with 1 A."""
    with ScriptedBench() as scripted:
        circuit = scripted.circuit
        circuit.supply_on, circuit.supply_set = True, [4.2, 1.0]
        yield scripted


@pytest.fixture
def impatient(monkeypatch):
    """Shorter time-outs where silence is the point; the order is the same."""
    monkeypatch.setattr(carrying_out, "OPEN_S", 0.3)
    return 0.3


@pytest.fixture
def unhurried(monkeypatch):
    """Time-outs for what answers and proves nothing: it is asked until they are over."""
    monkeypatch.setattr(carrying_out, "OPEN_S", 0.8)
    return 0.8


@pytest.fixture
def patient(monkeypatch):
    """Longer time-outs where everything answers: a busy computer changes nothing."""
    monkeypatch.setattr(carrying_out, "OPEN_S", 20.0)
    return 20.0


@pytest.fixture
def plan_of(bench, request):
    """Makes the bench's safing plan, with some instruments left at home and the patience of this
    test. This run has seen the contact part and join, as it has before anything is switched on."""
    given = set(request.fixturenames) & {"patient", "unhurried", "impatient"}
    answer_s = request.getfixturevalue(given.pop()) if given else 0.4

    def make(*without):
        plan = plan_safing(bench.document(*without), DEFINITIONS)
        timed = tuple(one._replace(answer_s=answer_s) for one in plan.instruments)
        return plan._replace(instruments=timed, contact_seen=True)

    return make


def test_a_plan_survives_its_own_json(bench, plan_of):
    """What is written into the run folder is the plan, to the last bound."""
    plan = plan_of()
    assert load(dump(plan)) == plan
    with pytest.raises(ValueError, match="not a safing plan"):
        load('{"bench": "x"}')


def test_every_output_goes_off_and_the_contactor_opens(bench, plan_of, patient):
    """The ordinary case: level A by the contactor's feedback, currents read, nothing against it."""
    proof = carrying_out.make_safe(plan_of())
    assert (proof.level, proof.contradicted, proof.is_off) == (Level.A, False, True)
    assert (proof.honest_a, proof.lying_a) == (0.0, 0.0)
    assert proof.evidence == (
        "psu reads 0.000 V, reads 0.000 A (at most 20 mA), output off",
        "eload reads 0.000 V, reads 0.000 A (at most 6 mA), output off",
        "breaker feedback open",
        "dmm reads 3.700 V",
    )
    circuit = bench.circuit
    assert not any((circuit.supply_on, circuit.load_on, circuit.closed))


def test_a_line_end_comes_first_then_off_twice_and_no_setting_is_touched(bench, plan_of, patient):
    """Half a command may be in the instrument; no voltage is programmed down, nothing reset."""
    make_safe(plan_of())
    assert bench["psu"].lines[:4] == ["", "OUTP OFF", "*CLS", "OUTP OFF"]
    assert bench["breaker"].lines[:3] == ["", "OPEN", "OPEN"]
    sent = {line for server in bench.servers.values() for line in server.lines}
    assert not [line for line in sent if line.startswith(("*RST", "VOLT ", "CURR "))]


def test_without_a_contactor_currents_states_and_another_voltage_give_level_b(
    bench, plan_of, patient
):
    """Level B is the best that such a bench reaches, and the plan says so beforehand."""
    proof = make_safe(plan_of("breaker"))
    assert (proof.level, proof.is_off) == (Level.B, True)
    assert plan_of("breaker").reach is Level.B


def test_an_output_that_ignores_off_without_a_contactor_is_contradicted(bench, plan_of, impatient):
    """It says on and its current flows: nothing may call that off."""
    bench["psu"].ignore.add("OUTP")
    proof = make_safe(plan_of("breaker"))
    assert proof.contradicted
    assert not proof.is_off
    assert any("current flows" in line for line in proof.evidence)
    assert bench["psu"].lines.count("OUTP OFF") > 2


def test_an_output_that_ignores_off_is_parted_by_the_contactor(bench, plan_of, impatient):
    """Output still on, but no current and an open contact: off is proven."""
    bench["psu"].ignore.add("OUTP")
    proof = make_safe(plan_of())
    assert (proof.level, proof.is_off) == (Level.A, True)
    assert any("output on" in line for line in proof.evidence)


def test_a_feedback_that_lies_is_caught_by_the_current(bench, plan_of, impatient):
    """The contact is said to be open while the supply, which ignores off, still gives 1 A."""
    bench["psu"].ignore.add("OUTP")
    bench["breaker"].ignore.add("OPEN")
    bench.feedback_lies = True
    proof = make_safe(plan_of())
    assert proof.contradicted
    assert not proof.is_off


def test_a_silent_supply_is_proven_off_by_the_contactor(bench, plan_of, impatient):
    """Muted after it was switched on: an open contact parts it from the cell."""
    bench["psu"].mute = True
    proof = make_safe(plan_of())
    assert (proof.level, proof.is_off) == (Level.A, True)
    assert {"psu: does not answer", "psu: no answer"} & set(proof.evidence)


@pytest.mark.parametrize("how", ["mute", "die"])
def test_a_supply_without_answer_and_no_contactor_proves_nothing(bench, plan_of, how, impatient):
    """The driving instrument is dead and nothing parts it from the cell: exit 7 follows."""
    if how == "die":
        bench["psu"].die()
    else:
        bench["psu"].mute = True
    proof = make_safe(plan_of("breaker"))
    assert (proof.level, proof.is_off) == (Level.NONE, False)


def test_a_dead_load_that_was_idle_proves_nothing(bench, plan_of, impatient):
    """It was off before; now it says nothing, nothing parts it from the cell, and nothing says that
    it did not come on."""
    bench["eload"].die()
    proof = make_safe(plan_of("breaker"))
    assert (proof.level, proof.is_off, proof.honest_a) == (Level.NONE, False, float("inf"))
    assert not bench.circuit.supply_on


def test_a_dead_load_is_parted_by_the_contactor(bench, plan_of, impatient):
    """The supply's own terminals show that the contact parts."""
    bench["eload"].die()
    proof = make_safe(plan_of())
    assert (proof.level, proof.is_off) == (Level.A, True)


def test_another_identity_is_switched_off_but_its_evidence_does_not_count(
    bench, plan_of, unhurried
):
    """Identity never gates off; it gates what is believed."""
    bench["psu"].garble = lambda line, reply: "Somebody" if line == "*IDN?" else reply
    proof = make_safe(plan_of("breaker"))
    assert not bench.circuit.supply_on
    assert proof.level is Level.NONE
    assert any("is not who it should be: 'Somebody'" in line for line in proof.evidence)


def test_another_serial_number_is_another_identity(bench, impatient):
    """Supply and load swapped on their ports: the serial number in the bench document tells."""
    entry = bench.document("breaker")
    supply = entry.instruments["psu"].model_copy(update={"serial_number": "S2"})
    swapped = entry.model_copy(update={"instruments": {**entry.instruments, "psu": supply}})
    assert make_safe(plan_safing(swapped, DEFINITIONS)).level is Level.NONE


def test_answers_that_come_one_late_do_not_count(bench, plan_of, impatient):
    """A reply held back answers the next question: it does not fit, nothing of it is believed."""
    bench["psu"].hold = True
    proof = make_safe(plan_of("breaker"))
    assert not proof.is_off
    assert not bench.circuit.supply_on


@pytest.mark.parametrize("reply", ["9.91E37", "nan", "1_0.0", "0,000", "", "0.000 mA", "٠.٠"])
def test_no_number_is_no_evidence(bench, plan_of, reply, impatient):
    """Not-a-number 9.91E37 (SCPI-1999) and whatever float() would take by mistake."""
    bench["psu"].garble = lambda line, said: f"3.7;{reply};0" if line.startswith("MEAS") else said
    assert not make_safe(plan_of("breaker")).is_off


def test_half_a_line_is_no_evidence(bench, plan_of, impatient):
    """``0.0`` may be the beginning of ``0.012``."""
    bench["psu"].garble = lambda line, said: "3.7;0.0\\" if line.startswith("MEAS") else said
    assert not make_safe(plan_of("breaker")).is_off


def test_nobody_answers(bench, plan_of, impatient):
    """Everything is dead: no exception, a line for each, nothing proven, within the bound."""
    for server in bench.servers.values():
        server.die()
    proof = make_safe(plan_of())
    assert (proof.level, proof.is_off, proof.honest_a) == (Level.NONE, False, float("inf"))
    assert len(proof.evidence) == 4


def test_proving_commands_nothing(bench, plan_of, impatient):
    """With current flowing the proof is contradicted and nothing was switched."""
    proof = prove_off(plan_of())
    assert proof.contradicted
    assert bench.circuit.supply_on
    assert bench.circuit.closed
    assert not [line for line in bench["psu"].lines if "OFF" in line]


def test_a_session_that_is_dropped_is_opened_again(bench, plan_of, patient):
    """Some servers drop the second session of a dying owner; the next one is taken."""
    server, dropped = bench["psu"], []

    def drop_once(line, reply):
        if line == "*IDN?" and not dropped:
            dropped.append(line)
            server.drop()
        return reply

    server.garble = drop_once
    assert make_safe(plan_of("breaker")).level is Level.B
    assert server.opened == 2


def test_no_thread_to_be_had_still_switches_off(bench, plan_of, patient, monkeypatch):
    """With the process at its limit of threads the instruments are served one after the other."""

    class NoThread:
        def __init__(self, **_):
            pass

        def start(self):
            raise RuntimeError("can't start new thread")

    plan = plan_of()
    exhausted = SimpleNamespace(Thread=NoThread, Condition=threading.Condition)
    monkeypatch.setattr(carrying_out, "threading", exhausted)
    proof = make_safe(plan)
    assert not any((bench.circuit.supply_on, bench.circuit.closed))
    assert proof.is_off


def contactor_on_pty(answers):
    """A line contactor on a pseudo-terminal, served by a thread; the device and what was sent."""
    inside, outside = pty.openpty()
    seen: list[str] = []

    def serve():
        rest = b""
        while True:
            try:
                rest += os.read(inside, 256)
            except OSError:
                return
            *lines, rest = rest.split(b"\n")
            for line in lines:
                seen.append(line.decode())
                if answers and line in (b"ID?", b"STATE?"):
                    os.write(
                        inside, b"Loopback,Contactor,K1,1.0\n" if line == b"ID?" else b"OPEN\n"
                    )

    threading.Thread(target=serve, daemon=True).start()
    return os.ttyname(outside), outside, seen


def on_terminal(plan, device):
    """A plan of the contactor alone, on that device."""
    breaker = next(one for one in plan.instruments if one.name == "breaker")
    wire = breaker._replace(link=SafingLink("serial", device=device, baud=115200))
    return SafingPlan("serial", (wire,), contact_seen=True)


def test_a_contactor_on_a_terminal_line(plan_of, patient):
    """The same order of lines over a pseudo-terminal, by termios alone."""
    device, outside, seen = contactor_on_pty(answers=True)
    proof = make_safe(on_terminal(plan_of(), device))
    assert proof.level is Level.A
    assert seen[:3] == ["", "OPEN", "OPEN"]
    os.close(outside)


def test_a_terminal_line_held_by_another_is_waited_for(plan_of, patient):
    """A dying process still holds the lock; once it is gone the line is ours and counts."""
    device, outside, _ = contactor_on_pty(answers=True)
    holder = os.open(device, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(holder, fcntl.LOCK_EX)
    letting_go = threading.Timer(0.05, os.close, (holder,))
    letting_go.start()
    assert make_safe(on_terminal(plan_of(), device)).level is Level.A
    letting_go.join()
    os.close(outside)


def test_a_terminal_line_that_stays_held_is_told_off_but_not_believed(plan_of, unhurried):
    """Off matters more than ownership; but two owners swap replies, so nothing read counts."""
    device, outside, seen = contactor_on_pty(answers=True)
    holder = os.open(device, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(holder, fcntl.LOCK_EX)
    proof = make_safe(on_terminal(plan_of(), device))
    assert seen[:3] == ["", "OPEN", "OPEN"]
    assert proof.level is Level.NONE
    assert any("held by another" in line for line in proof.evidence)
    os.close(holder)
    os.close(outside)


def test_a_hanging_link_does_not_keep_the_others(bench, plan_of, impatient, monkeypatch):
    """An open that never returns is left behind; the others are off and the contactor proves it."""
    hung = threading.Event()
    really_open = open_raw

    def open_or_hang(link, end, deadline, *shared):
        if link.port == bench["psu"].port:
            hung.wait()
        return really_open(link, end, deadline, *shared)

    monkeypatch.setattr(carrying_out, "open_raw", open_or_hang)
    began = time.monotonic()
    proof = make_safe(plan_of())
    assert proof.level is Level.A
    assert time.monotonic() - began < 30.0  # bounded at all: a hang would be for ever
    hung.set()


def test_an_empty_plan_proves_nothing():
    """No witness, no proof."""
    assert make_safe(SafingPlan("none", ())).level is Level.NONE


def test_an_instrument_without_identity_is_drained_first(bench, plan_of, patient):
    """Without a known answer the line is read until quiet, then asked."""
    plan = plan_of("breaker")
    anonymous = tuple(one._replace(identify=None) for one in plan.instruments)
    assert make_safe(plan._replace(instruments=anonymous)).level is Level.B


def test_unreachable_words(impatient):
    """The line of evidence says where it was looked for."""
    one = Safed("psu", ("charge",), SafingLink("tcp", "127.0.0.1", 9), offs=("OUTP OFF",))
    proof = carrying_out.make_safe(SafingPlan("x", (one,)))
    assert proof.evidence[0].startswith("psu: 127.0.0.1:9: ")

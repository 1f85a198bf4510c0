"""The served bench itself: one physics, a wire and a device for each instrument, one loop.

Owns which instrument gets which wire, where faults go, and when the process may end; the physics,
the wires and the languages are others'.
"""

import gc
import os
import signal
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from drivers.dialects.forming import NoReplyFitsError
from drivers.simulated.bench import SimulatedBench
from drivers.simulated.concerned import instrument_named
from drivers.simulated.disturbance import Disturbance
from drivers.simulated.faults import NEVER_NS, FaultSchedule
from drivers.simulated.instruments import (
    SimulatedContactor,
    SimulatedLoad,
    SimulatedMeter,
    SimulatedSupply,
    protection_range,
)
from drivers.simulated.served_control import Control
from drivers.simulated.served_devices import Served, ports_of, reset_load, serial_of
from drivers.simulated.served_ends import end_of
from drivers.simulated.served_loop import EventLoop
from drivers.simulated.served_time import START_NS, BenchTime
from drivers.simulated.served_wire import SocketWire, TerminalWire, WireUse
from drivers.transports.address import parse_address
from sequencer.documents.bench import SERVED, BenchDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.faults import FaultDocument
from sequencer.documents.link import LinkKind
from sequencer.documents.simulation import SimulatedCellDocument

_EARLIEST_WAKE_S = 0.001
_LATEST_WAKE_S = 1.0
"""A rate may have been asked for in the meantime."""
_LOOKS = 10
"""How often the time alone is looked at before it is long enough."""
_DEFAULT_ENTRY = "-330,Self-test failed"
_USUAL_STREAM_S = 0.5
_HELD_STREAM_S = 0.01
"""Between two lines that nobody asked for while bench time stands still (real time)."""


class Documents(NamedTuple):
    """Everything that a served bench is made of; ``definitions`` by instrument name."""

    bench: BenchDocument
    definitions: Mapping[str, InstrumentDefinition]
    cell: SimulatedCellDocument
    faults: Sequence[FaultDocument] = ()
    linger_s: float = 10.0
    """How long the bench outlives its owner with nobody connected (real time)."""


class Server:
    """All wires of one bench."""

    def __init__(self, documents: Documents) -> None:
        """A bench that listens, its time standing still.

        Raises:
            ValueError: a fault that this bench has no place for.
        """
        self._documents = documents
        self._loop = EventLoop()
        self._bench = SimulatedBench(documents.bench, documents.definitions, documents.cell)
        self._disturbance = Disturbance(self._bench)
        self._schedule = FaultSchedule(
            self._bench.advance_to, self._bench.cell_amps, self, (), START_NS
        )
        self._time = BenchTime(self._schedule.advance_to)
        self._devices: dict[str, Served] = {}
        self._wires: dict[str, SocketWire | TerminalWire] = {}
        self._looks_alone = 0
        self._serve_instruments()
        self._control = Control(self._loop, self._time, self)
        for fault in documents.faults:
            self.check(fault)
            self._schedule.add(fault, START_NS)
        self._schedule.advance_to(START_NS)

    def _serve_instruments(self) -> None:
        placed = self._documents.bench.instruments
        is_real = all(one.address != SERVED for one in placed.values())
        for name, instrument in self._bench.instruments.items():
            if is_real or placed[name].address == SERVED:
                try:
                    device = Served(instrument, serial_of(self._documents.bench, name))
                except NoReplyFitsError as error:
                    kind = instrument.definition.definition
                    raise ValueError(f"{name} ({kind}) cannot be served: {error}") from error
                self._devices[name] = device
        for names in ports_of(self._documents.bench, self._devices):
            wire = self._wire([self._devices[name] for name in names], self._kind_of(names[0]))
            self._wires |= dict.fromkeys(names, wire)
        for name, device in self._devices.items():
            if any(one.streamed for one in device.definition.operations.values()):
                self._stream(name)

    def _kind_of(self, name: str) -> LinkKind:
        """As its address has it; where it has none, the first that its definition names."""
        address = self._documents.bench.instruments[name].address
        if address == SERVED:
            return self._devices[name].definition.link.kinds[0]
        return parse_address(address).kind

    def _wire(self, devices: Sequence[Served], kind: LinkKind) -> SocketWire | TerminalWire:
        links = [one.definition.link for one in devices]
        slow_s = max(one.slowest_answer or 0.0 for one in links)
        return (TerminalWire if kind == "serial" else SocketWire)(
            self._loop,
            WireUse(
                end_of(links[0], devices, is_serial=kind == "serial"),
                self._time.catch_up,
                self._new_client,
                lambda: self._time.real_s(slow_s),
            ),
        )

    def _stream(self, name: str) -> None:
        """Lines that nobody asked for; while bench time stands still as often as they are read."""
        device = self._devices[name]
        able = device.definition.capabilities.values()
        interval_s = max((one.fastest_interval for one in able), default=0.0) or _USUAL_STREAM_S
        self._time.catch_up()
        for line in device.streamed():
            self._wires[name].say(line)
        self._loop.after(
            self._time.real_s(interval_s) or _HELD_STREAM_S, lambda: self._stream(name)
        )

    @property
    def addresses(self) -> dict[str, str]:
        """Where every instrument answers, as a bench document writes addresses."""
        return {
            name: wire.address(as_resource="visa" in self._devices[name].definition.link.kinds)
            for name, wire in self._wires.items()
        }

    @property
    def control(self) -> tuple[str, int]:
        """Where bench time is controlled."""
        return self._control.address

    def _new_client(self) -> None:
        """Somebody is there: time may run, and timed faults must come although nobody asks."""
        self._looks_alone = 0
        self._control.accept()
        self._time.start()
        self._wake()

    def _wake(self) -> None:
        """Keep faults on time while bench time follows real time."""
        self._time.catch_up()
        if self._time.runs and self._schedule.next_ns < NEVER_NS:
            left_s = self._time.real_s_until(self._schedule.next_ns)
            self._loop.after(min(max(left_s, _EARLIEST_WAKE_S), _LATEST_WAKE_S), self._wake)

    def check(self, fault: FaultDocument) -> None:
        """Raise ValueError when this bench has no place for the fault."""
        if fault.is_physical:
            self._disturbance.check(fault)
            return
        if fault.kind == "on and silent":
            self._disturbance.check_switched(fault)
        name = instrument_named(self._documents.bench, fault.instrument or "")
        if name not in self._wires:
            raise ValueError(f"{name} is not served")
        if fault.kind == "error queue":
            self._devices[name].check_complaint(fault.text or _DEFAULT_ENTRY)
        if fault.kind == "killed" and fault.lasting and self._is_terminal(name):
            raise ValueError(f"{name} is on a terminal, which cannot come back: leave out for")

    def _is_terminal(self, name: str) -> bool:
        return isinstance(self._wires[name], TerminalWire)

    def inject(self, fault: FaultDocument) -> None:
        """Schedule a fault, its ``at`` counted from now.

        Raises:
            ValueError: this bench has no place for it.
        """
        self.check(fault)
        self._schedule.add(fault, self._time.now_ns)
        self._schedule.advance_to(self._time.now_ns)
        self._wake()

    def mend(self) -> None:
        """End every fault, and forget those that have not begun."""
        self._schedule.mend()

    def begin(self, fault: FaultDocument) -> None:
        """The fault holds from now on."""
        if fault.is_physical:
            self._disturbance.begin(fault)
            if fault.kind == "power dip":
                self._break_session(fault)
            return
        name = instrument_named(self._documents.bench, fault.instrument or "")
        wire, device = self._wires[name], self._devices[name]
        match fault.kind:
            case "on and silent":
                self._disturbance.switch_on(fault)
                wire.begin(fault, device)
            case "killed":
                wire.close()
            case "reboot":
                self._reboot(name, fault)
            case "error queue":
                code, _, words = (fault.text or _DEFAULT_ENTRY).partition(",")
                device.complain(code, words)
            case "identity":
                device.identity = fault.text or ""
            case _:
                wire.begin(fault, device)

    def _reboot(self, name: str, fault: FaultDocument) -> None:
        self._forget_settings(name, fault.output_on)
        self._break_session(fault)

    def _break_session(self, fault: FaultDocument) -> None:
        """Sessions break; while it boots a socket refuses, and a terminal takes nothing in. A port
        of several stays as it is, and only the one that boots takes nothing in."""
        name = instrument_named(self._documents.bench, fault.instrument or "")
        wire = self._wires[name]
        if not wire.is_shared:
            wire.drop()
        if fault.boots_for is None:
            return
        if isinstance(wire, SocketWire) and not wire.is_shared:
            wire.close()
        else:
            wire.begin(fault, self._devices[name])

    def end(self, fault: FaultDocument) -> None:
        """The fault is over."""
        if fault.is_physical:
            self._disturbance.end(fault)
        if fault.is_physical and fault.kind != "power dip":
            return
        name = instrument_named(self._documents.bench, fault.instrument or "")
        wire = self._wires[name]
        wire.end(fault)
        if fault.kind in ("killed", "power dip", "reboot"):
            wire.reopen()
        elif fault.kind == "identity":
            self._devices[name].identity = None

    def _forget_settings(self, name: str, output_on: bool | None) -> None:
        """As after mains came back: what was set is gone, the output is as told, or off."""
        self._devices[name].power_up()
        match self._bench.instruments[name]:
            case SimulatedSupply() as supply:
                supply.output(bool(output_on))
                supply.set_voltage(0.0)
                supply.set_current(0.0)
                supply.over_voltage = protection_range(supply.definition, "voltage")[1]
                supply.watchdog_s = 0.0
            case SimulatedLoad() as load:
                reset_load(load)
                load.output(bool(output_on))
            case SimulatedContactor() as contactor:
                contactor.watchdog_s = 0.0
                (contactor.close if output_on else contactor.open)()
            case SimulatedMeter():
                pass

    def truth(self) -> dict[str, Any]:
        """What is really so; for tests, which must not rely on what an instrument says."""
        bench, cell = self._bench, self._bench.cell
        return {
            "at_ns": self._time.now_ns,
            "voltage_v": cell.voltage_v,
            "current_a": cell.current_a,
            "state_of_charge": cell.state_of_charge,
            "surface_c": cell.surface_c,
            "core_c": cell.core_c,
            "supply_on": bench.supply is not None and bench.supply.is_on,
            "load_on": bench.load is not None and bench.load.is_on,
            "contactor_closed": bench.contactor is None or bench.contactor.is_closed,
            "opened": bench.lead_open or bench.cell_open,
            "connected": sorted(n for n, wire in self._wires.items() if wire.is_connected),
        }

    def follow(self, owner_fd: int) -> None:
        """End some time after the other end of this pipe is closed, once nobody is connected."""
        self._loop.watch(owner_fd, lambda _: self._orphaned(owner_fd))

    def _orphaned(self, owner_fd: int) -> None:
        if not os.read(owner_fd, 4096):
            self._loop.forget(owner_fd)
            self._looks_alone = 0
            self._look_for_clients()

    def _look_for_clients(self) -> None:
        """Whoever makes safe may come and go: only a long time alone is the end."""
        if self._control.is_connected or any(wire.is_connected for wire in self._wires.values()):
            self._looks_alone = 0
        if self._looks_alone == _LOOKS:
            self._loop.stop()
            return
        self._looks_alone += 1
        self._loop.after(self._documents.linger_s / _LOOKS, self._look_for_clients)

    def run(self) -> None:
        """Serve until SIGTERM or SIGINT, or until the owner is gone and nobody is left."""
        gc.freeze()
        self._loop.run()
        self.close()

    def end_on_signals(self) -> None:
        """End on SIGTERM and SIGINT, ignore SIGHUP; before anybody is told that it is ready.

        A handler alone does not end a wait, so every signal also writes to a watched pipe. An
        owner that waits for signals has blocked them, and the mask was inherited."""
        heard, woken = os.pipe()
        os.set_blocking(woken, False)
        signal.set_wakeup_fd(woken)
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: None)
        signal.signal(signal.SIGHUP, signal.SIG_IGN)
        signal.pthread_sigmask(signal.SIG_SETMASK, ())
        self._loop.watch(heard, lambda _: self._loop.stop())

    def close(self) -> None:
        """Close every wire and port."""
        self._control.close()
        for wire in set(self._wires.values()):
            wire.release()
        self._loop.close()

"""The order in which outputs and the contactor are switched: break before make, always.

Whatever leaves a direction goes off first; the contactor closes, by its own feedback, before an
output goes on and opens after all are off. A setting is sent once, read back, and never repeated
blindly. Knows lanes, not threads of its own.
"""

from collections.abc import Callable, Iterable
from functools import partial
from time import monotonic

from drivers.instruments.instrument import POISONING, Instrument
from drivers.instruments.lane import Lane
from drivers.instruments.settings import current_setting, floored
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.operations import ON_TIME, STAGE_S
from sequencer.vocabulary.commands import Command, Direction
from sequencer.vocabulary.faults import InstrumentError

_MODE = "set mode current"


class Outlets:
    """The outputs and the contactor of a bench, and what is known about them.

    ``energised`` holds the names of those that were switched on and not seen off since.
    """

    def __init__(
        self,
        supply: Lane | None,
        load: Lane | None,
        contactor: Lane | None,
        definitions: dict[str, InstrumentDefinition],
    ) -> None:
        self._by_direction = {Direction.CHARGE: supply, Direction.DISCHARGE: load}
        self.lanes = [lane for lane in (supply, load) if lane is not None]
        self.contactor = contactor
        self._definitions = definitions
        self.energised: set[str] = {lane.name for lane in self.lanes}
        self.direction = Direction.REST
        self._is_closed = False

    def apply(self, command: Command) -> None:
        """Bring everything to the commanded state.

        Raises:
            InstrumentError: what the first instrument that failed did.
            ValueError: to drive with the contactor open, or where nothing can.
        """
        drive = command.drive
        driver = self._by_direction.get(drive.direction)
        if command.is_trim and driver is not None:
            self._run(driver, partial(self._set_current, driver, command))
            return
        if drive.direction is not Direction.REST:
            if driver is None:
                raise ValueError(f"nothing on this bench can {drive.direction.value}")
            if self.contactor is not None and not command.connected:
                raise ValueError("nothing is driven through an open contactor")
        keeps = driver if self._is_closed or self.contactor is None else None
        self._all(self._switch_off, [lane for lane in self.lanes if lane is not keeps])
        self.direction = drive.direction
        if self.contactor is not None and command.connected != self._is_closed:
            self._move_contact(self.contactor, closed=command.connected)
        if driver is not None:
            self._run(driver, partial(self._drive, driver, command))

    def forget(self) -> None:
        """Everything was switched off by another way; nothing that was known holds."""
        self.direction = Direction.REST
        self._is_closed = False
        for lane in (*self.lanes, *([self.contactor] if self.contactor is not None else [])):
            lane.drives = False

    def _all(self, act: Callable[[Lane, Instrument], None], lanes: Iterable[Lane]) -> None:
        deadline = monotonic() + STAGE_S
        jobs = [lane.call(partial(act, lane)) for lane in lanes]
        for job in jobs:
            job.result(deadline)

    def _run(self, lane: Lane, act: Callable[[Instrument], None]) -> None:
        lane.call(act).result(monotonic() + STAGE_S)

    def _switch_off(self, lane: Lane, instrument: Instrument) -> None:
        was_idle, lane.drives = not lane.drives, False
        lane.make_sound(instrument)
        try:
            instrument.perform("output off")
        except InstrumentError as error:
            if error.kind not in POISONING or not was_idle:
                raise
            lane.make_sound(instrument)  # a session that was lost while idle is found here
            instrument.perform("output off")

    def _move_contact(self, lane: Lane, *, closed: bool) -> None:
        self._is_closed = False
        self._run(lane, partial(self._switch_contact, lane, closed))
        self._is_closed = closed

    def _switch_contact(self, lane: Lane, closed: bool, instrument: Instrument) -> None:
        lane.drives = True
        lane.make_sound(instrument)
        instrument.perform("close" if closed else "open")
        lane.drives = closed

    def _drive(self, lane: Lane, command: Command, instrument: Instrument) -> None:
        able, drive = self._definitions[lane.name], command.drive
        if drive.direction is Direction.CHARGE:
            volts = floored(able, "set voltage", drive.voltage_v, lane.name)
            is_new = lane.drives and not lane.is_set("set voltage", volts)
            if is_new and able.operations["set voltage"].only_while_off:
                self._switch_off(lane, instrument)  # and on again below, once all is set
            lane.set(instrument, "set voltage", volts)
        else:
            self._set_timer(lane, drive.on_time_s, instrument)
            if not lane.drives:  # changing the mode drops the input
                lane.make_sound(instrument)
                instrument.perform(_MODE)
        self._set_current(lane, command, instrument)
        if not lane.drives:
            self.energised.add(lane.name)
            lane.drives = True
            instrument.perform("output on")

    def _set_timer(self, lane: Lane, seconds: float, instrument: Instrument) -> None:
        """When the load ends its current by itself, or that it does not (0 s). A timer counts from
        the moment of switching on, so that another one is set with the output off."""
        able = self._definitions[lane.name]
        if ON_TIME not in able.operations:
            if seconds:
                raise ValueError(f"{lane.name} has no timer of its own for {seconds:g} s")
            return
        wanted = floored(able, ON_TIME, seconds, lane.name)
        if lane.drives and (wanted or not lane.is_set(ON_TIME, wanted)):
            self._switch_off(lane, instrument)
        lane.set(instrument, ON_TIME, wanted)

    def _set_current(self, lane: Lane, command: Command, instrument: Instrument) -> None:
        amps = current_setting(self._definitions[lane.name], command, lane.name)
        lane.set(instrument, "set current", amps)

"""Readings turned into values with uncertainties that share the instruments' error variables.

Owns which error of which instrument reaches which quantity. One meter is one gain and one offset:
what cancels in a ratio or a difference does cancel. Charge and energy are positive numbers here,
whichever way the current flowed. True = read + errors; errors have expectation zero.
"""

from collections.abc import Iterable, Mapping, Sequence
from math import inf, nan, sqrt
from typing import Any, Literal

import numpy as np
from uncertainties import UFloat, ufloat

from sequencer.analysis.results import Figure, Tested
from sequencer.analysis.uncertainty import gum
from sequencer.analysis.uncertainty.budget import figure_of
from sequencer.analysis.uncertainty.channels import ChannelErrors, Errors, exactly
from sequencer.analysis.uncertainty.surroundings import departure_k, half_interval_s, noise
from sequencer.analysis.uncertainty.zeros import rows_at_rest
from sequencer.documents.capability import Capability
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.sensing import capability_of
from sequencer.documents.specimen import Weighed, Weighing
from sequencer.vocabulary.quantities import decimals
from sequencer.vocabulary.table import Floats

By = Literal["charge", "discharge"]
Place = Literal["surface", "tab", "room"]

CLOCK = 100e-6
"""Limit of error of a computer's clock rate (common practice: a quartz keeps 100 ppm)."""
LEAD = 0.1
"""Limit of error of a stated lead resistance, as a share of it (our assumption)."""

_FIELDS = {"charge": "supply_a", "discharge": "load_a"}
"""The sample's field that a recorded zero stands under, where there is no ammeter."""
_COLUMNS = {"charge": "Supply Current / A", "discharge": "Load Current / A"}
"""The column of the record that holds its readings then."""


class Measured:
    """What was read, with what it is worth. Made by ``Measured.of``; pure, nothing is stored but
    the error variables. Without bench or definitions every standard uncertainty is NaN."""

    def __init__(self, tested: Tested) -> None:
        self._tested = tested
        self._errors = Errors()
        self._departure_k = departure_k(tested.table.room_c)
        self._edge_s = half_interval_s(tested.table.time_s)
        self._volts = self._voltmeter()
        self._noises: dict[tuple[str, float], float] = {}
        self._ammeters: dict[By, tuple[ChannelErrors, float]] = {}
        self._rest_rows = rows_at_rest(tested.table)
        self._rests: dict[tuple[str | None, bool], Floats | None] = {}

    @classmethod
    def of(cls, tested: Tested) -> "Measured":
        """The instruments of that run, with one set of errors for everything they read."""
        return cls(tested)

    # What was read

    def charge(self, ah: float, hours: float, by: By) -> UFloat:
        """A charge (Ah) from the integral of the readings over ``hours``; the recorded zero of the
        current is taken off. A steady current's rounding is constant: it does not average out."""
        at = _ratio(ah, hours)
        meter, sense = self._ammeter(by)
        known = ah - sense * meter.zero_at(sense * at) * hours
        error = meter.gain(sense * at) * ah + self._fixed(meter, sense, at) * hours
        return exactly(known) + error + self._timing(known, hours, at, by)

    def energy(self, wh: float, ah: float, volt_hours: float, hours: float, by: By) -> UFloat:
        """An energy (Wh): ``ah`` weighs the voltage's offset, ``volt_hours`` (the integral of the
        voltage) the current's. A voltage that sweeps many counts rounds to nothing on average."""
        at, volts = _ratio(ah, hours), _ratio(volt_hours, hours)
        meter, sense = self._ammeter(by)
        known = wh - sense * meter.zero_at(sense * at) * volt_hours
        error = (meter.gain(sense * at) + self._volts.gain(volts)) * wh
        error = error + self._fixed(meter, sense, at) * volt_hours + self._volts.offset(volts) * ah
        return exactly(known) + error + self._timing(known, hours, at, by)

    def volts(self, v: float) -> UFloat:
        """One voltage reading (V)."""
        steady = self._volts.gain(v) * v + self._volts.offset(v)
        return exactly(v) + steady + self._volts.rounding(v) + self._noise(v)

    def drop(self, v1: float, v2: float) -> UFloat:
        """``v1 - v2`` (V) of one meter: the offset cancels; gain, rounding and noise stay."""
        single = self._volts.rounding(v1) + self._noise(v1)
        other = self._volts.rounding(v2) + self._noise(v2)
        return exactly(v1 - v2) + self._volts.gain(v1) * (v1 - v2) + single - other

    def amps(self, a: float, by: By) -> UFloat:
        """One current reading (A), a positive number; the recorded zero is taken off."""
        meter, sense = self._ammeter(by)
        known = a - sense * meter.zero_at(sense * a)
        error = meter.gain(sense * a) * a + self._fixed(meter, sense, a)
        return exactly(known) + error + self._current_noise(a, meter.count(sense * a), by)

    def limit_a(self, a: float, by: By) -> tuple[str, float]:
        """Which instrument read that current, and its largest allowed error there (A; NaN: not
        known)."""
        meter, sense = self._ammeter(by)
        return meter.name, meter.limit(sense * a)

    def hidden_zeros(self) -> dict[str, tuple[float, float]]:
        """Ammeters whose display hid their zero: the offset (A) that stays open, and how many times
        smaller that part would be with a known zero."""
        meters = [self._ammeter("charge")[0], self._ammeter("discharge")[0]]
        found = {one.name: one.hidden_zero(0.0) for one in meters}
        return {name: hidden for name, hidden in found.items() if hidden is not None}

    def celsius(self, c: float, place: Place) -> UFloat:
        """One temperature reading (degC)."""
        sensor = self._sensor(place)
        return exactly(c) + sensor.gain(c) * c + sensor.offset(c) + sensor.rounding(c)

    def seconds(self, s: float) -> UFloat:
        """A time (s): the clock's rate, and both ends within half a sampling interval."""
        error = self._rate() * s + self._edges(("seconds", s))
        return exactly(s) + error

    def at_voltage(self, value: UFloat, v: float, per_volt: float) -> UFloat:
        """The same value where it belongs to a voltage that the meter had to find (a cut-off):
        ``per_volt`` is how fast the value changes there, and the voltage's error goes with it."""
        return value + per_volt * (self._volts.gain(v) * v + self._volts.offset(v))

    # What was noted

    def mass(self, of: Weighed) -> UFloat:
        """The specimen's mass (g) in that state, NaN when it was not weighed so. A balance has one
        error for all that lay on it, and one for each thing that was weighed by itself."""
        specimen = self._tested.specimen
        seen = () if specimen is None else specimen.weighed(of)
        if specimen is None or not seen:
            return ufloat(nan, nan)
        digit = _digit(one.mass for one in specimen.weighings)
        nets = [self._net(one, digit) for one in seen]
        scatter = self._scatter(("mass", of), f"weighing {of}", [one.net_g for one in seen])
        return sum(nets[1:], nets[0]) / len(nets) + scatter

    def _net(self, one: Weighing, digit: float) -> UFloat:
        off = one.less
        less = self._weighed(off, one.balance or min(digit, _digit(off.values())))
        return exactly(one.mass) + self._balance("", one.balance or digit) - less

    def _weighed(self, things: Mapping[str, float], limit_g: float) -> UFloat:
        """The masses of things that were weighed one by one, together (g)."""
        return sum(
            (exactly(mass) + self._balance(name, limit_g) for name, mass in things.items()),
            exactly(0.0),
        )

    def _balance(self, of: str, limit_g: float) -> UFloat:
        words = f"balance, within {limit_g:g} g" + (f", of the {of}" if of else "")
        return self._errors.one(("balance", of, limit_g), words, gum.rectangular(limit_g))

    def pack_mass(self) -> UFloat:
        """The mass of the pack that the specimen is out of (g): so many bare cells like this one,
        and its parts; NaN where it is out of none."""
        specimen = self._tested.specimen
        pack = None if specimen is None else specimen.out_of
        if pack is None:
            return ufloat(nan, nan)
        limit_g = pack.balance or _digit(pack.parts.values())
        return pack.cells * self.mass("bare") + self._weighed(pack.parts, limit_g)

    def volume(self) -> UFloat:
        """The cell's volume (mL) as its document states it, to half a digit; else NaN."""
        cell = self._tested.cell
        if cell is None or (cell.volume is None and cell.size is None):
            return ufloat(nan, nan)
        if cell.volume is not None:
            return self._stated("volume", cell.volume)
        assert cell.size is not None
        length, width, thickness = (
            self._stated(name, getattr(cell.size, name))
            for name in ("length", "width", "thickness")
        )
        return length * width * thickness * 1e-3

    def lead_ohms(self) -> UFloat:
        """Resistance of the current-carrying leads (Ohm, the loop), as the bench document says."""
        bench = self._tested.bench
        if bench is None:
            return ufloat(nan, nan)
        stated = bench.wiring.lead_resistance
        lead = self._errors.one("lead", "lead resistance", gum.rectangular(LEAD * stated))
        return exactly(stated) + lead

    def on_a_line(
        self, values: Sequence[UFloat], at: Sequence[float], of: str
    ) -> tuple[UFloat, UFloat]:
        """The same quantity measured along something that it changes with: its value in the middle
        of ``at``, and how fast it changes. Three or more scatter about the line (type A, GUM H.3),
        beside the instruments' errors that all of them share; two do not tell their scatter.

        Raises:
            ValueError: all of them at one place.
        """
        middle = float(np.mean(at))
        about = [one - middle for one in at]
        square = sum(one * one for one in about)
        if not square > 0.0:
            raise ValueError("a line needs values at two places")
        mean = sum(values[1:], values[0]) / len(values)
        slope = sum(x * one for x, one in zip(about, values, strict=True)) / square
        if len(values) > 2:
            line = gum.fit_line(np.array(at), np.array([one.nominal_value for one in values]))
            freedom = float(line.degrees_of_freedom)
            spread = line.residual / sqrt(len(values))
            words = f"scatter of {of} about the line"
            keys = ("line", of, *at, line.residual), ("slope", of, *at, line.residual)
            mean = mean + self._errors.one(keys[0], words, spread, freedom)
            slope = slope + self._errors.one(keys[1], words, line.slope_u, freedom)
        return mean, slope

    def known(
        self, value: float, standard: float, source: str, degrees_of_freedom: float = inf
    ) -> UFloat:
        """A value with an uncertainty of its own, from a fit or a paper; ``source`` goes into the
        budget. The same source and standard uncertainty is the same error."""
        key = ("known", source, standard)
        return exactly(value) + self._errors.one(key, source, standard, degrees_of_freedom)

    def within(self, limit: float, source: str) -> UFloat:
        """Nothing, give or take a limit of error (rectangular); one error for each limit."""
        return self.known(0.0, gum.rectangular(limit), source)

    # What it is worth

    def figure(self, key: str, label: str, value: UFloat | float, unit: str, **rest: Any) -> Figure:
        """The number with its budget: contributions by source, largest first, effective degrees of
        freedom (Welch-Satterthwaite), 95 % interval by Student's t. ``rest`` goes into Figure."""
        return figure_of(key, label, value, unit, self._errors.degrees, **rest)

    # Which error reaches what

    def _fixed(self, meter: ChannelErrors, sense: float, at: float) -> UFloat:
        return sense * (meter.offset(sense * at) + meter.rounding(sense * at))

    def _timing(self, whole: float, hours: float, at: float, by: By) -> UFloat:
        """The clock's rate, and where the step began and ended between two samples."""
        share = _ratio(1.0, 3600.0 * hours)
        return (self._rate() + self._edges((by, at, hours)) * share) * whole

    def _rate(self) -> UFloat:
        known = self._tested.bench is not None
        return self._errors.one("clock", "clock rate", gum.rectangular(CLOCK) if known else nan)

    def _edges(self, of: tuple[object, ...]) -> UFloat:
        both = sqrt(2.0) * gum.rectangular(self._edge_s)
        return self._errors.one(("edges", *of), "beginning and end between samples", both)

    def _noise(self, v: float) -> UFloat:
        key = ("rest", self._volts.count(v))
        if key not in self._noises:
            self._noises[key] = noise(self._tested.table, self._tested.table.voltage_v, *key)
        return self._errors.one(("noise", v), "voltage noise", self._noises[key])

    def _current_noise(self, a: float, count: float, by: By) -> UFloat:
        key = (by, count)
        if key not in self._noises:
            self._noises[key] = noise(self._tested.table, self._tested.table.current_a, *key)
        return self._errors.one(("noise", by, a), "current noise", self._noises[key])

    def _scatter(self, key: tuple[object, ...], source: str, seen: Sequence[float]) -> UFloat:
        if len(seen) < 2:
            return exactly(0.0)
        standard = float(np.std(seen, ddof=1)) / sqrt(len(seen))
        return self._errors.one(key, source, standard, len(seen) - 1.0)

    def _stated(self, name: str, value: float) -> UFloat:
        half = 0.5 * 10.0 ** -decimals(value)
        return exactly(value) + self._errors.one(name, f"stated {name}", gum.rectangular(half))

    # Which instrument read what

    def _ammeter(self, by: By) -> tuple[ChannelErrors, float]:
        """The channel, and +1 where its own reading is positive for that direction, else -1."""
        if by not in self._ammeters:
            self._ammeters[by] = self._ammeter_of(by)
        return self._ammeters[by]

    def _ammeter_of(self, by: By) -> tuple[ChannelErrors, float]:
        bench = self._tested.bench
        if bench is None:
            return self._channel(None, "current"), 1.0
        own = bench.wiring.current
        name = own.by if own is not None else getattr(bench.wiring, by)
        definition = self._tested.definitions.get(name)
        charges = definition is None or definition.kind != "load"
        field = "current_a" if own is not None else _FIELDS[by]
        zeros = self._tested.current_zero_a
        zero = zeros.get(name or "", zeros.get(field, nan))
        sense = 1.0 if charges == (by == "charge") else -1.0
        at_rest = self._at_rest(None if own is not None else _COLUMNS[by], charges=charges)
        return self._channel(name, "current", zero=zero, at_rest=at_rest), sense

    def _at_rest(self, column: str | None, *, charges: bool) -> Floats | None:
        """What an ammeter showed in the rests, with its own sign: in a column of its own, or else
        as the current; None where the record does not have that column."""
        if (column, charges) not in self._rests:
            table, rows = self._tested.table, self._rest_rows
            seen = None
            if column is None:
                seen = table.current_a[rows] * (1.0 if charges else -1.0)
            elif column in table.channels:
                seen = table.at(rows, (column,))[column]
            self._rests[column, charges] = seen
        return self._rests[column, charges]

    def _voltmeter(self) -> ChannelErrors:
        bench = self._tested.bench
        return self._channel(None if bench is None else bench.wiring.voltage.by, "voltage")

    def _sensor(self, place: Place) -> ChannelErrors:
        bench, definitions = self._tested.bench, self._tested.definitions
        sensors = () if bench is None else bench.wiring.sensors
        found = next((one for one in sensors if one.place == place), None)
        name, able = ("", None)
        if bench is not None and found is not None:
            name, able = found.by, capability_of(found, bench.wiring, definitions)
        return ChannelErrors(self._errors, name, f"{place} temperature", able, self._departure_k)

    def _channel(
        self,
        name: str | None,
        quantity: str,
        zero: float = nan,
        at_rest: Floats | None = None,
    ) -> ChannelErrors:
        definition = self._tested.definitions.get(name or "")
        capability = _capability(definition, f"measure {quantity}")
        return ChannelErrors(
            self._errors, name or "", quantity, capability, self._departure_k, zero, at_rest
        )


def _ratio(above: float, below: float) -> float:
    return above / below if below else nan


def _capability(definition: InstrumentDefinition | None, name: str) -> Capability | None:
    return None if definition is None else definition.capabilities.get(name)


def _digit(values: Iterable[float]) -> float:
    """The last digit of the one that was written with the most."""
    return 10.0 ** -max(map(decimals, values), default=0)

"""What a run teaches about its bench that later proves off: pure, fed with every sample.

Owns zeros of currents, the zero and the resistance of shared leads, whether the contact parts what
it should, and what voltages read under the current that was last driven. The first readings at rest
count, never later ones: an output that comes on by itself must not become the zero that hides it.
"""

from collections.abc import Callable
from math import inf, isfinite, nan
from statistics import fmean
from typing import NamedTuple

from drivers.off.evidence import are_apart
from drivers.off.voltage_witness import fits_off, lead_drop, least_share, margin_v
from sequencer.documents.bench import Wiring
from sequencer.documents.safing import Before, LeadDrop, SafingPlan
from sequencer.vocabulary.sample import OFF, ON, UNKNOWN, Sample

_ZERO_READINGS = 16
_REST_READINGS = 32
_DRIVEN_READINGS = 8
_SETTLED_NS = 10_000_000_000
"""How long after current the voltages of two instruments are no longer compared for a zero: they
are read one after the other while the cell relaxes."""
_STEADY_NS = 3_000_000_000
"""How long after switching on a lead drop is first taken: what is idle is read less often."""
_MUCH = 20.0
"""A current that is so many times what can be told from zero measures a lead resistance."""


Apart = Callable[[Sample, int], bool | None]


class _Terminal(NamedTuple):
    """One output: its name, and the fields of a sample with what it reads, and when."""

    name: str
    volts: str
    amps: str
    state: str
    time: str


class Learned:
    """What one run has taught so far. ``driver``: the output that drove last, by name."""

    def __init__(self, wiring: Wiring, plan: SafingPlan) -> None:
        self._wiring, self._plan = wiring, plan
        self._by_name = {one.name: one for one in plan.instruments}
        self._terminals = _terminals(wiring)
        self._shared = tuple(self._on_shared_leads())
        self._zeros: dict[str, list[float]] = {}
        self._rested: dict[str, list[tuple[float, float]]] = {}
        self._steady: dict[str, list[tuple[float, float, float]]] = {}
        self._contact = _Contact()
        self._fields = _voltage_fields(wiring)
        self._visible_a = max((one.visible_a for one in plan.outputs), default=inf)
        self.driver = ""
        self._last_rest: Sample | None = None
        self._driven: Sample | None = None
        self._driven_ns = -_SETTLED_NS
        self._on_since_ns = 0
        self._ohm: dict[str, float] = {}
        self._on_c = nan

    # -- fed with samples

    def rest(self, sample: Sample) -> None:
        """A sample with no output commanded on."""
        self._last_rest = sample
        if not self.driver:
            self._take_zeros(sample)
        if self._wiring.contactor is not None:
            self._contact.look(sample, self._are_apart)
        if sample.at_ns - self._driven_ns >= _SETTLED_NS and self._is_wired(sample):
            self._take_rest(sample)

    def drive(self, sample: Sample, driver: str, *, is_on: bool) -> None:
        """A sample under current; one without new readings, or of an output that went off by
        itself, teaches nothing. What was read under another output says nothing of this one."""
        if driver != self.driver:
            self._driven = None
        self.driver, before = driver, self._driven
        if self._last_rest is not None:
            self._on_since_ns = sample.at_ns
        self._driven_ns = sample.at_ns
        is_new = before is None or (
            sample.current_at_ns > before.current_at_ns
            and sample.voltage_at_ns > before.voltage_at_ns
        )
        if not (is_on and is_new):
            return
        if not abs(sample.current_a) > self._visible_a:
            self._driven = None  # on without current: an open lead or cell; off changes nothing
            return
        if self._last_rest is not None:
            self._ohm = self._switched_on(self._last_rest, sample)
            self._on_c = sample.surface_c
            self._last_rest = None
        self._driven = sample
        self._take_steady(sample)

    def _driven_a(self, sample: Sample) -> float:
        """The current under which it was taken (A, positive charges). Where a load alone tells it,
        it is taken out of the cell, whatever sign is read, for a load has nothing to give. So a
        sign that its definition has wrong makes no voltage look as if it stepped the wrong way.
        (Not so of a supply: one that has failed can draw.)"""
        amps, wiring = sample.current_a, self._wiring
        is_load = wiring.current is None and self.driver == wiring.discharge
        return -abs(amps) if is_load and amps == -sample.load_a else amps

    def forget(self) -> None:
        """Off was seen: what was under current before matters no more."""
        self._driven = None

    # -- what it amounts to

    def told(self, plan: SafingPlan) -> SafingPlan:
        """The plan with everything that was learned."""
        before = self.before()
        instruments = tuple(
            one._replace(zero_a=self._zero(one.name), before=before.get(one.name))
            for one in plan.instruments
        )
        return plan._replace(
            instruments=instruments,
            driver=self.driver,
            contact_seen=self._contact.is_seen,
            leads=tuple(self._leads()),
        )

    def before(self) -> dict[str, Before]:
        """What each voltage channel read last under current, by instrument; nothing after off."""
        sample, found = self._driven, {}
        if sample is None:
            return {}
        share = least_share(self._on_c, sample.surface_c)
        for name, field in self._fields.items():
            volts, one = getattr(sample, field), self._by_name.get(name)
            if name != self.driver and isfinite(volts) and one is not None:
                ohm = self._ohm.get(name, nan)
                found[name] = Before(volts, self._driven_a(sample), ohm, margin_v(one), share)
        return found

    def explains_off(self, sample: Sample, since_ns: int) -> bool | None:
        """Whether every voltage newer than ``since_ns`` lies where off puts it; None when there is
        none to tell."""
        answers = []
        for name, before in self.before().items():
            field = self._fields[name]
            if getattr(sample, f"{field.removesuffix('_v')}_at_ns") > since_ns:
                answers.append(fits_off(before, getattr(sample, field)))
        return all(answers) if answers else None

    # -- one by one

    def _take_zeros(self, sample: Sample) -> None:
        for one in self._terminals:
            if getattr(sample, one.state) == OFF:
                self._keep(one.name, getattr(sample, one.amps))
        if self._wiring.current is not None:
            self._keep(self._wiring.current.by, sample.current_a)

    def _keep(self, name: str, amps: float) -> None:
        zeros = self._zeros.setdefault(name, [])
        if isfinite(amps) and len(zeros) < _ZERO_READINGS:
            zeros.append(amps)

    def _zero(self, name: str) -> float | None:
        zeros = self._zeros.get(name)
        return fmean(zeros) if zeros else None

    def _is_wired(self, sample: Sample) -> bool:
        return self._wiring.contactor is None or sample.contactor_closed == ON

    def _on_shared_leads(self) -> list[_Terminal]:
        """Outputs whose own voltage shows what drops in leads that they share with the other."""
        wiring = self._wiring
        if not wiring.shared_leads or wiring.voltage.sense != "four-wire":
            return []
        if wiring.voltage.by in (wiring.charge, wiring.discharge):
            return []
        senses = {"supply_v": wiring.supply_sense, "load_v": wiring.load_sense}
        return [
            one
            for one in self._terminals
            if senses[one.volts] == "two-wire" and self._sees(one.name)
        ]

    def _sees(self, name: str) -> bool:
        one = self._by_name.get(name)
        return one is not None and one.sees_cell

    def _take_rest(self, sample: Sample) -> None:
        for one in self._shared:
            pairs = self._rested.setdefault(one.name, [])
            far, near = getattr(sample, one.volts), sample.voltage_v
            is_off = all(getattr(sample, other.state) == OFF for other in self._terminals)
            if is_off and len(pairs) < _REST_READINGS and isfinite(far) and isfinite(near):
                pairs.append((far, near))

    def _take_steady(self, sample: Sample) -> None:
        if abs(sample.current_a) < _MUCH * self._visible_a:
            return
        for one in self._shared:
            readings = self._steady.setdefault(one.name, [])
            if one.name == self.driver or len(readings) >= _DRIVEN_READINGS:
                continue
            if getattr(sample, one.time) > self._on_since_ns + _STEADY_NS:
                far = getattr(sample, one.volts)
                readings.append((far, sample.voltage_v, self._driven_a(sample)))

    def _leads(self) -> list[LeadDrop]:
        near = self._by_name.get(self._wiring.voltage.by)
        found: list[LeadDrop] = []
        if near is None:
            return found
        for one in self._shared:
            lead = lead_drop(
                self._by_name[one.name],
                near,
                self._rested.get(one.name, []),
                self._steady.get(one.name, []),
                self._wiring.lead_resistance,
            )
            if lead is not None:
                found.append(lead)
        return found

    def _switched_on(self, rested: Sample, driven: Sample) -> dict[str, float]:
        """What each voltage channel sees of cell and leads: its step over the current that was
        switched on between two samples (ohm); NaN when it cannot be told, as when the contactor
        closed too."""
        amps, found = abs(driven.current_a), {}
        for name, field in self._fields.items():
            is_parted = rested.contactor_closed != driven.contactor_closed and field != "voltage_v"
            step_v = abs(getattr(driven, field) - getattr(rested, field))
            is_seen = not is_parted and amps > 2.0 * self._visible_a
            found[name] = step_v / amps if is_seen else nan
        return found

    def _are_apart(self, sample: Sample, since_ns: int) -> bool | None:
        """Whether a terminal behind the contact reads another voltage than the cell, of those read
        since ``since_ns`` with every output off; None where that cannot be told."""
        near = self._by_name.get(self._wiring.voltage.by)
        told = []
        for one in self._terminals:
            is_new = getattr(sample, one.time) > since_ns and sample.voltage_at_ns > since_ns
            far = self._by_name.get(one.name)
            if far is None or near is None or near is far or not (is_new and far.sees_cell):
                continue
            if all(getattr(sample, other.state) == OFF for other in self._terminals):
                volts = getattr(sample, one.volts)
                told.append(are_apart(far, volts, near, sample.voltage_v))
        return any(told) if told else None


class _Contact:
    """Whether the contact was seen to part and to join what it should, by its feedback."""

    def __init__(self) -> None:
        self._state, self._since_ns, self._last_ns = UNKNOWN, 0, 0
        self._parted = self._joined = False

    @property
    def is_seen(self) -> bool:
        """Both were seen."""
        return self._parted and self._joined

    def look(self, sample: Sample, apart: Apart) -> None:
        """It moved, if it did, after the sample before this one."""
        if sample.contactor_closed != self._state:
            self._state, self._since_ns = sample.contactor_closed, self._last_ns
        self._last_ns = sample.at_ns
        if self.is_seen:
            return
        found = apart(sample, self._since_ns)
        if found is not None:
            self._parted = self._parted or (self._state == OFF and found)
            self._joined = self._joined or (self._state == ON and not found)


def _terminals(wiring: Wiring) -> tuple[_Terminal, ...]:
    found = []
    if wiring.charge is not None:
        found.append(_Terminal(wiring.charge, "supply_v", "supply_a", "supply_on", "supply_at_ns"))
    if wiring.discharge is not None:
        found.append(_Terminal(wiring.discharge, "load_v", "load_a", "load_on", "load_at_ns"))
    return tuple(found)


def _voltage_fields(wiring: Wiring) -> dict[str, str]:
    """By instrument name, the field of a sample with the voltage that it reads. Where a contactor
    parts supply and load from the cell, their voltages say nothing about it."""
    fields = {wiring.voltage.by: "voltage_v"}
    if wiring.contactor is not None:
        return {
            name: field
            for name, field in fields.items()
            if name not in (wiring.charge, wiring.discharge)
        }
    if wiring.charge is not None:
        fields[wiring.charge] = "supply_v"
    if wiring.discharge is not None:
        fields[wiring.discharge] = "load_v"
    return fields

"""A profile's limits may only tighten: whatever loosens what the cell document allows is told."""

from collections.abc import Iterator

from sequencer.documents.cell import CellDocument
from sequencer.documents.profile import ProfileDocument
from sequencer.documents.rules import known
from sequencer.plan.bounds import CAPACITY_MARGIN
from sequencer.plan.breach import Breach, Place
from sequencer.plan.limits import WARMING_C_PER_S, charge_of
from sequencer.vocabulary import units

_WAYS = ("charge", "discharge")


def breaches_of_limits(profile: ProfileDocument, cell: CellDocument) -> list[Breach]:
    """Every limit of the profile that is looser than the cell's absolute one, or than ours."""
    found = [
        _charge_voltage(profile, cell),
        _cut_off_voltage(profile, cell),
        *(_current(f"{way} current", profile, cell) for way in _WAYS),
        *(_too_cold(f"{way} temperature", profile, cell) for way in _WAYS),
        *(_too_hot(f"{way} temperature", profile, cell) for way in _WAYS),
        _warming(profile),
        *(_charge(key, profile, cell) for key in ("charge in", "charge out")),
    ]
    return [breach for breaches in found for breach in known(breaches)]


def _loosens(path: tuple[str, ...], said: str, allowed: str, instead: str = "") -> Breach:
    message = f"{said} loosens the cell's absolute limit of {allowed}; a profile may only tighten"
    return Breach("profile", ("limits", *path), message, ("cell", ("absolute", *path)), instead)


def _charge_voltage(profile: ProfileDocument, cell: CellDocument) -> Iterator[Breach]:
    high, most = profile.limits.charge_voltage, cell.absolute.charge_voltage
    if high is not None and high > most:
        said = f"charge voltage {units.volts_brief(high)}"
        yield _loosens(("charge voltage",), said, units.volts_brief(most))


def _cut_off_voltage(profile: ProfileDocument, cell: CellDocument) -> Iterator[Breach]:
    low, least = profile.limits.cut_off_voltage, cell.absolute.cut_off_voltage
    if low is not None and low < least:
        said = f"cut-off voltage {units.volts_brief(low)}"
        yield _loosens(("cut-off voltage",), said, units.volts_brief(least))


def _current(key: str, profile: ProfileDocument, cell: CellDocument) -> Iterator[Breach]:
    name = key.replace(" ", "_")
    given, most = getattr(profile.limits, name), getattr(cell.absolute, name)
    if given is not None and cell.amps(given) > cell.amps(most):
        said, allowed = units.amps(cell.amps(given)), units.amps(cell.amps(most))
        yield _loosens((key,), f"{key} {said}", allowed)


def _too_cold(key: str, profile: ProfileDocument, cell: CellDocument) -> Iterator[Breach]:
    name = key.replace(" ", "_")
    own, absolute = getattr(profile.limits, name), getattr(cell.absolute, name)
    if own is not None and own.low < absolute.low:
        said = f"{key} from {units.degrees(own.low)}"
        allowed = units.degrees(absolute.low)
        yield _loosens((key, "low"), said, allowed, allowed)


def _too_hot(key: str, profile: ProfileDocument, cell: CellDocument) -> Iterator[Breach]:
    name = key.replace(" ", "_")
    own, absolute = getattr(profile.limits, name), getattr(cell.absolute, name)
    if own is not None and own.high > absolute.high:
        said = f"{key} up to {units.degrees(own.high)}"
        allowed = units.degrees(absolute.high)
        yield _loosens((key, "high"), said, allowed, allowed)


def _warming(profile: ProfileDocument) -> Iterator[Breach]:
    warming = profile.limits.warming
    if warming is not None and warming > WARMING_C_PER_S:
        rule = f"is above the most of {WARMING_C_PER_S * 60:g} K/min"
        yield Breach("profile", ("limits", "warming"), f"warming {warming * 60:g} K/min {rule}")


def _charge(key: str, profile: ProfileDocument, cell: CellDocument) -> Iterator[Breach]:
    given = getattr(profile.limits, key.replace(" ", "_"))
    most = cell.rated_capacity * CAPACITY_MARGIN
    if given is not None and charge_of(given, cell) > most:
        said = units.amp_hours(charge_of(given, cell))
        share = units.percent(CAPACITY_MARGIN)
        rule = f"is above {share} of the rated capacity, {units.amp_hours(most)}"
        culprit: Place = ("cell", ("rated capacity",))
        yield Breach("profile", ("limits", key), f"{key} {said} {rule}", culprit)

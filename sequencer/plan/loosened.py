"""A profile's limits may only tighten: whatever loosens what the cell document allows is told."""

from collections.abc import Iterator

from sequencer.documents.cell import CellDocument, Range
from sequencer.documents.profile import ProfileDocument
from sequencer.plan import words
from sequencer.plan.bounds import CAPACITY_MARGIN
from sequencer.plan.breach import Breach, Place
from sequencer.plan.limits import WARMING_C_PER_S, charge_of


def breaches_of_limits(profile: ProfileDocument, cell: CellDocument) -> list[Breach]:
    """Every limit of the profile that is looser than the cell's absolute one, or than ours."""
    return [
        *_voltages(profile, cell),
        *_currents(profile, cell),
        *_windows(profile, cell),
        *_ours(profile, cell),
    ]


def _loosens(path: tuple[str, ...], said: str, allowed: str) -> Breach:
    message = f"{said} loosens the cell's absolute limit of {allowed}; a profile may only tighten"
    return Breach("profile", ("limits", *path), message, ("cell", ("absolute", *path)))


def _voltages(profile: ProfileDocument, cell: CellDocument) -> Iterator[Breach]:
    high, low = profile.limits.charge_voltage, profile.limits.cut_off_voltage
    absolute = cell.absolute
    if high is not None and high > absolute.charge_voltage:
        said, allowed = words.volts_brief(high), words.volts_brief(absolute.charge_voltage)
        yield _loosens(("charge voltage",), f"charge voltage {said}", allowed)
    if low is not None and low < absolute.cut_off_voltage:
        said, allowed = words.volts_brief(low), words.volts_brief(absolute.cut_off_voltage)
        yield _loosens(("cut-off voltage",), f"cut-off voltage {said}", allowed)


def _currents(profile: ProfileDocument, cell: CellDocument) -> Iterator[Breach]:
    own, absolute = profile.limits, cell.absolute
    for key, given, most in (
        ("charge current", own.charge_current, absolute.charge_current),
        ("discharge current", own.discharge_current, absolute.discharge_current),
    ):
        if given is not None and cell.amps(given) > cell.amps(most):
            said, allowed = words.amps(cell.amps(given)), words.amps(cell.amps(most))
            yield _loosens((key,), f"{key} {said}", allowed)


def _windows(profile: ProfileDocument, cell: CellDocument) -> Iterator[Breach]:
    own, absolute = profile.limits, cell.absolute
    yield from _window("charge temperature", own.charge_temperature, absolute.charge_temperature)
    yield from _window(
        "discharge temperature", own.discharge_temperature, absolute.discharge_temperature
    )


def _window(key: str, own: Range | None, absolute: Range) -> Iterator[Breach]:
    if own is None:
        return
    if own.low < absolute.low:
        said = f"{key} from {words.degrees(own.low)}"
        yield _loosens((key, "low"), said, words.degrees(absolute.low))
    if own.high > absolute.high:
        said = f"{key} up to {words.degrees(own.high)}"
        yield _loosens((key, "high"), said, words.degrees(absolute.high))


def _ours(profile: ProfileDocument, cell: CellDocument) -> Iterator[Breach]:
    warming = profile.limits.warming
    if warming is not None and warming > WARMING_C_PER_S:
        rule = f"is above the most of {WARMING_C_PER_S * 60:g} K/min"
        yield Breach("profile", ("limits", "warming"), f"warming {warming * 60:g} K/min {rule}")
    most = cell.rated_capacity * CAPACITY_MARGIN
    for key, given in (
        ("charge in", profile.limits.charge_in),
        ("charge out", profile.limits.charge_out),
    ):
        if given is not None and charge_of(given, cell) > most:
            said = words.amp_hours(charge_of(given, cell))
            share = words.percent(CAPACITY_MARGIN)
            rule = f"is above {share} of the rated capacity, {words.amp_hours(most)}"
            culprit: Place = ("cell", ("rated capacity",))
            yield Breach("profile", ("limits", key), f"{key} {said} {rule}", culprit)

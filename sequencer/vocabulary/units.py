"""Numbers with their units as a person at a bench reads them: the digits that matter, no others.

What was written, or follows from it, is said to its last exact digit; what was measured, to the
digits that a bench can tell. No decision is made here.
"""

from math import ceil, floor, inf, log10

_STEPS = ((86400, "d"), (3600, "h"), (60, "min"), (1, "s"))


def _decimals(value: float, least: int, most: int) -> int:
    for digits in range(least, most + 1):
        if abs(round(value, digits) - value) < 1e-9:
            return digits
    return least


_MOST_DIGITS = 9


def apart(digits: int, value: float, *limits: float) -> tuple[str, ...]:
    """A value and the limits that it is compared with, all with so many decimals, or as many more
    as it takes that it does not read like one of them: ``45.02``, ``45.00``."""
    for more in range(digits, _MOST_DIGITS + 1):
        said = f"{value:.{more}f}"
        if all(said != f"{limit:.{more}f}" or value == limit for limit in limits):
            break
    return (said, *(f"{limit:.{more}f}" for limit in limits))


def amps(value: float) -> str:
    """``2.50 A``, ``0.250 A``, ``40.0 mA``: three figures, more only where they are exact."""
    return _small(value, "A", 2 if abs(value) >= 1.0 else 3, 2)


def measured_amps(value: float) -> str:
    """``2.50 A``, ``0.250 A``, ``40.0 mA``: three figures."""
    return _small(value, "A", 2 if abs(value) >= 1.0 else 3, 0)


def _small(value: float, unit: str, least: int, more: int) -> str:
    """With at least so many decimals, and up to so many more where they are exact; in thousandths
    below a tenth."""
    if 0.0 < abs(value) < 0.1:
        thousandths = value * 1000
        return f"{thousandths:.{_decimals(thousandths, 1, 1 + more)}f} m{unit}"
    return f"{value:.{_decimals(value, least, least + more)}f} {unit}"


def roughly(value: float) -> str:
    """An error in current, two figures: ``23 mA``, ``1.5 A``; infinite is ``no current at all``."""
    if value == inf:
        return "no current at all"
    unit, scaled = ("A", value) if abs(value) >= 1.0 else ("mA", value * 1000)
    return f"{float(f'{scaled:.2g}'):g} {unit}"


def bound(value: float) -> str:
    """As ``roughly``, never less than the value: an upper bound. ``21 mA`` for 20.5 mA."""
    if not 0.0 < value < inf:
        return roughly(value)
    unit, scaled = ("A", value) if value >= 1.0 else ("mA", value * 1000)
    step = 10.0 ** (floor(log10(scaled)) - 1)
    return f"{ceil(scaled / step - 1e-9) * step:.6g} {unit}"


def volts(value: float) -> str:
    """``4.200 V``."""
    return f"{value:.{_decimals(value, 3, 5)}f} V"


def measured_volts(value: float) -> str:
    """``3.570 V``: a reading, to the millivolt."""
    return f"{value:.3f} V"


def volts_brief(value: float) -> str:
    """As a limit is said: ``4.25 V``."""
    return f"{value:.{_decimals(value, 2, 5)}f} V"


def millivolts(value: float) -> str:
    """A difference of two voltages: ``50 mV``, ``0.80 mV``, ``1.05 V``."""
    if abs(value) >= 1.0:
        return f"{value:.2f} V"
    return f"{value * 1000:.{0 if abs(value) >= 0.01 else 2}f} mV"


def amp_hours(value: float) -> str:
    """``1.500 Ah``, ``8.3 mAh``."""
    return _small(value, "Ah", 3, 0)


def watt_hours(value: float) -> str:
    """``5.40 Wh``, ``31.2 mWh``."""
    return _small(value, "Wh", 2, 0)


def watts(value: float) -> str:
    """``10.0 W``, ``0.250 W``, ``40.0 mW``."""
    return _small(value, "W", 1 if abs(value) >= 1.0 else 3, 3)


def ohms(value: float) -> str:
    """``2.00 Ohm``, ``0.250 Ohm``, ``40.0 mOhm``."""
    return _small(value, "Ohm", 2 if abs(value) >= 1.0 else 3, 3)


def percent(share: float, digits: int = 0) -> str:
    """``130 %``."""
    return f"{round(share * 100, digits) + 0.0:.{digits}f} %"


def degrees(value: float) -> str:
    """``40 degC``."""
    return f"{value:g} degC"


def rate(amperes: float, rated_ah: float) -> str:
    """A current as a C-rate: It[A] = Cn[Ah] / 1 h (IEC 61434 convention). ``0.5 C``."""
    return f"{amperes / rated_ah:.3g} C"


def counted(count: int, noun: str) -> str:
    """``1 step``, ``25 steps``, ``46,800 samples``: for nouns whose plural is an s more."""
    return f"{count:,} {noun}" + ("" if count == 1 else "s")


def duration(seconds: float) -> str:
    """The two largest parts that matter: ``10 s``, ``40 min``, ``1 h 30 min``, ``2 d 4 h``."""
    if seconds < 10 and seconds != int(seconds):
        return f"{round(seconds, 3):g} s"
    left = round(seconds)
    parts: list[str] = []
    for size, unit in _STEPS:
        count, left = divmod(left, size)
        if count:
            parts.append(f"{count} {unit}")
        elif parts:
            break
        if len(parts) == 2:
            break
    return " ".join(parts) or "0 s"


_CHANNELS = {
    "voltage_v": "cell voltage",
    "current_a": "cell current",
    "supply_v": "supply voltage",
    "supply_a": "supply current",
    "load_v": "load voltage",
    "load_a": "load current",
    "surface_c": "surface temperature",
    "tab_c": "tab temperature",
    "room_c": "room temperature",
    "supply_on": "supply output",
    "load_on": "load input",
    "contactor_closed": "contactor",
}


def channel_words(channel: str) -> str:
    """What a channel of a sample is called: ``cell voltage`` for ``voltage_v``; one without a name
    of its own as it stands."""
    return _CHANNELS.get(channel, channel)


def fault_line(kind: str, culprit: str, channel: str, detail: str) -> str:
    """A fault of an instrument for a person: ``meter: no reply (cell voltage): none in 0.5 s``."""
    where = f" ({channel_words(channel)})" if channel else ""
    return f"{culprit}: {kind}{where}" + (f": {detail}" if detail else "")


def bounds(honest_a: float | None, lying_a: float | None) -> str:
    """What a proof of off leaves possible (A), to follow its level; None: nothing is known."""
    if honest_a is None or not honest_a < inf:
        return ""
    if not honest_a:
        return "; the cell is parted from everything"
    is_known = lying_a is not None and lying_a < inf
    lies = f"at most {bound(lying_a)}" if is_known and lying_a is not None else "no bound"
    return (
        f"; at most {bound(honest_a)} may flow if the instruments are honest,"
        f" {lies} if the one that drove last lies"
    )

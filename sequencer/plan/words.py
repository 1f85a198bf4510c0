"""Numbers and durations as a person at a bench reads them; no decision is made here."""

_STEPS = ((86400, "d"), (3600, "h"), (60, "min"), (1, "s"))


def _decimals(value: float, least: int, most: int) -> int:
    for digits in range(least, most + 1):
        if abs(round(value, digits) - value) < 1e-9:
            return digits
    return least


def amps(value: float) -> str:
    """``2.50 A``, ``0.250 A``, ``40.0 mA``: three figures, more only where they are exact."""
    size = abs(value)
    if 0.0 < size < 0.1:
        return f"{value * 1000:.{_decimals(value * 1000, 1, 3)}f} mA"
    least = 2 if size >= 1.0 else 3
    return f"{value:.{_decimals(value, least, least + 2)}f} A"


def roughly(value: float) -> str:
    """An error in current, two figures: ``23 mA``, ``1.5 A``; infinite is ``no current at all``."""
    if value == float("inf"):
        return "no current at all"
    unit, scaled = ("A", value) if abs(value) >= 1.0 else ("mA", value * 1000)
    return f"{float(f'{scaled:.2g}'):g} {unit}"


def volts(value: float) -> str:
    """``4.200 V``."""
    return f"{value:.{_decimals(value, 3, 5)}f} V"


def volts_brief(value: float) -> str:
    """As a limit is said: ``4.25 V``."""
    return f"{value:.{_decimals(value, 2, 5)}f} V"


def millivolts(value: float) -> str:
    """A small difference: ``50 mV``, ``0.8 mV``."""
    return f"{value * 1000:.{0 if abs(value) >= 0.01 else 2}f} mV"


def amp_hours(value: float) -> str:
    """``1.500 Ah``."""
    return f"{value:.3f} Ah"


def watt_hours(value: float) -> str:
    """``5.40 Wh``."""
    return f"{value:.2f} Wh"


def percent(share: float, digits: int = 0) -> str:
    """``130 %``."""
    return f"{share * 100:.{digits}f} %"


def degrees(value: float) -> str:
    """``40 degC``."""
    return f"{value:g} degC"


def rate(amperes: float, rated_ah: float) -> str:
    """A current as a C-rate: It[A] = Cn[Ah] / 1 h (IEC 61434 convention). ``0.5 C``."""
    return f"{amperes / rated_ah:.3g} C"


def duration(seconds: float) -> str:
    """The two largest parts that matter: ``10 s``, ``40 min``, ``1 h 30 min``, ``2 d 4 h``."""
    if seconds < 10 and seconds != int(seconds):
        return f"{seconds:g} s"
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

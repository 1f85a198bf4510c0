"""A figure as a person reads it: value and ± in a fitting unit, and its conditions in words.

Owns rounding and units of display. Refuses to know where a number came from; JSON and CSV keep
the analysis's own units and every digit.
"""

import math
import re
from collections.abc import Mapping
from typing import NamedTuple

from sequencer.analysis.results import Figure

COVERAGE = 1.959963984540054
"""Standard uncertainties in half a 95 % interval of a normal distribution (table value)."""

_SHARES = ("efficiency", "cv-share", "self-discharge", "fade.share", "state-of-charge")


class PrintedNumber(NamedTuple):
    """A number as it is printed: ``3.012``, ``0.018`` and ``Ah``; ``plus_minus`` may be empty."""

    value: str
    plus_minus: str
    unit: str

    def __str__(self) -> str:
        """``3.012 ± 0.018 Ah``."""
        if not self.plus_minus:
            return f"{self.value} {self.unit}".rstrip()
        return f"{self.value} ± {self.plus_minus} {self.unit}".rstrip()


def half_width(figure: Figure) -> float:
    """Half of the 95 % interval, in the figure's unit; NaN when nothing is known."""
    if math.isfinite(figure.low) and math.isfinite(figure.high):
        return (figure.high - figure.low) / 2
    return COVERAGE * figure.standard_uncertainty


def shown(figure: Figure) -> PrintedNumber:
    """The figure with the half width of its 95 % interval."""
    return show(figure.value, half_width(figure), figure.unit, key=figure.key)


def show(value: float, half: float, unit: str, *, key: str = "") -> PrintedNumber:
    """Value and half width in a unit that suits the value.

    The half width gets two significant digits, the value ends at the same place (GUM 7.2.6).
    """
    if not math.isfinite(value):
        return PrintedNumber("cannot be told", "", "")
    scale, name = scaled_unit(value, unit, key)
    if not math.isfinite(half):
        return PrintedNumber(_plain(value * scale, _places(value * scale, 4)), "", name)
    if half <= 0.0:
        return PrintedNumber(f"{value * scale:.6g}", "0", name)
    places = _places(half * scale, 2)
    return PrintedNumber(_plain(value * scale, places), _plain(half * scale, places), name)


def scaled_unit(value: float, unit: str, key: str = "") -> tuple[float, str]:
    """The factor and the name of the unit that a person would use for ``value``."""
    size = abs(value)
    if unit == "1":
        return (100.0, "%") if key.startswith(_SHARES) else (1.0, "")
    if unit == "s" and key.startswith("charge-time"):
        return 1.0 / 60.0, "min"
    if unit == "s" and key.startswith("from-full.time"):
        return 1.0 / 3600.0, "h"
    if unit == "Ohm":
        return (1e3, "mΩ") if size < 1.0 else (1.0, "Ω")
    if unit in ("Ah", "Wh") and 0.0 < size < 0.02:
        return 1e3, f"m{unit}"
    if unit in ("A", "W", "V") and 0.0 < size < 0.1:
        return (1e6, f"µ{unit}") if size < 1e-3 else (1e3, f"m{unit}")
    return 1.0, "°C" if unit == "degC" else unit


def _places(value: float, digits: int) -> int:
    """Decimal places that leave so many significant digits; negative left of the point."""
    if value == 0.0 or not math.isfinite(value):
        return digits
    places = digits - 1 - math.floor(math.log10(abs(value)))
    # 0.0996 to two digits is 0.100: the rounding itself may add a digit.
    if math.floor(math.log10(abs(round(value, places)))) > math.floor(math.log10(abs(value))):
        places -= 1
    return places


def _plain(value: float, places: int) -> str:
    text = f"{round(value, places):.{max(places, 0)}f}"
    return text.replace("-", "\u2212") if value < 0 else text


_NUMBERS = {
    "power_w": "{:.1f} W",
    "resistance_ohm": "{:.2f} Ohm",
    "rate_c": "{:.2g} C",
    "cut_off_v": "down to {:.2f} V",
    "charge_voltage_v": "charged to {:.2f} V",
    "termination_a": "until {:.3g} A",
    "state_of_charge": "at {:.0%} charge",
    "rested_charge": "at about {:.0%} charge",
    "surface_c": "surface {:.0f} °C",
    "pulses": "{:.0f} pulses",
}
"""The conditions worth their room beside a number; JSON and CSV hold them all."""


_NOTHING = re.compile("\u2212(0(?:\\.0+)?)(?![.0-9])")
"""A minus before nothing: what is left of a small number when it is rounded."""


def conditions_text(conditions: Mapping[str, float | str], label: str = "") -> str:
    """``0.2 C, down to 3.00 V, surface 23 °C``: what a reader needs beside the number, without what
    its label says already."""
    told = []
    for name, form in _NUMBERS.items():
        value = conditions.get(name)
        if name == "rate_c" and "rate_low_c" in conditions:
            low, high = (float(conditions[one]) for one in ("rate_low_c", "rate_high_c"))
            told.append(f"{low:.2g} to {high:.2g} C")
        elif isinstance(value, int | float) and math.isfinite(value):
            words = form.format(value).replace("%", " %").replace("-", "\u2212")
            words = _NOTHING.sub(r"\1", words)
            told += [words] if words not in label else []
    for name in ("mass", "volume"):
        words = str(conditions.get(name, ""))
        told += [f"{name}: {words}"] if words and words not in label else []
    return ", ".join(told)


_UNITS = re.compile(
    r"(?<=[0-9] [dh]) (?=[0-9]+ (?:h|min)\b)"
    r"|(?<=[0-9]) (?=(?:[VACKWdgsh]|mΩ|Ω|Ah|Wh|Wh/kg|Wh/L|mAh|mV|mA|°C|min|%)(?![\w]))"
)

_NEXT = re.compile(r"((?<=[0-9])(?= ±)|±|\bpage) (?=[0-9±])")


def in_signs(words: str) -> str:
    """Words of the analysis with the signs that print has: °C, mΩ."""
    return words.replace("degC", "°C").replace("mOhm", "mΩ").replace(" Ohm", " Ω")


def unbroken(words: str) -> str:
    """The same for a page, where no unit and no ± may begin a line, and no ± or *page* end one."""
    return _NEXT.sub("\\1\u00a0", _UNITS.sub("\u00a0", in_signs(words)))


def signed(charge_ah: float | None) -> str:
    """``+1.9581``, ``−2.8059``, ``0.0000``: what a step moved (Ah); empty when nobody knows."""
    if charge_ah is None:
        return ""
    told = f"{charge_ah:+.4f}".replace("-", "−")
    return told if told.strip("+−0.") else "0.0000"

"""From what a sensor shows to its temperature and back: platinum, thermistor, thermocouple.

Pure arithmetic; degrees Celsius, ohms and millivolts. Outside a curve's range a ValueError is
raised: an extrapolated temperature is made up. NaN is outside every range.
"""

from math import exp, log, sqrt
from typing import Literal

# Platinum, IEC 60751: R = R0 (1 + A t + B t^2 + C (t - 100) t^3), C below 0 degC only.
_A = 3.9083e-3
_B = -5.775e-7
_C = -4.183e-12
PLATINUM_RANGE_C = (-200.0, 850.0)

_KELVIN = 273.15


def platinum_ohm(celsius: float, ohm_at_zero: float = 100.0) -> float:
    """Resistance of a platinum sensor (IEC 60751); Pt100 unless said otherwise.

    Raises:
        ValueError: outside -200 to 850 degC.
    """
    _within(celsius, PLATINUM_RANGE_C, "degC", "a platinum sensor")
    t = celsius
    cubic = _C * (t - 100.0) * t**3 if t < 0.0 else 0.0
    return ohm_at_zero * (1.0 + _A * t + _B * t * t + cubic)


def platinum_celsius(ohm: float, ohm_at_zero: float = 100.0) -> float:
    """Temperature of a platinum sensor (IEC 60751), to better than 1e-9 K of ``platinum_ohm``.

    Raises:
        ValueError: a resistance outside -200 to 850 degC (an open or shorted sensor).
    """
    low, high = (platinum_ohm(end, ohm_at_zero) for end in PLATINUM_RANGE_C)
    rounding = 5e-5 * ohm_at_zero  # half the last digit of the standard's table
    _within(ohm, (low - rounding, high + rounding), "Ohm", "a platinum sensor")
    ratio = ohm / ohm_at_zero
    t = (-_A + sqrt(_A * _A - 4.0 * _B * (1.0 - ratio))) / (2.0 * _B)
    for _ in range(8 if t < 0.0 else 0):  # Newton's steps for the term below zero
        slope = _A + 2.0 * _B * t + _C * (4.0 * t**3 - 300.0 * t * t)
        t -= (1.0 + _A * t + _B * t * t + _C * (t - 100.0) * t**3 - ratio) / slope
    return t


def steinhart_hart_celsius(ohm: float, a: float, b: float, c: float) -> float:
    """Temperature of a thermistor: 1/T = A + B ln R + C (ln R)^3 (Steinhart and Hart, 1968).

    Raises:
        ValueError: a resistance that is not positive, or no temperature at all.
    """
    x = log(_positive(ohm))
    inverse = a + b * x + c * x**3
    if not inverse > 0.0:
        raise ValueError(f"{ohm:g} Ohm gives no temperature by these coefficients")
    return 1.0 / inverse - _KELVIN


def beta_celsius(ohm: float, ohm_at_25: float, beta_k: float) -> float:
    """Temperature of a thermistor by its beta value: 1/T = 1/298.15 + ln(R/R25)/beta.

    Raises:
        ValueError: a resistance that is not positive, or no temperature at all.
    """
    inverse = 1.0 / (25.0 + _KELVIN) + log(_positive(ohm) / ohm_at_25) / beta_k
    if not inverse > 0.0:
        raise ValueError(f"{ohm:g} Ohm gives no temperature by this beta value")
    return 1.0 / inverse - _KELVIN


def beta_ohm(celsius: float, ohm_at_25: float, beta_k: float) -> float:
    """Resistance of a thermistor by its beta value.

    Raises:
        ValueError: at or below absolute zero.
    """
    if not celsius > -_KELVIN:
        raise ValueError(f"{celsius:g} degC is no temperature")
    return ohm_at_25 * exp(beta_k * (1.0 / (celsius + _KELVIN) - 1.0 / (25.0 + _KELVIN)))


# Type K, ITS-90 reference functions (NIST Monograph 175), mV from degC.
_K_BELOW = (
    0.0,
    0.394501280250e-01,
    0.236223735980e-04,
    -0.328589067840e-06,
    -0.499048287770e-08,
    -0.675090591730e-10,
    -0.574103274280e-12,
    -0.310888728940e-14,
    -0.104516093650e-16,
    -0.198892668780e-19,
    -0.163226974860e-22,
)
_K_ABOVE = (
    -0.176004136860e-01,
    0.389212049750e-01,
    0.185587700320e-04,
    -0.994575928740e-07,
    0.318409457190e-09,
    -0.560728448890e-12,
    0.560750590590e-15,
    -0.320207200030e-18,
    0.971511471520e-22,
    -0.121047212750e-25,
)
_K_BUMP = (0.118597600000, -0.118343200000e-03, 0.126968600000e03)
# Type T, ITS-90 reference functions (NIST Monograph 175), mV from degC.
_T_BELOW = (
    0.0,
    0.387481063640e-01,
    0.441944343470e-04,
    0.118443231050e-06,
    0.200329735540e-07,
    0.901380195590e-09,
    0.226511565930e-10,
    0.360711542050e-12,
    0.384939398830e-14,
    0.282135219250e-16,
    0.142515947790e-18,
    0.487686622860e-21,
    0.107955392700e-23,
    0.139450270620e-26,
    0.797951539270e-30,
)
_T_ABOVE = (
    0.0,
    0.387481063640e-01,
    0.332922278800e-04,
    0.206182434040e-06,
    -0.218822568460e-08,
    0.109968809280e-10,
    -0.308157587720e-13,
    0.454791352900e-16,
    -0.275129016730e-19,
)
ThermocoupleType = Literal["K", "T"]
THERMOCOUPLE_RANGES_C: dict[ThermocoupleType, tuple[float, float]] = {
    "K": (-270.0, 1372.0),
    "T": (-270.0, 400.0),
}


def thermocouple_millivolt(celsius: float, kind: ThermocoupleType) -> float:
    """Voltage of a thermocouple, cold junction at 0 degC (ITS-90).

    Raises:
        ValueError: outside -270 to 1372 degC (type K) or 400 degC (type T).
    """
    _within(celsius, THERMOCOUPLE_RANGES_C[kind], "degC", f"a type {kind} thermocouple")
    if kind == "T":
        return _polynomial(_T_BELOW if celsius < 0.0 else _T_ABOVE, celsius)
    if celsius < 0.0:
        return _polynomial(_K_BELOW, celsius)
    a0, a1, a2 = _K_BUMP
    return _polynomial(_K_ABOVE, celsius) + a0 * exp(a1 * (celsius - a2) ** 2)


def thermocouple_celsius(
    millivolt: float, kind: ThermocoupleType, cold_junction_c: float = 0.0
) -> float:
    """Temperature of the hot junction; the cold junction is added in millivolts, not degrees.

    The inverse of ``thermocouple_millivolt`` to 1e-6 K, found by halving: the voltage rises with
    the temperature throughout.

    Raises:
        ValueError: a voltage that no temperature of its range gives.
    """
    wanted = millivolt + thermocouple_millivolt(cold_junction_c, kind)
    low, high = THERMOCOUPLE_RANGES_C[kind]
    rounding = 5e-6  # half the last digit of the reference table
    ends = (thermocouple_millivolt(low, kind) - rounding,
            thermocouple_millivolt(high, kind) + rounding)  # fmt: skip
    _within(wanted, ends, "mV", f"a type {kind} thermocouple")
    while high - low > 1e-7:
        middle = (low + high) / 2.0
        is_above = thermocouple_millivolt(middle, kind) < wanted
        low, high = (middle, high) if is_above else (low, middle)
    return (low + high) / 2.0


def _polynomial(coefficients: tuple[float, ...], x: float) -> float:
    total = 0.0
    for coefficient in reversed(coefficients):
        total = total * x + coefficient
    return total


def steinhart_hart_ohm(celsius: float, a: float, b: float, c: float) -> float:
    """The inverse of ``steinhart_hart_celsius`` (c above zero), by Cardano's formula.

    Raises:
        ValueError: at or below absolute zero.
    """
    if not celsius > -_KELVIN:
        raise ValueError(f"{celsius:g} degC is no temperature")
    half = (a - 1.0 / (celsius + _KELVIN)) / (2.0 * c)
    root = sqrt((b / (3.0 * c)) ** 3 + half * half)
    return exp((root - half) ** (1.0 / 3.0) - (root + half) ** (1.0 / 3.0))


def _positive(ohm: float) -> float:
    if not 0.0 < ohm < float("inf"):
        raise ValueError(f"{ohm:g} Ohm is no resistance of a thermistor")
    return ohm


def _within(value: float, bounds: tuple[float, float], unit: str, what: str) -> None:
    if not bounds[0] <= value <= bounds[1]:
        raise ValueError(
            f"{value:g} {unit} is outside what {what} shows, {bounds[0]:g} to {bounds[1]:g} {unit}"
        )

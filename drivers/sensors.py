"""From what a sensor shows to its temperature and back: platinum, thermistor, thermocouple.

Pure arithmetic; degrees Celsius, ohms and millivolts. Outside a curve's range a ValueError is
raised: an extrapolated temperature is made up. NaN is outside every range.

Nothing calls this yet: it waits for definitions of sensors that are read in ohms or millivolts.
Until then no temperature that is printed rests on it.
"""

from math import exp, log, sqrt

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
TYPE_K_RANGE_C = (-270.0, 1372.0)


def type_k_millivolt(celsius: float) -> float:
    """Voltage of a type K thermocouple, cold junction at 0 degC (ITS-90).

    Raises:
        ValueError: outside -270 to 1372 degC.
    """
    _within(celsius, TYPE_K_RANGE_C, "degC", "a type K thermocouple")
    if celsius < 0.0:
        return _polynomial(_K_BELOW, celsius)
    a0, a1, a2 = _K_BUMP
    return _polynomial(_K_ABOVE, celsius) + a0 * exp(a1 * (celsius - a2) ** 2)


def type_k_celsius(millivolt: float, cold_junction_c: float = 0.0) -> float:
    """Temperature of the hot junction; the cold junction is added in millivolts, not degrees.

    The inverse of ``type_k_millivolt`` to 1e-6 K, found by halving: the voltage rises with the
    temperature throughout.

    Raises:
        ValueError: a voltage that no temperature from -270 to 1372 degC gives.
    """
    wanted = millivolt + type_k_millivolt(cold_junction_c)
    low, high = TYPE_K_RANGE_C
    rounding = 5e-6  # half the last digit of the reference table
    ends = (type_k_millivolt(low) - rounding, type_k_millivolt(high) + rounding)
    _within(wanted, ends, "mV", "a type K thermocouple")
    while high - low > 1e-7:
        middle = (low + high) / 2.0
        low, high = (middle, high) if type_k_millivolt(middle) < wanted else (low, middle)
    return (low + high) / 2.0


def _polynomial(coefficients: tuple[float, ...], x: float) -> float:
    total = 0.0
    for coefficient in reversed(coefficients):
        total = total * x + coefficient
    return total


def _positive(ohm: float) -> float:
    if not 0.0 < ohm < float("inf"):
        raise ValueError(f"{ohm:g} Ohm is no resistance of a thermistor")
    return ohm


def _within(value: float, bounds: tuple[float, float], unit: str, what: str) -> None:
    if not bounds[0] <= value <= bounds[1]:
        raise ValueError(
            f"{value:g} {unit} is outside what {what} shows, {bounds[0]:g} to {bounds[1]:g} {unit}"
        )

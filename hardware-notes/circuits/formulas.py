"""The formulas behind the tables and the values in the drawings. Volts, ohms, henries,
amperes, seconds, metres, mm²; temperatures in °C.

Sources: a coil's current is the textbook's first-order L-R circuit (Horowitz and Hill, The
Art of Electronics, 3rd ed. 2015, chapter 1; from memory). Copper: 0.00393 per kelvin at 20 °C
(IEC 60028:1925; from memory). Stranded wire: 0.020 Ω·mm²/m at 20 °C, an upper bound of IEC
60228:2004 class 5; solid copper has 1/58 = 0.0172. `python3 budget.py --check` holds each
formula against a value from elsewhere, in `check_values.py`.
"""

from math import log, pi

STRANDED = 0.020
COPPER_PER_KELVIN = 0.00393


def copper_at(ohm_20, degrees):
    """Resistance of copper that has `ohm_20` at 20 °C."""
    return ohm_20 * (1 + COPPER_PER_KELVIN * (degrees - 20))


def wire_ohm(metres, square_mm, degrees=20.0):
    """A stranded conductor of copper, one way: 0.020 l / A."""
    return copper_at(STRANDED * metres / square_mm, degrees)


def rise_time(volts, ohm, henry, to):
    """From switching on to the current `to`; None where it never gets there.
    t = -(L/R) ln(1 - I R / V)."""
    left = 1 - to * ohm / volts
    return -(henry / ohm) * log(left) if left > 0 else None


def fall_time(start, to, ohm, henry, clamp):
    """From `start` down to the current `to` against a clamp that holds the voltage `clamp`
    across the coil, the wrong way round: t = (L/R) ln((I R + Vc) / (Ih R + Vc))."""
    return henry / ohm * log((start * ohm + clamp) / (to * ohm + clamp))


def charge_of_fall(start, ohm, henry, clamp):
    """Ampere-seconds that flow while the current falls to nothing. From L di/dt = -(i R + Vc):
    the integral of i dt is (L I - Vc t) / R."""
    return (henry * start - clamp * fall_time(start, 0.0, ohm, henry, clamp)) / ohm


def corner_hz(ohm, farad):
    """Of a filter of the first order: 1 / (2 pi R C)."""
    return 1 / (2 * pi * ohm * farad)


def decay_to(ohm, farad, start, to):
    """A capacitor that discharges from `start` to `to`: R C ln(start / to)."""
    return ohm * farad * log(start / to)

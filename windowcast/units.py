"""Degrees Celsius and Fahrenheit, for temperatures and, separately, for differences.

A difference of 1 K is a difference of 1.8 °F; a temperature of 1 °C is 33.8 °F. Mixing the two is
the classic mistake, so each has its own function. Everything inside windowcast is °C; Fahrenheit
exists in configuration files and in what people read.
"""

from __future__ import annotations

from fractions import Fraction


def celsius_from_fahrenheit(temperature_f: Fraction) -> Fraction:
    """The same temperature in °C, exactly: 85 °F is 265/9 °C (29.444…)."""
    return (temperature_f - 32) * Fraction(5, 9)


def fahrenheit_from_celsius(temperature_c: float) -> float:
    """The same temperature in °F: 29.5 °C is 85.1 °F."""
    return temperature_c * 9 / 5 + 32


def fahrenheit_difference(difference_k: float) -> float:
    """The same *difference* in °F: 1.7 K is 3.06 °F."""
    return difference_k * 9 / 5

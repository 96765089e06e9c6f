"""Conversions between the two unit systems: mm, N, MPa for solids; SI for melts, as data sheets print them."""

from typing import Any

from pliant.constants import ZERO_CELSIUS_K

__all__ = ["celsius_to_kelvin", "pa_to_mpa"]


def pa_to_mpa(pressure_pa: Any) -> Any:
    """Pascal to megapascal."""
    return pressure_pa * 1e-6


def celsius_to_kelvin(temperature_c: Any) -> Any:
    """Degrees Celsius to kelvin."""
    return temperature_c + ZERO_CELSIUS_K

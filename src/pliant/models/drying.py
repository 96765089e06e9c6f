"""Water leaving a filament: Crank's long cylinder, with a diffusivity that grows with temperature.

Constant diffusivity, uniform start, surface held at a constant concentration, no surface resistance, no end effect.
Left out: the air between the turns of a wound spool (a stated factor, see `SPOOL_FACTOR`), swelling, and the slow rise
of diffusivity as the filament dries. Start with `drying_time_h`.
"""

from functools import cache

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Number
from pliant.checks import require_not_negative, require_positive, warn_outside
from pliant.constants import GAS_CONSTANT_J_PER_MOL_K
from pliant.errors import DomainError
from pliant.units import celsius_to_kelvin

__all__ = [
    "ACTIVATION_KJ_PER_MOL",
    "DIFFUSIVITY_23C_M2_PER_S",
    "SPOOL_FACTOR",
    "drying_time_h",
    "resting_water_percent",
    "saturated_vapour_kpa",
    "water_diffusivity_m2_per_s",
    "water_left_fraction",
]

# [m2/s] both ends published for printed TPU of 60A to 98A: preprint 202604.1293 (2026), abstract; 23 degC assumed there
DIFFUSIVITY_23C_M2_PER_S = (1.06e-12, 3.40e-12)
# [kJ/mol] Schneider, Dusablon, Snell, Prosser 1968, doi 10.1002/app.1968.070120311, abstract: 11 kcal/mol at zero
# concentration (46.0), about half of that at saturation (23.0)
ACTIVATION_KJ_PER_MOL = (23.0, 46.0)
# [-] hours of a wound spool over hours of a bare strand: our own estimate, no measurement found; docs/models/drying.md
SPOOL_FACTOR = (1.3, 6.0)

_SHORT_FO = 2e-4  # [-] under this the short-time form is exact to 1e-8, and the series would need more terms
_MOST_FO = 40.0  # [-] nothing is left: exp(-5.78 * 40) = 1e-101


def water_diffusivity_m2_per_s(
    temperature_c: Number, reference_m2_per_s: Number, activation_kj_per_mol: Number, reference_c: Number = 23.0
) -> Number:
    r"""Diffusivity of water in the filament at a temperature, after Arrhenius.

    Parameters
    ----------
    temperature_c : float or ndarray
        Temperature of the filament. [degC]
    reference_m2_per_s : float or ndarray
        Diffusivity at the reference temperature. [m2/s]
    activation_kj_per_mol : float or ndarray
        Activation energy of the diffusivity. [kJ/mol]
    reference_c : float or ndarray, default 23.0
        Reference temperature. [degC]

    Returns
    -------
    ndarray
        Diffusivity. [m2/s]

    Raises
    ------
    DomainError
        If the diffusivity or energy is not positive, or a temperature is at or below absolute zero.

    Warns
    -----
    ValidityWarning
        Outside 5 to 110 degC, the span of the published rows.

    Notes
    -----
    .. math:: D(T) = D_{ref} \exp\left(-\frac{E_a}{R}\left(\frac{1}{T} - \frac{1}{T_{ref}}\right)\right)

    Examples
    --------
    >>> float(water_diffusivity_m2_per_s(60.0, 1.06e-12, 46.0)) * 1e12
    8.44

    References
    ----------
    .. [1] Schneider, Dusablon, Snell, Prosser, 1968, doi 10.1002/app.1968.070120311 (energy; abstract).
    """
    require_positive(reference_m2_per_s=reference_m2_per_s, activation_kj_per_mol=activation_kj_per_mol)
    kelvin, base = (
        celsius_to_kelvin(np.asarray(temperature_c, float)),
        celsius_to_kelvin(np.asarray(reference_c, float)),
    )
    if not (np.all(np.isfinite(kelvin)) and np.all(kelvin > 0) and np.all(np.isfinite(base)) and np.all(base > 0)):
        raise DomainError(f"temperature_c must be finite and above -273.15, got {temperature_c}")
    warn_outside(
        (kelvin < 278.15) | (kelvin > 383.15), "temperature_c outside 5 to 110, the span of the published rows"
    )
    energy = 1e3 * np.asarray(activation_kj_per_mol, float)
    return reference_m2_per_s * np.exp(-energy / GAS_CONSTANT_J_PER_MOL_K * (1 / kelvin - 1 / base))


def water_left_fraction(diffusivity_m2_per_s: Number, diameter_mm: Number, time_s: Number) -> Number:
    r"""Share of the water still inside a bare strand in dry surroundings.

    Parameters
    ----------
    diffusivity_m2_per_s : float or ndarray
        Diffusivity of water in the filament at its temperature. [m2/s]
    diameter_mm : float or ndarray
        Filament diameter. [mm]
    time_s : float or ndarray
        Time since the surface was brought to its resting concentration. [s]

    Returns
    -------
    ndarray
        Share of the water above the resting content that is left; 1 at the start. [-]

    Raises
    ------
    DomainError
        If the diffusivity or diameter is not positive, or the time negative.

    Notes
    -----
    Crank's long cylinder of radius a, J0(x_n) = 0 [1]_:

    .. math:: \sum_n \frac{4}{x_n^2} e^{-x_n^2 Fo}, \qquad Fo = D t / a^2

    and for short times one minus :math:`4\sqrt{Fo/\pi} - Fo - Fo^{1.5}/(3\sqrt{\pi})`.

    Examples
    --------
    >>> float(water_left_fraction(1e-11, 2.0, 1e4))
    0.39418

    References
    ----------
    .. [1] J. Crank, The Mathematics of Diffusion, 2nd ed., Oxford, 1975, ch. 5 (equation numbers from memory).
    """
    require_positive(diffusivity_m2_per_s=diffusivity_m2_per_s, diameter_mm=diameter_mm)
    require_not_negative(time_s=time_s)
    radius_m = np.asarray(diameter_mm, float) / 2e3
    return _left(np.asarray(diffusivity_m2_per_s, float) * np.asarray(time_s, float) / radius_m**2)


def drying_time_h(diffusivity_m2_per_s: Number, diameter_mm: Number, left_fraction: Number) -> Number:
    """Hours until a bare strand in dry surroundings holds only a given share of its water.

    Parameters
    ----------
    diffusivity_m2_per_s : float or ndarray
        Diffusivity of water in the filament at its temperature. [m2/s]
    diameter_mm : float or ndarray
        Filament diameter. [mm]
    left_fraction : float or ndarray
        Share of the water above the resting content that may be left, above 0; 1 or more needs no time. [-]

    Returns
    -------
    ndarray
        Time; the inverse of `water_left_fraction`. [h]

    Raises
    ------
    DomainError
        If an input is not finite and positive.

    Examples
    --------
    90 % of the water out of 1.75 mm filament at 1.06e-12 m2/s (published value at 23 degC):

    >>> float(drying_time_h(1.06e-12, 1.75, 0.1))
    67.1
    """
    require_positive(diffusivity_m2_per_s=diffusivity_m2_per_s, diameter_mm=diameter_mm, left_fraction=left_fraction)
    radius_m = np.asarray(diameter_mm, float) / 2e3
    return _fourier(np.asarray(left_fraction, float)) * radius_m**2 / np.asarray(diffusivity_m2_per_s, float) / 3600


def saturated_vapour_kpa(temperature_c: Number) -> Number:
    r"""Pressure of saturated water vapour over water.

    Parameters
    ----------
    temperature_c : float or ndarray
        Temperature, -60 to 150. [degC]

    Returns
    -------
    ndarray
        Pressure. [kPa]

    Raises
    ------
    DomainError
        If the temperature lies outside -60 to 150 degC.

    Notes
    -----
    .. math:: p = 0.61094\,e^{17.625\,T/(T + 243.04)}

    Magnus form, coefficients of Alduchov and Eskridge 1996 (from memory); within 0.4 % between -40 and 50 degC, within
    2 % at 100.

    Examples
    --------
    >>> float(saturated_vapour_kpa(23.0))
    2.81
    """
    t = np.asarray(temperature_c, float)
    if not (np.all(np.isfinite(t)) and np.all((t > -60) & (t < 150))):
        raise DomainError(f"temperature_c must lie between -60 and 150, got {temperature_c}")
    return 0.61094 * np.exp(17.625 * t / (t + 243.04))


def resting_water_percent(
    saturation_percent: Number, room_humidity_percent: Number, oven_c: Number, room_c: Number = 23.0
) -> Number:
    """Water content at which drying stops when the oven heats plain room air.

    Parameters
    ----------
    saturation_percent : float or ndarray
        Water content of the filament in saturated air. [% of mass]
    room_humidity_percent : float or ndarray
        Relative humidity of the room the air is taken from; 0 for dried air. [%]
    oven_c : float or ndarray
        Temperature of the oven. [degC]
    room_c : float or ndarray, default 23.0
        Temperature of the room. [degC]

    Returns
    -------
    ndarray
        Resting content. [% of mass]

    Raises
    ------
    DomainError
        If the humidity is over 100 or an input impossible.

    Notes
    -----
    Heating moves no water out of the air, so the relative humidity falls by the ratio of the saturation pressures; the
    content is taken in proportion to it. The measured isotherm bends upward (BET type III, Dolmaire 2003, abstract), so
    the true floor is lower: an upper estimate.

    Examples
    --------
    >>> float(resting_water_percent(1.5, 50.0, 60.0))
    0.106
    """
    require_positive(saturation_percent=saturation_percent)
    require_not_negative(room_humidity_percent=room_humidity_percent)
    if np.any(np.asarray(room_humidity_percent) > 100):
        raise DomainError(f"room_humidity_percent must be at most 100, got {room_humidity_percent}")
    share = np.asarray(room_humidity_percent, float) / 100
    share = share * saturated_vapour_kpa(room_c) / saturated_vapour_kpa(oven_c)
    return saturation_percent * np.minimum(share, 1.0)


@cache
def _squared_zeros() -> NDArray[np.float64]:
    from scipy.special import jn_zeros

    return np.asarray(jn_zeros(0, 120) ** 2)


def _left(fourier: Number) -> NDArray[np.float64]:
    fo = np.asarray(fourier, float)
    x2 = _squared_zeros()
    small = np.minimum(fo, _SHORT_FO)
    short = 1 - (4 * np.sqrt(small / np.pi) - small - small**1.5 / (3 * np.sqrt(np.pi)))
    series = np.exp(-x2 * np.minimum(fo, _MOST_FO)[..., None]) @ (4 / x2)
    return np.asarray(np.where(fo < _SHORT_FO, short, series))


def _fourier(left: NDArray[np.float64]) -> NDArray[np.float64]:
    """Fo at which a share is left: bisection in the logarithm, exact to rounding."""
    low, high = np.full(left.shape, np.log(1e-14)), np.full(left.shape, np.log(_MOST_FO))
    for _ in range(60):
        middle = (low + high) / 2
        over = _left(np.exp(middle)) > left
        low, high = np.where(over, middle, low), np.where(over, high, middle)
    return np.asarray(np.where(left >= 1, 0.0, np.exp((low + high) / 2)))

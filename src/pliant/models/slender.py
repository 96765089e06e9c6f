"""Slender soft features: how far the tip of a post gives way under the nozzle, and how tall it may stand by itself.

Euler and Bernoulli's cantilever with Timoshenko's shear term; small deflections, linear elastic. The side force of a
nozzle on a part is known from no source: `side_force_n` is an estimate with a wide spread, and says so.
"""

import numpy as np

from pliant.arrays import Number
from pliant.checks import require_not_negative, require_positive

__all__ = [
    "SIDE_FORCE_SHARE",
    "SIDE_FORCE_SPREAD",
    "self_weight_height_mm",
    "side_force_n",
    "tip_stiffness_n_per_mm",
    "wall_spread_mm",
]

SIDE_FORCE_SHARE = 0.3  # [-] friction-like share of the contact force; own estimate, no source
SIDE_FORCE_SPREAD = 3.0  # [-] multiplicative standard deviation of the side force; own estimate, no source
_GRAVITY_M_PER_S2 = 9.80665  # standard acceleration of free fall, exact by convention (CGPM 1901)
_GREENHILL = 7.837  # [-] self-weight buckling of a clamped-free column; from memory
_SHEAR = 5 / 6  # [-] shear coefficient of a rectangle; from memory


def tip_stiffness_n_per_mm(
    youngs_modulus_mpa: Number, second_moment_mm4: Number, height_mm: Number, *, area_mm2: Number | None = None
) -> Number:
    """Side stiffness at the tip of a post clamped at its foot.

    Parameters
    ----------
    youngs_modulus_mpa : float or ndarray
        Young's modulus. [MPa]
    second_moment_mm4 : float or ndarray
        Second moment of area about the axis it bends about; b t^3 / 12 for a rectangle. [mm4]
    height_mm : float or ndarray
        Free length. [mm]
    area_mm2 : float or ndarray, optional
        Area of the section; when given, the shear of an incompressible solid (G = E / 3) is added. [mm2]

    Returns
    -------
    ndarray
        Force per deflection. [N/mm]

    Raises
    ------
    DomainError
        If an input is not finite and positive.

    Notes
    -----
    k = 3 E I / L^3. Without the shear term a post shorter than about three thicknesses looks stiffer than it is.

    Examples
    --------
    >>> float(tip_stiffness_n_per_mm(100.0, 5.0 * 5.0**3 / 12, 40.0))
    0.244
    """
    require_positive(
        youngs_modulus_mpa=youngs_modulus_mpa, second_moment_mm4=second_moment_mm4, height_mm=height_mm
    )  # fmt: skip
    bending = np.asarray(height_mm, dtype=float) ** 3 / (3 * youngs_modulus_mpa * second_moment_mm4)
    if area_mm2 is None:
        return 1 / bending
    require_positive(area_mm2=area_mm2)
    return 1 / (bending + height_mm / (_SHEAR * np.asarray(youngs_modulus_mpa) / 3 * area_mm2))


def self_weight_height_mm(
    youngs_modulus_mpa: Number, second_moment_mm4: Number, area_mm2: Number, density_kg_per_m3: Number
) -> Number:
    """Height at which a prismatic post clamped at its foot buckles under its own weight (Greenhill).

    Parameters
    ----------
    youngs_modulus_mpa : float or ndarray
        Young's modulus. [MPa]
    second_moment_mm4, area_mm2 : float or ndarray
        Section. [mm4, mm2]
    density_kg_per_m3 : float or ndarray
        Density. [kg/m3]

    Returns
    -------
    ndarray
        Height. [mm]

    Raises
    ------
    DomainError
        If an input is not finite and positive.

    Notes
    -----
    L = (7.837 E I / (rho g A))^(1/3); formula from memory.

    Examples
    --------
    >>> float(self_weight_height_mm(13.2, 5.0**4 / 12, 25.0, 1200.0))
    263.6
    """
    require_positive(
        youngs_modulus_mpa=youngs_modulus_mpa,
        second_moment_mm4=second_moment_mm4,
        area_mm2=area_mm2,
        density_kg_per_m3=density_kg_per_m3,
    )
    weight_n_per_mm = np.asarray(density_kg_per_m3) * 1e-9 * _GRAVITY_M_PER_S2 * area_mm2
    return np.cbrt(_GREENHILL * np.asarray(youngs_modulus_mpa) * second_moment_mm4 / weight_n_per_mm)


def side_force_n(contact_pressure_mpa: Number, bead_area_mm2: Number, *, share: float = SIDE_FORCE_SHARE) -> Number:
    """Side force of the nozzle on what it prints: pressure under the face times bead area times a share.

    Parameters
    ----------
    contact_pressure_mpa : float or ndarray
        Pressure of the melt between the nozzle face and the surface; zero allowed. [MPa]
    bead_area_mm2 : float or ndarray
        Area of the bead's section. [mm2]
    share : float, default 0.3
        Part of the contact force that acts sideways. [-]

    Returns
    -------
    ndarray
        Force. [N]

    Raises
    ------
    DomainError
        If the pressure is negative, or another input not positive.

    Notes
    -----
    An estimate without a source: take it with a multiplicative spread of `SIDE_FORCE_SPREAD` (3).

    Examples
    --------
    >>> float(side_force_n(1.0, 0.0814))
    0.0244
    """
    require_not_negative(contact_pressure_mpa=contact_pressure_mpa)
    require_positive(bead_area_mm2=bead_area_mm2, share=share)
    return np.asarray(contact_pressure_mpa) * bead_area_mm2 * share


def wall_spread_mm(width_mm: Number, height_mm: Number) -> Number:
    """Width of a thin wall that shares a push at the middle of its free edge: twice the height, at most the wall's.

    Parameters
    ----------
    width_mm, height_mm : float or ndarray
        The wall. [mm]

    Returns
    -------
    ndarray
        Width that acts as a cantilever. [mm]

    Raises
    ------
    DomainError
        If an input is not finite and positive.

    Notes
    -----
    An endless cantilever plate pushed at its edge moves by 0.168 F L^2 / D (Jaramillo 1950, from memory), which is a
    strip of width 1.98 L. A push at the end of the wall finds less.

    Examples
    --------
    >>> float(wall_spread_mm(50.0, 10.0))
    20.0
    """
    require_positive(width_mm=width_mm, height_mm=height_mm)
    return np.minimum(width_mm, 2 * np.asarray(height_mm, dtype=float))

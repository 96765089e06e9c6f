"""Axial force at which filament bows out across an open gap.

Euler, two shear-flexible columns, and the exact incompressible neo-Hookean column. The last two bracket the truth.
Left out: bending set, gear marks, guide friction.
"""

from typing import Any

import numpy as np

from pliant.checks import require_in, require_positive, warn_outside

__all__ = ["buckling_force_n", "euler_load_n"]

_SHEAR = np.pi**2 / 16 / 0.3  # [-] Euler load over shear stiffness, per (d/L)^2: kappa 0.9, E = 3 G
# effective length / diameter, exact load / Euler load: own small-on-large solution, frictionless sliding ends
_EXACT = np.array(
    [
        [1.0, 1.9239],
        [1.25, 1.694],
        [1.5, 1.4096],
        [2.0, 1.1834],
        [2.5, 1.1055],
        [3.0, 1.0692],
        [4.0, 1.0368],
        [5.0, 1.0229],
        [7.0, 1.0115],
        [10.0, 1.0055],
        [20.0, 1.0014],
    ]
)
THEORIES = ("euler", "engesser", "haringx", "neo-hookean")


def euler_load_n(youngs_modulus_mpa: Any, second_moment_mm4: Any, effective_length_mm: Any) -> Any:
    """Euler's load pi^2 E I / L_e^2 of a straight elastic column. [MPa, mm4, mm -> N]

    Examples
    --------
    >>> float(euler_load_n(20.0, 0.46039, 10.0))
    0.909
    """
    require_positive(
        youngs_modulus_mpa=youngs_modulus_mpa,
        second_moment_mm4=second_moment_mm4,
        effective_length_mm=effective_length_mm,
    )
    return np.pi**2 * youngs_modulus_mpa * second_moment_mm4 / effective_length_mm**2


def buckling_force_n(
    youngs_modulus_mpa: Any, diameter_mm: Any, gap_mm: Any, *, length_factor: Any = 1.0, theory: str = "euler"
) -> Any:
    """Axial force at which a straight filament buckles across an unsupported gap.

    Parameters
    ----------
    youngs_modulus_mpa : float or ndarray
        Modulus at the temperature and strain of the gap. [MPa]
    diameter_mm, gap_mm : float or ndarray
        Filament diameter; free length. [mm]
    length_factor : float or ndarray, default 1.0
        1 pinned-pinned, 0.699 pinned-fixed, 0.5 fixed-fixed. [-]
    theory : {"euler", "engesser", "haringx", "neo-hookean"}
        Which column.

    Returns
    -------
    ndarray
        Critical force. [N]

    Raises
    ------
    DomainError
        If an input is not finite and positive, or the theory unknown.

    Warns
    -----
    ValidityWarning
        Where the effective length is under two diameters: a squash, not a bend.

    References
    ----------
    .. [1] Z. P. Bazant and A. Beghini, 2005, doi 10.1115/1.1979516 (Engesser and Haringx).
    .. [2] A. Goriely, R. Vandiver, M. Destrade, Nonlinear Euler buckling, Proc. R. Soc. A, 2008.
    """
    require_in("theory", theory, THEORIES)
    require_positive(
        youngs_modulus_mpa=youngs_modulus_mpa, diameter_mm=diameter_mm, gap_mm=gap_mm, length_factor=length_factor
    )
    slender = length_factor * np.asarray(gap_mm, dtype=float) / diameter_mm
    warn_outside(slender < 2, "effective length under two diameters: the filament squashes rather than bows")
    euler = euler_load_n(youngs_modulus_mpa, np.pi * diameter_mm**4 / 64, length_factor * np.asarray(gap_mm))
    ratio = _SHEAR / slender**2
    if theory == "engesser":
        return euler / (1 + ratio)
    if theory == "haringx":
        return euler * (np.sqrt(1 + 4 * ratio) - 1) / (2 * ratio)
    if theory == "neo-hookean":
        excess = np.interp(np.log(slender), np.log(_EXACT[:, 0]), (_EXACT[:, 1] - 1) * _EXACT[:, 0] ** 2)
        return euler * (1 + excess / slender**2)
    return euler

"""Axial force at which filament bows out across an open gap.

Euler, two shear-flexible columns (Engesser, Haringx), and the exact incompressible neo-Hookean column. Haringx and
neo-Hookean bracket the truth for a soft rod. Left out: bending set from the spool, gear marks, friction of the guide,
creep. What softening with strain leaves of the load is `softening_load_n`. Start with `buckling_force_n`.
"""

from functools import cache

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Number
from pliant.checks import as_floats, require_in, require_positive, warn_outside
from pliant.records.materials import HALF_STRAIN

__all__ = ["END_FACTORS", "THEORIES", "buckling_force_n", "euler_load_n", "softening_load_n"]

THEORIES = ("euler", "engesser", "haringx", "neo-hookean")
# [-] effective length over length; theory, as handbook tables print them (0.699 is the root of tan x = x)
END_FACTORS = {"pinned-pinned": 1.0, "pinned-fixed": 0.699, "fixed-fixed": 0.5}

_SHEAR = np.pi**2 / 16 / 0.3  # [-] Euler load over shear stiffness, per (d/L)^2: kappa 0.9, E = 3 G
_LEAST, _MOST = 0.5, 20.0  # [-] effective lengths in diameters between which the exact column is solved
_SQUASH = 2.0  # [-] effective length in diameters under which a rod squashes rather than bends


def euler_load_n(youngs_modulus_mpa: Number, second_moment_mm4: Number, effective_length_mm: Number) -> Number:
    r"""Euler's load of a straight elastic column.

    Parameters
    ----------
    youngs_modulus_mpa : float or ndarray
        Young's modulus. [MPa]
    second_moment_mm4 : float or ndarray
        Second moment of area about the weaker axis. [mm4]
    effective_length_mm : float or ndarray
        Length of one half wave: end factor times length. [mm]

    Returns
    -------
    ndarray
        Critical force. [N]

    Raises
    ------
    DomainError
        If an input is not finite and positive.

    Notes
    -----
    .. math:: P_E = \pi^2 E I / L_e^2

    Slender, straight, linear elastic. For a solid round rod the strain at buckling is (pi^2/16)(d/L_e)^2: 0.6 % at
    ten diameters, 15 % at two. Textbook formula [1]_.

    Examples
    --------
    Hibbeler, Ex. 13.1: a steel tube of 7.2 m

    >>> float(euler_load_n(200e3, 3.14159 / 4 * (75**4 - 70**4), 7200.0)) / 1e3
    228.2

    References
    ----------
    .. [1] R. C. Hibbeler, Mechanics of Materials, ch. 13.
    """
    require_positive(
        youngs_modulus_mpa=youngs_modulus_mpa,
        second_moment_mm4=second_moment_mm4,
        effective_length_mm=effective_length_mm,
    )
    E, I, L = as_floats(youngs_modulus_mpa, second_moment_mm4, effective_length_mm)
    return np.pi**2 * E * I / L**2


def buckling_force_n(
    youngs_modulus_mpa: Number,
    diameter_mm: Number,
    gap_mm: Number,
    *,
    length_factor: Number = 1.0,
    theory: str = "euler",
) -> Number:
    r"""Axial force at which a straight filament buckles across an unsupported gap.

    Parameters
    ----------
    youngs_modulus_mpa : float or ndarray
        Modulus at the temperature and strain of the gap. [MPa]
    diameter_mm : float or ndarray
        Filament diameter. [mm]
    gap_mm : float or ndarray
        Free length from pinch to inlet. [mm]
    length_factor : float or ndarray, default 1.0
        1 pinned-pinned, 0.699 pinned-fixed, 0.5 fixed-fixed (`END_FACTORS`); a real pinch lies between. [-]
    theory : {"euler", "engesser", "haringx", "neo-hookean"}, default "euler"
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

    Notes
    -----
    With :math:`P_E` Euler's load and :math:`r = P_E/(\kappa G A) = 2.056\,(d/L_e)^2` (round, nu = 0.5):

    .. math::
        P_{Engesser} = \frac{P_E}{1 + r}, \qquad P_{Haringx} = P_E\,\frac{\sqrt{1 + 4r} - 1}{2r}

    `neo-hookean`: exact first bending of an incompressible neo-Hookean cylinder between frictionless ends, from its own
    bifurcation condition (small on large; solved once, then interpolated to 3e-6). Slender limit
    :math:`1 + 0.548\,(d/L_e)^2` [2]_: above Euler, where the other two lie below. Under half a diameter the stress of
    the shortest column solved is kept.

    Examples
    --------
    >>> float(buckling_force_n(20.0, 1.75, 10.0))
    0.909
    >>> [round(float(buckling_force_n(20.0, 1.75, 5.0, theory=t)), 2) for t in ("haringx", "euler", "neo-hookean")]
    [3.01, 3.64, 3.92]

    References
    ----------
    .. [1] Z. P. Bazant and A. Beghini, 2005, doi 10.1115/1.1979516 (Engesser and Haringx; abstract).
    .. [2] A. Goriely, R. Vandiver, M. Destrade, Nonlinear Euler buckling, Proc. R. Soc. A, 2008, arXiv 0812.1398.
    """
    require_in("theory", theory, THEORIES)
    require_positive(
        youngs_modulus_mpa=youngs_modulus_mpa, diameter_mm=diameter_mm, gap_mm=gap_mm, length_factor=length_factor
    )
    d, gap, factor = as_floats(diameter_mm, gap_mm, length_factor)
    effective = factor * gap
    slender = effective / d
    warn_outside(slender < _SQUASH, "effective length under two diameters: the filament squashes rather than bows")
    euler = euler_load_n(youngs_modulus_mpa, np.pi * d**4 / 64, effective)
    ratio = _SHEAR / slender**2
    if theory == "engesser":
        return euler / (1 + ratio)
    if theory == "haringx":
        return euler * (np.sqrt(1 + 4 * ratio) - 1) / (2 * ratio)
    if theory == "neo-hookean":
        log_slender, excess = _exact()
        within = np.maximum(slender, _LEAST)
        gain = 1 + np.interp(np.log(within), log_slender, excess) / within**2
        return euler * gain * (slender / within) ** 2
    return euler


def softening_load_n(
    elastic_load_n: Number, youngs_modulus_mpa: Number, diameter_mm: Number, half_strain: Number = HALF_STRAIN
) -> Number:
    r"""Load at which a column begins to bend whose material softens with strain.

    Parameters
    ----------
    elastic_load_n : float or ndarray
        Load of the same column with the modulus it has at small strain, by any theory. [N]
    youngs_modulus_mpa : float or ndarray
        That modulus. [MPa]
    diameter_mm : float or ndarray
        Diameter. [mm]
    half_strain : float or ndarray, default 0.15
        Strain at which the secant modulus has halved; own fit, spread 1.5. [-]

    Returns
    -------
    ndarray
        Load, the smaller the shorter the column. [N]

    Raises
    ------
    DomainError
        If an input is not finite and positive.

    Notes
    -----
    Bending begins where the tangent modulus gives the load (Engesser; Shanley [1]_); from there it may rise towards the
    reduced-modulus load. With :math:`\sigma = E\varepsilon/(1 + \varepsilon/\varepsilon_h)` and
    :math:`\kappa = P/(AE)` of the elastic column,

    .. math::
        x^2 + x = \kappa/\varepsilon_h, \quad \varepsilon = x\,\varepsilon_h, \quad N = P/(1 + x)^2

    Validity: that of the elastic load; the softening law was fitted up to 50 % strain. No upper limit of the strain is
    set: for the shortest columns the load tends to the law's own asymptote, and no longer speaks of bending.

    Examples
    --------
    At an effective length of two diameters 0.058 A E, where the secant would leave 0.076:

    >>> round(float(softening_load_n(0.15421 * np.pi, 1.0, 2.0) / np.pi), 4)
    0.058

    References
    ----------
    .. [1] F. R. Shanley, Inelastic column theory, J. Aeronaut. Sci. 14(5), 1947, p. 261 (summary read).
    """
    require_positive(
        elastic_load_n=elastic_load_n,
        youngs_modulus_mpa=youngs_modulus_mpa,
        diameter_mm=diameter_mm,
        half_strain=half_strain,
    )
    load, modulus, d, half = as_floats(elastic_load_n, youngs_modulus_mpa, diameter_mm, half_strain)
    x = (np.sqrt(1 + 4 * load / (modulus * np.pi * d**2 / 4) / half) - 1) / 2
    return load / (1 + x) ** 2


@cache
def _exact() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Log slenderness, and (exact load / Euler load - 1) times slenderness squared."""
    slender = np.geomspace(_LEAST, _MOST, 3201)
    wave = np.pi / (2 * slender)  # pi times undeformed radius over half wave
    # the only root between these; checked by a scan in tests/models/test_column.py
    low, high = np.full(slender.shape, 0.3), 1 - np.minimum(0.5 * np.pi**2 / 16 / slender**2, 0.1)
    positive = _bifurcation(high, wave) > 0
    for _ in range(50):
        middle = (low + high) / 2
        same = (_bifurcation(middle, wave) > 0) == positive
        low, high = np.where(same, low, middle), np.where(same, middle, high)
    stretch = (low + high) / 2
    load = (stretch**-2 - stretch) / 3  # over A E, E = 3 G, undeformed area
    return np.log(slender), (load * 16 * slender**2 / np.pi**2 - 1) * slender**2


def _bifurcation(stretch: NDArray[np.float64], wave: NDArray[np.float64]) -> NDArray[np.float64]:
    """Determinant whose zero is the first bending of a neo-Hookean cylinder; its trivial zero at 1 divided out.

    Radius 1 in the compressed state, sides free of stress, so pressure G / stretch. The bending field is the sum of the
    gradient of p = I1(k r) cos(theta) cos(k z), the curl of q e_z and the double curl of s e_z, with q and s made of
    I1(m r), m = k stretch^1.5. Rows: increments of the tractions rr, r theta, rz at the wall.
    """
    from scipy.special import i0, i1

    k, m = wave / stretch**1.5, wave
    a0, b0 = i1(k), i1(m)  # I1 and its first two derivatives, from I0 and I1
    a1, b1 = i0(k) - a0 / k, i0(m) - b0 / m
    a2, b2 = a0 - a1 / k + a0 / k**2, b0 - b1 / m + b0 / m**2
    columns = (
        (2 * k**2 * a2 - k**2 * (1 - stretch**3) * a0, 2 * (a0 - k * a1), -2 * k**2 * a1),
        (2 * (m * b1 - b0), m * b1 - b0 - m**2 * b2, -k * b0),
        (2 * k * m**2 * b2, 2 * k * (b0 - m * b1), -(m**3 + k**2 * m) * b1),
    )
    (a, d, g), (b, e, h), (c, f, i) = columns
    return (a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g)) / (1 - stretch)

"""Young's modulus from hardness, and how it falls with strain and heat.

Data-sheet fits for thermoplastic polyurethane (flexural modulus, 23 degC, moulded), beside two published rubber
formulas. Left out: rate, moisture, orientation, creep. The A scale has no resolution left above about 93A: the same
material reads 95A and 50D there, so use D. Start with `modulus_from_hardness_mpa`.
"""

import numpy as np

from pliant.arrays import Number
from pliant.checks import (
    as_floats,
    require_finite,
    require_in,
    require_not_negative,
    require_positive,
    warn_outside,
)
from pliant.errors import DomainError
from pliant.records.materials import HALF_STRAIN, HEAT_RATE, MODULUS_SPREAD, fit_of

__all__ = ["MODULUS_SPREAD", "modulus_from_hardness_mpa", "softened_modulus_mpa"]

METHODS = ("data-sheets", "indentation", "log-linear")

_MOST_STRAIN = 0.5  # [-] largest strain of those rows


def modulus_from_hardness_mpa(shore: Number, scale: str = "A", method: str = "data-sheets") -> Number:
    r"""Young's modulus at small strain and 23 degC from a Shore reading.

    Parameters
    ----------
    shore : float or ndarray
        Reading, above 0 and under 100. [-]
    scale : {"A", "D"}, default "A"
        Durometer scale.
    method : {"data-sheets", "indentation", "log-linear"}, default "data-sheets"
        Own fit to data sheets of TPU; Gent's formula (A only) [1]_; Qi, Joyce and Boyce, base ten [2]_.

    Returns
    -------
    ndarray
        Modulus. [MPa]

    Raises
    ------
    DomainError
        If a word is unknown, the reading impossible, or Gent's formula is asked of the D scale.

    Warns
    -----
    ValidityWarning
        Outside A 82-95 or D 50-76 (fits), A 20-80 (Gent), A 20-80 or D 30-85 (Qi et al.).

    Notes
    -----
    .. math::
        \log_{10} E &= -1.302 + 0.0331\,S_A, \quad -0.524 + 0.0492\,S_D && \text{(data sheets)} \\
        E &= \frac{0.0981\,(56 + 7.62336\,S_A)}{0.137505\,(254 - 2.54\,S_A)} && \text{(indentation)} \\
        \log_{10} E &= 0.0235\,s - 0.6403, \quad s = S_A \text{ or } S_D + 50 && \text{(log-linear)}

    The rubber formulas are low for TPU, by 1.2 at 85A and by 5 at 70D: its hard phase stiffens it. A factor of
    `MODULUS_SPREAD` is left to the fit. At 5 to 20 % strain about half of it is left: `softened_modulus_mpa`.

    Examples
    --------
    >>> float(modulus_from_hardness_mpa(85.0)), float(modulus_from_hardness_mpa(55.0, "D"))
    (32.5, 152.1)
    >>> float(modulus_from_hardness_mpa(80.0, method="indentation"))
    9.35

    References
    ----------
    .. [1] A. N. Gent, On the relation between indentation hardness and Young's modulus, 1958 (reprinted in
       Rubber Chem. Technol. 31); coefficients second hand.
    .. [2] H. J. Qi, K. Joyce, M. C. Boyce, Durometer hardness and the stress-strain behavior of elastomeric
       materials, Rubber Chem. Technol. 76, 2003; coefficients second hand.
    """
    require_in("scale", scale, ("A", "D"))
    require_in("method", method, METHODS)
    s = np.asarray(shore, dtype=float)
    require_positive(shore=s)
    if np.any(s >= 100):
        raise DomainError(f"shore must be under 100, got {s.max()}")
    if method == "data-sheets":
        start, slope, low, high = fit_of(scale)
        warn_outside((s < low) | (s > high), f"Shore {scale} outside {low:g}-{high:g}, the range of the data-sheet fit")
        return 10 ** (start + slope * s)
    if method == "indentation":
        if scale == "D":
            raise DomainError("method 'indentation' needs scale A, got D; use 'data-sheets' or 'log-linear'")
        warn_outside((s < 20) | (s > 80), "Shore A outside 20-80, the range of Gent 1958")
        return 0.0981 * (56 + 7.62336 * s) / (0.137505 * (254 - 2.54 * s))
    low, high, shift = (20, 80, 0) if scale == "A" else (30, 85, 50)
    warn_outside((s < low) | (s > high), f"Shore {scale} outside {low}-{high}, the range of Qi et al. 2003")
    return 10 ** (0.0235 * (s + shift) - 0.6403)


def softened_modulus_mpa(youngs_modulus_mpa: Number, strain: Number = 0.0, temperature_c: Number = 23.0) -> Number:
    r"""Secant modulus at a strain and temperature.

    Parameters
    ----------
    youngs_modulus_mpa : float or ndarray
        Modulus at small strain and 23 degC. [MPa]
    strain : float or ndarray, default 0.0
        Size of the strain, tension or compression. [-]
    temperature_c : float or ndarray, default 23.0
        Temperature. [degC]

    Returns
    -------
    ndarray
        Stress over strain. [MPa]

    Raises
    ------
    DomainError
        If the modulus is not positive, the strain negative, or the temperature not finite.

    Warns
    -----
    ValidityWarning
        Outside 20 to 70 degC (colder, hard grades turn glassy and are several times stiffer than this says), and
        above 50 % strain.

    Notes
    -----
    .. math:: E_s = \frac{E}{1 + \varepsilon/0.15}\, e^{-0.018\,(T - 23)}

    Own fits to the few data-sheet rows that give stress at several strains (spread 1.5 on 0.15) or stiffness at two
    temperatures (spread 1.3 on the rate). First slow loading only: no rate, no set, no memory of an earlier stretch.

    Examples
    --------
    >>> float(softened_modulus_mpa(30.0, 0.15)), float(softened_modulus_mpa(30.0, 0.0, 60.0))
    (15.0, 15.4)
    """
    require_positive(youngs_modulus_mpa=youngs_modulus_mpa)
    require_not_negative(strain=strain)
    require_finite(temperature_c=temperature_c)
    modulus, e, t = as_floats(youngs_modulus_mpa, strain, temperature_c)
    warn_outside((t < 20) | (t > 70), "temperature_c outside 20 to 70, the range of the rows fitted")
    warn_outside(e > _MOST_STRAIN, f"strain over {_MOST_STRAIN}, the largest of the rows fitted")
    return modulus / (1 + e / HALF_STRAIN) * np.exp(-HEAT_RATE * (t - 23))

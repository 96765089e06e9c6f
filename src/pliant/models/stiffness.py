"""Young's modulus from hardness, and how it falls with strain and heat.

Data-sheet fits for thermoplastic polyurethane (flexural modulus, 23 degC, moulded), beside two published rubber
formulas. The A scale has no resolution left above about 93A.
"""

from typing import Any

import numpy as np

from pliant.checks import require_in, require_not_negative, require_positive, warn_outside
from pliant.errors import DomainError

__all__ = ["modulus_from_hardness_mpa", "softened_modulus_mpa"]

# own fits to producers' data sheets: A 82-95 (5 points, rms factor 1.23), D 50-76 (9 points, rms factor 1.16)
_FIT = {"A": (-1.302, 0.0331, 82.0, 95.0), "D": (-0.524, 0.0492, 50.0, 76.0)}
_HALF_STRAIN = 0.15  # [-] own fit to the few rows that give stress at several strains; spread 1.5
_HEAT_RATE = 0.018  # [1/K] own fit to the few rows at two temperatures; spread 1.3


def modulus_from_hardness_mpa(shore: Any, scale: str = "A", method: str = "data-sheets") -> Any:
    """Young's modulus at small strain and 23 degC from a Shore reading.

    Parameters
    ----------
    shore : float or ndarray
        Reading, above 0 and under 100. [-]
    scale : {"A", "D"}
        Durometer scale.
    method : {"data-sheets", "indentation", "log-linear"}
        Own fit to data sheets; Gent's formula (A only) [1]_; Qi, Joyce and Boyce, base ten [2]_.

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

    References
    ----------
    .. [1] A. N. Gent, On the relation between indentation hardness and Young's modulus,
       1958 (coefficients second hand).
    .. [2] H. J. Qi, K. Joyce, M. C. Boyce, Rubber Chem. Technol. 76, 2003 (coefficients second hand).
    """
    require_in("scale", scale, ("A", "D"))
    require_in("method", method, ("data-sheets", "indentation", "log-linear"))
    s = np.asarray(shore, dtype=float)
    require_positive(shore=s)
    if np.any(s >= 100):
        raise DomainError(f"shore must be under 100, got {s.max()}")
    if method == "data-sheets":
        start, slope, low, high = _FIT[scale]
        warn_outside((s < low) | (s > high), f"Shore {scale} outside {low:g}-{high:g}, the range of the data-sheet fit")
        return 10 ** (start + slope * s)
    if method == "indentation":
        if scale == "D":
            raise DomainError("method 'indentation' needs scale A, got D")
        warn_outside((s < 20) | (s > 80), "Shore A outside 20-80, the range of Gent 1958")
        return 0.0981 * (56 + 7.62336 * s) / (0.137505 * (254 - 2.54 * s))
    low, high, shift = (20, 80, 0) if scale == "A" else (30, 85, 50)
    warn_outside((s < low) | (s > high), f"Shore {scale} outside {low}-{high}, the range of Qi et al. 2003")
    return 10 ** (0.0235 * (s + shift) - 0.6403)


def softened_modulus_mpa(youngs_modulus_mpa: Any, strain: Any = 0.0, temperature_c: Any = 23.0) -> Any:
    """Secant modulus at a strain and temperature: E / (1 + strain / 0.15) exp(-0.018 (T - 23)). [MPa, -, degC -> MPa]

    Own fits to a few data-sheet rows, between -20 and 70 degC and up to 50 % strain.
    """
    require_positive(youngs_modulus_mpa=youngs_modulus_mpa)
    require_not_negative(strain=strain)
    t = np.asarray(temperature_c, dtype=float)
    if not np.all(np.isfinite(t)):
        raise DomainError("temperature_c must be finite")
    warn_outside((t < -20) | (t > 70), "temperature_c outside -20 to 70, the range of the rows fitted")
    return youngs_modulus_mpa / (1 + np.asarray(strain) / _HALF_STRAIN) * np.exp(-_HEAT_RATE * (t - 23))

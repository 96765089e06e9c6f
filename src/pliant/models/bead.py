"""Section of a bead: a rectangle with half-round sides where the nozzle presses it, a free round strand elsewhere.

Left out: swelling of the melt at the nozzle (no number for TPU found), sagging, the half-round sides flattening against
their neighbours. Area is volume per length, so it follows from what is fed.
"""

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Number
from pliant.checks import as_floats, require_positive, warn_outside
from pliant.errors import DomainError

__all__ = ["bead_area_mm2", "bead_width_mm", "is_squeezed", "strand_diameter_mm"]


def bead_area_mm2(width_mm: Number, height_mm: Number) -> Number:
    r"""Area of a pressed bead.

    Parameters
    ----------
    width_mm : float or ndarray
        Width over both round sides. [mm]
    height_mm : float or ndarray
        Height: the gap it was laid in. [mm]

    Returns
    -------
    ndarray
        Area. [mm2]

    Raises
    ------
    DomainError
        If a size is not finite and positive, or the bead so narrow that no area is left.

    Warns
    -----
    ValidityWarning
        Where the width is under the height: a free strand, which no face presses.

    Notes
    -----
    .. math:: A = (w - h)\,h + \pi h^2/4

    Definition of the section, not a law of spreading [1]_.

    Examples
    --------
    >>> float(bead_area_mm2(0.45, 0.2))
    0.081416

    References
    ----------
    .. [1] R. Comminal, M. P. Serdeczny, D. B. Pedersen, J. Spangenberg, 2018, Addit. Manuf. 20:68-76 (abstract: the
       strand goes from nearly round to flat with rounded sides).
    """
    require_positive(width_mm=width_mm, height_mm=height_mm)
    w, h = as_floats(width_mm, height_mm)
    area = (w - h) * h + np.pi * h**2 / 4
    if np.any(area <= 0):
        raise DomainError(f"width_mm must exceed {1 - np.pi / 4:.3f} of height_mm, got {w.min()} and {h.max()}")
    warn_outside(w < h, "width_mm under height_mm: a free strand, not a pressed bead")
    return area


def bead_width_mm(area_mm2: Number, height_mm: Number) -> Number:
    r"""Width of a pressed bead of given area and height; inverse of `bead_area_mm2`.

    Parameters
    ----------
    area_mm2 : float or ndarray
        Volume per length. [mm2]
    height_mm : float or ndarray
        Height: the gap it was laid in. [mm]

    Returns
    -------
    ndarray
        Width over both round sides. [mm]

    Raises
    ------
    DomainError
        If an input is not finite and positive.

    Warns
    -----
    ValidityWarning
        Where the free strand is thinner than the height, so that nothing presses it; see `is_squeezed`.

    Notes
    -----
    .. math:: w = A/h + h\,(1 - \pi/4)

    Examples
    --------
    >>> float(bead_width_mm(0.081416, 0.2))
    0.45
    """
    require_positive(area_mm2=area_mm2, height_mm=height_mm)
    a, h = as_floats(area_mm2, height_mm)
    warn_outside(a < np.pi * h**2 / 4 * (1 - 1e-9), "the free strand is thinner than height_mm: nothing presses it")
    return (a - np.pi * h**2 / 4) / h + h


def strand_diameter_mm(area_mm2: Number) -> Number:
    """Diameter of the free round strand of an area.

    Parameters
    ----------
    area_mm2 : float or ndarray
        Volume per length. [mm2]

    Returns
    -------
    ndarray
        Diameter. [mm]

    Raises
    ------
    DomainError
        If the area is not finite and positive.

    Examples
    --------
    >>> float(strand_diameter_mm(2.405282))
    1.75
    """
    require_positive(area_mm2=area_mm2)
    return np.sqrt(4 * np.asarray(area_mm2, dtype=float) / np.pi)


def is_squeezed(area_mm2: Number, gap_mm: Number) -> NDArray[np.bool_] | np.bool_:
    """Whether the nozzle face presses the bead: the gap is smaller than the free strand.

    Parameters
    ----------
    area_mm2 : float or ndarray
        Volume per length. [mm2]
    gap_mm : float or ndarray
        Gap between nozzle face and what lies below. [mm]

    Returns
    -------
    ndarray of bool
        True where pressed. [-]

    Raises
    ------
    DomainError
        If an input is not finite and positive.

    Notes
    -----
    The bare geometry: swelling of the melt presses sooner, pulling the strand thinner presses later.

    Examples
    --------
    >>> bool(is_squeezed(0.081416, 0.2)), bool(is_squeezed(0.081416, 0.4))
    (True, False)
    """
    require_positive(gap_mm=gap_mm)
    return np.asarray(gap_mm, dtype=float) < strand_diameter_mm(area_mm2)

"""How much more filament to ask for so that the right amount arrives, from its causes, and which of them dominates.

Stretch before the wheel (`drive.stretch_loss`), slip at it (`drive.slip_loss`) and a bite deeper than the one the drive
was calibrated with (`bite_loss`). Left out: melt lost to strings and ooze, diameter of the filament (an input error),
swelling of wet filament. Start with `flow_factor`.
"""

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Number
from pliant.checks import as_floats, require_not_negative, require_positive
from pliant.errors import DomainError

__all__ = ["BITE_SHARE", "bite_loss", "flow_factor", "largest_cause"]

_CAUSES = ("stretch", "slip", "bite")
# [-] share of the flattening that the teeth sink in: a fine knurl little, a hobbed wheel all of it; from memory
BITE_SHARE = (0.3, 1.0)


def flow_factor(stretch: Number, slip: Number, bite: Number) -> Number:
    r"""Multiplier on the filament asked for that makes up for what is lost.

    Parameters
    ----------
    stretch : float or ndarray
        Fraction lost to stretch before the wheel, under 1. [-]
    slip : float or ndarray
        Fraction lost to slip at the wheel, under 1. [-]
    bite : float or ndarray
        Fraction lost to the deeper bite, under 1. [-]

    Returns
    -------
    ndarray
        Multiplier, at least 1. [-]

    Raises
    ------
    DomainError
        If a fraction is negative, 1 or more, or not finite.

    Notes
    -----
    .. math:: f = \frac{1}{(1 - s_{stretch})(1 - s_{slip})(1 - s_{bite})}

    The three act one after another, so their remainders multiply. Common practice, no source: soft filament needs about
    1.1; nothing here is tuned to that.

    Examples
    --------
    >>> float(flow_factor(0.02, 0.03, 0.05))
    1.107
    """
    kept: Number = 1.0
    for name, value in zip(_CAUSES, _fractions(stretch, slip, bite), strict=True):
        if np.any(value >= 1):
            raise DomainError(f"{name} must be under 1, got {np.max(value)}; nothing arrives, so no factor helps")
        kept = kept * (1 - value)
    return 1 / kept


def largest_cause(stretch: Number, slip: Number, bite: Number) -> Number:
    """Name of the loss that contributes most to the flow factor.

    Parameters
    ----------
    stretch : float or ndarray
        Fraction lost to stretch before the wheel. [-]
    slip : float or ndarray
        Fraction lost to slip at the wheel. [-]
    bite : float or ndarray
        Fraction lost to the deeper bite. [-]

    Returns
    -------
    ndarray of str
        One of `_CAUSES`; the earlier one where two are equal. [-]

    Raises
    ------
    DomainError
        If a fraction is negative or not finite.

    Examples
    --------
    >>> str(largest_cause(0.02, 0.03, 0.05))
    'bite'
    """
    losses = np.stack(np.broadcast_arrays(*_fractions(stretch, slip, bite)))
    return np.asarray(_CAUSES)[np.argmax(losses, axis=0)]


def bite_loss(bite_mm: Number, wheel_radius_mm: Number) -> Number:
    r"""Fraction underfed because soft filament sits deeper in the teeth, so that the wheel meters at a smaller radius.

    Parameters
    ----------
    bite_mm : float or ndarray
        How much deeper than the filament the drive was calibrated with; `drive.pinch_squash_mm` estimates it. [mm]
    wheel_radius_mm : float or ndarray
        Radius at which the drive was calibrated. [mm]

    Returns
    -------
    ndarray
        Lost fraction. [-]

    Raises
    ------
    DomainError
        If the bite is negative, the radius not positive, or the bite not under the radius.

    Notes
    -----
    .. math:: s = \delta / r

    Geometry of the pitch radius; derived, no measurement found. Whether the middle of a flattened rod or its far side
    is carried along is not settled; this takes the depth of the bite in full, an upper estimate.

    Examples
    --------
    >>> float(bite_loss(0.3, 5.5))
    0.0545
    """
    require_not_negative(bite_mm=bite_mm)
    require_positive(wheel_radius_mm=wheel_radius_mm)
    bite, radius = as_floats(bite_mm, wheel_radius_mm)
    loss = bite / radius
    if np.any(loss >= 1):
        raise DomainError(f"bite_mm must be under wheel_radius_mm, got {np.max(bite_mm)} and {np.min(wheel_radius_mm)}")
    return loss


def _fractions(stretch: Number, slip: Number, bite: Number) -> list[NDArray[np.float64]]:
    require_not_negative(stretch=stretch, slip=slip, bite=bite)
    return as_floats(stretch, slip, bite)

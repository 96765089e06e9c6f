"""How much more filament to ask for so that the right amount arrives."""

from typing import Any

import numpy as np

from pliant.checks import require_not_negative
from pliant.errors import DomainError

__all__ = ["flow_factor"]


def flow_factor(stretch: Any, slip: Any, bite: Any) -> Any:
    """Multiplier that makes up for stretch, slip and tooth bite, each a lost fraction. [-, -, - -> -]"""
    require_not_negative(stretch=stretch, slip=slip, bite=bite)
    for name, value in (("stretch", stretch), ("slip", slip), ("bite", bite)):
        if np.any(np.asarray(value) >= 1):
            raise DomainError(f"{name} must be under 1, got {np.max(value)}")
    return 1 / ((1 - np.asarray(stretch)) * (1 - np.asarray(slip)) * (1 - np.asarray(bite)))

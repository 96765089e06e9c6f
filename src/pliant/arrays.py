"""Types of numbers: arrays, and what may be one number or an array of them, which broadcast."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["Floats", "Number"]

Floats = NDArray[np.float64]
Number = float | Floats  # a numpy scalar is a float

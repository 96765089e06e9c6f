"""Types of numbers: arrays by what they hold, and what may be one number or an array of them, which broadcast."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bools", "Bytes", "Floats", "Floats32", "Ints", "Ints8", "Ints32", "Number"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Ints = NDArray[np.int64]
Ints32 = NDArray[np.int32]
Ints8 = NDArray[np.int8]
Bools = NDArray[np.bool_]
Bytes = NDArray[np.uint8]
Number = float | Floats  # a numpy scalar is a float

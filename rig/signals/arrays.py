"""What arrays hold, one name each; their shapes stand where they are used."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
Singles = NDArray[np.float32]
Complex64 = NDArray[np.complex64]
Bools = NDArray[np.bool_]

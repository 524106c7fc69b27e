"""Arrays inside a noun: copied, checked once and locked; inner functions then trust the type."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Cells = NDArray[np.float32]  # a number for each cell of a FlowTrack; of a day there are 1.7 million


def locked(values: Any, dtype: Any = np.float64) -> NDArray[Any]:
    """An own, read-only copy of values as an array of dtype."""
    array: NDArray[Any] = np.array(values, dtype=dtype)
    array.setflags(write=False)
    return array

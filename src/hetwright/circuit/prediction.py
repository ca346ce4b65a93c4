"""What a set, asked, is expected to read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Prediction"]


@dataclass(frozen=True, slots=True, eq=False)
class Prediction:
    """What a predictor says of a stack of B rows, R readings, S slots.

    mean : (B, R)      expected readings, in the units in which readings are compared
    slopes : (B, R, S) d mean / d slot value
    solved : (B,)      False where no certified working point was found
    """

    mean: NDArray[np.float64]
    slopes: NDArray[np.float64]
    solved: NDArray[np.bool_]

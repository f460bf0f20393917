"""Array types shared by all rooms."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import numpy.typing as npt

__all__ = ["BoolArray", "FloatArray", "Floats", "IntArray", "TextArray"]

FloatArray: TypeAlias = npt.NDArray[np.float64]
IntArray: TypeAlias = npt.NDArray[np.int64]
BoolArray: TypeAlias = npt.NDArray[np.bool_]
TextArray: TypeAlias = npt.NDArray[np.str_]
Floats: TypeAlias = float | FloatArray

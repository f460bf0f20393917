"""Array types shared by all rooms."""

from __future__ import annotations

from typing import TypeAlias, TypeVar

import numpy as np
import numpy.typing as npt

__all__ = ["BoolArray", "FloatArray", "Floats", "IntArray", "TextArray", "distinct"]

FloatArray: TypeAlias = npt.NDArray[np.float64]
IntArray: TypeAlias = npt.NDArray[np.int64]
BoolArray: TypeAlias = npt.NDArray[np.bool_]
TextArray: TypeAlias = npt.NDArray[np.str_]
Floats: TypeAlias = float | FloatArray

_Array = TypeVar("_Array", bound=npt.NDArray[np.generic])


def distinct(values: _Array, axis: int | None = None) -> _Array:
    """Return the distinct values, rising, as `numpy.unique` does.

    Asked for nothing besides, that loads numpy's masked arrays, which take as long as all the rest of a short command.

    Parameters
    ----------
    values : ndarray
        Any.
    axis : int, optional
        Along which rows are compared; by default single values.
    """
    found: _Array = np.unique(values, return_index=True, axis=axis)[0]
    return found

"""Array types shared by all rooms, and how rows are brought into order."""

from __future__ import annotations

from typing import Any, TypeAlias, TypeVar

import numpy as np
import numpy.typing as npt

__all__ = [
    "BoolArray",
    "CauseArray",
    "FloatArray",
    "Floats",
    "IntArray",
    "SmallIntArray",
    "TextArray",
    "distinct",
    "in_order",
]

FloatArray: TypeAlias = npt.NDArray[np.float64]
IntArray: TypeAlias = npt.NDArray[np.int64]
BoolArray: TypeAlias = npt.NDArray[np.bool_]
CauseArray: TypeAlias = npt.NDArray[np.int8]
SmallIntArray: TypeAlias = npt.NDArray[np.int32]
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


def in_order(*keys: npt.NDArray[Any]) -> IntArray:
    """Return what `numpy.lexsort` does, without sorting where rows are in order already, as those of a log mostly are.

    Parameters
    ----------
    *keys : ndarray, shape (n,)
        The last counts first.
    """
    sorted_so_far = np.ones(max(keys[0].size - 1, 0), dtype=np.bool_)
    for key in keys:
        sorted_so_far = (key[1:] > key[:-1]) | ((key[1:] == key[:-1]) & sorted_so_far)
    return np.arange(keys[0].size) if sorted_so_far.all() else np.lexsort(keys)

"""Memory between the steps of long work."""

from __future__ import annotations

import ctypes
import sys

__all__ = ["give_back"]


def give_back() -> None:
    """Give memory that is free back to the system.

    The C library of Linux keeps what arrays of some megabytes leave behind, so the steps of a long log would pile up
    their greatest needs; elsewhere there is nothing to do.
    """
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None
    if trim is not None:
        trim(0)

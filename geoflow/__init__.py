"""Vets variable-rate anhydrous ammonia prescriptions against what a toolbar can really deliver."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from geoflow.base.version import __version__

if TYPE_CHECKING:
    from geoflow.api.commands import (
        card,
        convert,
        learn,
        plan,
        read_bar,
        read_log,
        read_prescription,
        reconcile,
        rehearse,
        rewrite,
        run,
        size,
        vet,
        window,
    )
    from geoflow.base.errors import GeoflowError

__all__ = [
    "GeoflowError",
    "__version__",
    "card",
    "convert",
    "learn",
    "plan",
    "read_bar",
    "read_log",
    "read_prescription",
    "reconcile",
    "rehearse",
    "rewrite",
    "run",
    "size",
    "vet",
    "window",
]


def __getattr__(name: str) -> Any:
    """Fetch a function once it is asked for: what it needs loads with it, and not with the package."""
    if name not in __all__:
        raise AttributeError(f"module 'geoflow' has no attribute '{name}'")
    home = "geoflow.base.errors" if name == "GeoflowError" else "geoflow.api.commands"
    return getattr(importlib.import_module(home), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})

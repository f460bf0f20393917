"""How many examples of a law are tried: as many as its author asked, or ten in the quick run."""

from __future__ import annotations

import os
from typing import Any

from hypothesis import settings

__all__ = ["laws"]

QUICK = os.environ.get("HYPOTHESIS_PROFILE") == "quick"
FEW = 10

settings.register_profile("all", deadline=None, database=None)
settings.register_profile("quick", settings.get_profile("all"), max_examples=FEW)
settings.load_profile("quick" if QUICK else "all")


def laws(examples: int, **more: Any) -> settings:
    """Settings of a law that tries this many examples, and takes the time it needs: a busy machine is no failure."""
    return settings(max_examples=min(examples, FEW) if QUICK else examples, **more)

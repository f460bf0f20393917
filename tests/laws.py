"""How many examples of a law are tried, and which: as many as its author asked, or ten in the quick run.

The same commit tries the same examples everywhere, so that a run says something of the commit and can be had again.
``HYPOTHESIS_PROFILE=search`` draws new ones.
"""

from __future__ import annotations

import os
from typing import Any

from hypothesis import settings

__all__ = ["laws"]

PROFILE = os.environ.get("HYPOTHESIS_PROFILE") or "all"
QUICK = PROFILE == "quick"
FEW = 10

settings.register_profile("all", deadline=None, database=None, derandomize=True)
settings.register_profile("search", settings.get_profile("all"), derandomize=False)
settings.register_profile("quick", settings.get_profile("all"), max_examples=FEW)
settings.load_profile(PROFILE)


def laws(examples: int, **more: Any) -> settings:
    """Settings of a law that tries this many examples, and takes the time it needs: a busy machine is no failure."""
    return settings(max_examples=min(examples, FEW) if QUICK else examples, **more)

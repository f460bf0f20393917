"""What counts for a field of a bar's part where its key is left out of the bar file."""

from __future__ import annotations

import functools
from dataclasses import field
from typing import Any

from geoflow.bar.key_kinds import KEY_KINDS
from geoflow.bar.keys import keys_of
from geoflow.base import units

__all__ = ["left_out"]


@functools.cache
def _default(table: str, name: str) -> Any:
    """What counts where a key of the bar file is left out, in SI."""
    key = keys_of(table)[name]
    kind = KEY_KINDS[key.kind].unit_kind
    return key.default if kind is None else units.parse(key.default, kind)


def left_out(table: str, name: str) -> Any:
    """Return the field of a dataclass that takes the default of a key.

    Parameters
    ----------
    table, name : str
        Of the key.
    """
    # At the first bar, not at import: pint is slow to load.
    return field(default_factory=lambda: _default(table, name))

"""Several quantities in one text: the unit behind the last stands for those before it that have none."""

from __future__ import annotations

import re

from geoflow.base.errors import QuantityError
from geoflow.base.units import KINDS, parse

__all__ = ["parse_list"]

_NUMBER = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*")


def parse_list(text: str, kind: str, *, where: str = "") -> tuple[float, ...]:
    """Read ``"0.063, 0.067 in"`` as SI floats, in the order given.

    Parameters
    ----------
    text : str
        Numbers with commas between; the last has a unit.
    kind : str
        A key of `units.KINDS`.
    where : str
        Option or key, for the error.

    Raises
    ------
    QuantityError
        If one of them is no number with a unit of this kind.
    """
    parts: list[float] = []
    unit = ""
    for word in reversed(text.split(",")):
        match = _NUMBER.fullmatch(word)
        unit = unit if match is None else match.group(2) or unit
        if match is None or not unit:
            what = f"'{word.strip()}' in '{text}' is no number with a unit"
            raise QuantityError(what, where=where, cure=f'write it like "{KINDS[kind].example}"')
        parts.append(parse(f"{match.group(1)} {unit}", kind, where=where))
    return tuple(reversed(parts))

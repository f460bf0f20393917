"""Layers of the map as the page draws them: a letter for the class of each zone, and the key in the reader's units."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray
from geoflow.base.counted import count
from geoflow.base.units import System, show
from geoflow.report.map_layers import Layer, rewritten_layers
from geoflow.report.symbology import Symbol

if TYPE_CHECKING:
    from geoflow.outcomes import RewriteOutcome

__all__ = ["layer_view", "one_letter_each", "rewritten_view", "symbol_view"]

_FIRST: Final = ord("0")


def symbol_view(symbol: Symbol) -> dict[str, str]:
    """Colour, pattern and letter of a class, for the page to draw.

    Parameters
    ----------
    symbol : Symbol
        From `report.symbology`.
    """
    return {
        "letter": symbol.letter,
        "fill": symbol.fill,
        "hatch": symbol.hatch,
        "hatchColour": symbol.hatch_colour,
        "word": symbol.word,
        "meaning": symbol.meaning,
    }


def one_letter_each(places: IntArray) -> str:
    """Write small whole numbers as one letter each, from "0" on; a blank for -1.

    Parameters
    ----------
    places : ndarray of int, shape (n,)
        From -1 on.
    """
    text = (places + _FIRST).astype(np.uint16).tobytes().decode("utf-16-le")
    return text.replace(chr(_FIRST - 1), " ")


def layer_view(layer: Layer, area: FloatArray, system: System, beside: Sequence[str] = ()) -> dict[str, Any]:
    """One layer: a letter per zone, and the key with what belongs to each class.

    Parameters
    ----------
    layer : Layer
        From `report.map_layers`.
    area : ndarray, shape (zones,)
        [m2]
    system : str
        ``"us"`` or ``"metric"``.
    beside : sequence of str
        Classes that the key has too, because a layer shown beside this one has them.
    """
    found = {*layer.kind, *beside}
    listed = [name for name in layer.symbols if name in found]
    place = {name: at for at, name in enumerate(listed)}
    kinds = np.array([place[name] for name in layer.kind], dtype=np.int64)
    return {
        "name": layer.name,
        "title": layer.title,
        "words": layer.words,
        "kinds": one_letter_each(kinds),
        "key": [
            symbol_view(layer.symbols[name])
            | {"amount": _amount(kinds == at, area, system), "zones": int((kinds == at).sum())}
            for at, name in enumerate(listed)
        ],
    }


def rewritten_view(outcome: RewriteOutcome, system: System) -> dict[str, Any]:
    """Return the layers of a rewritten map: before and after, or only after.

    Parameters
    ----------
    outcome : RewriteOutcome
        From `rewrite_file`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    area = outcome.vetted.prescription.area
    return {
        name: [layer_view(layer, area, system, [kind for each in both for kind in each.kind]) for layer in both]
        for name, both in rewritten_layers(outcome.done, system).items()
    }


def _amount(mine: Any, area: FloatArray, system: System) -> str:
    return f"{count(int(mine.sum()), 'zone')}, {show(float(area[mine].sum()), 'area', system)}"

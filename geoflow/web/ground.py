"""The ground of a reconciled log as the page draws it: cells as bytes, keys and histograms in the reader's units."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from geoflow.base.units import System, from_si, show, unit_label
from geoflow.report.ground_layers import GroundLayer, cell_words, ground_layers
from geoflow.report.map_classes import shown_in
from geoflow.web.layer_views import symbol_view
from geoflow.workflow.laid_ground import laid_ground

if TYPE_CHECKING:
    from geoflow.outcomes import ReconcileOutcome

__all__ = ["ground_view"]

# More cells show no more on a screen, and each layer is sent.
_MOST_CELLS: Final = 160_000
_MOST_CORNERS: Final = 60_000


def ground_view(outcome: ReconcileOutcome, system: System) -> dict[str, Any] | None:
    """Lay the ground of a log on cells, with every layer that can be shown of it; None where nothing covers ground.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    if not outcome.found.ground.any():
        return None
    laid = laid_ground(outcome, None, most=_MOST_CELLS)
    grid, cell = laid.grid, laid.grid.cell
    rows, columns = grid.passes.shape
    return {
        "rows": rows,
        "columns": columns,
        "bounds": [grid.west, grid.north - rows * cell, grid.west + columns * cell, grid.north],
        "outlines": _lines(laid.outlines, cell),
        "words": cell_words(grid, system),
        "areaUnit": unit_label("area", system),
        "layers": [_layer(layer, system) for layer in ground_layers(outcome, grid, system)],
    }


def _lines(outlines: Any, cell: float) -> list[list[float]]:
    """Rings in decimetres, flat, with no more corners than show."""
    rings = shapely.get_rings(shapely.get_parts(np.asarray(outlines, dtype=object)))
    rings = shapely.simplify(rings, 0.25 * cell)
    if int(shapely.get_num_coordinates(rings).sum()) > _MOST_CORNERS:
        rings = shapely.simplify(rings, 2.0 * cell)
    return [np.rint(shapely.get_coordinates(ring) * 10.0).astype(np.int64).ravel().tolist() for ring in rings]


def _area(area: float | None, system: System) -> float | None:
    return None if area is None else round(float(from_si(area, "area", shown_in("area", system)[0])), 8)


def _layer(layer: GroundLayer, system: System) -> dict[str, Any]:
    packed = {"classes": layer.classes} | ({} if layer.bins is None else {"bins": layer.bins})
    return {
        "name": layer.name,
        "title": layer.title,
        "words": layer.words,
        "axis": layer.axis,
        "key": [
            symbol_view(symbol) | {"amount": show(area, "area", system, 2), "some": bool((layer.classes == at).any())}
            for at, (symbol, area) in enumerate(layer.symbols)
        ],
        "bars": [
            {
                "words": bar.words,
                "low": bar.low,
                "high": bar.high,
                "amount": show(bar.area, "area", system, 2),
                "area": _area(bar.area, system),
                "other": _area(bar.other, system),
            }
            for bar in layer.bars
        ],
        **{name: base64.b64encode(np.ascontiguousarray(cells).tobytes()).decode() for name, cells in packed.items()},
    }

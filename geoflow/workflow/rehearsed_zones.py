"""Reading what a rehearsal expected of each zone, for a log of the same map."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.base.errors import UsageError
from geoflow.base.units import to_si
from geoflow.reconciliation.expected import ExpectedZones

if TYPE_CHECKING:
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["REHEARSAL", "read_rehearsed", "rehearsal_file"]

REHEARSAL: Final = "rehearsal.json"
"""The file of a rehearsal's folder that is compared with."""
_RATES: Final = ("asked_lb_n_ac", "expect_lb_n_ac", "expect_low_lb_n_ac", "expect_high_lb_n_ac")
_SHARES: Final = ("within_10", "within_10_low", "within_10_high")
_AREAS: Final = ("area_ac", "covered_ac")
_SAME: Final = 1e-3


def rehearsal_file(given: str) -> Path:
    """The file that a folder or file given with ``--rehearsed`` means.

    Parameters
    ----------
    given : str
        As typed.
    """
    path = Path(given)
    return path / REHEARSAL if path.is_dir() else path


def _zones(path: Path) -> list[dict[str, Any]]:
    try:
        zones = json.loads(path.read_text(encoding="utf-8"))["zones"]
        for zone in zones:
            int(zone["zone"])
            for name in (*_RATES, *_SHARES, *_AREAS):
                if zone[name] is not None:
                    float(zone[name])
    except (OSError, ValueError, KeyError, TypeError) as problem:
        raise UsageError(
            "what geoflow rehearse wrote cannot be read there",
            where=f"--rehearsed {path}",
            cure="give the folder that was its --out, or the rehearsal.json in it",
        ) from problem
    return list(zones)


def read_rehearsed(given: str, target: Prescription | None, asked: FloatArray) -> ExpectedZones:
    """Read what was expected of each zone of a map.

    Parameters
    ----------
    given : str
        Folder or file of the rehearsal.
    target : Prescription or None
        The map the log is compared with.
    asked : ndarray, shape (zones,)
        Its nitrogen rates [kg/m2].

    Raises
    ------
    UsageError
        If it cannot be read, there is no map, or it is of another map.
    """
    if target is None:
        raise UsageError(
            "--rehearsed compares zone by zone, and without a target map there are no zones",
            where="geoflow reconcile",
            cure="give the map that was rehearsed as --target",
        )
    path = rehearsal_file(given)
    known = {int(zone["zone"]): zone for zone in _zones(path)}

    def column(name: str) -> FloatArray:
        values = (known.get(row, {}).get(name) for row in target.row.tolist())
        return np.array([math.nan if value is None else float(value) for value in values])

    rates = {name: np.asarray(to_si(column(name), "nitrogen rate", "lb/acre")) for name in _RATES}
    same = np.abs(rates["asked_lb_n_ac"] - asked) <= _SAME * np.maximum(asked, 1e-6)
    if set(known) != set(target.row.tolist()) or not same.all():
        raise UsageError(
            "the rehearsal is of another map: its zones or their rates are not those of the target map",
            where=f"--rehearsed {path}",
            cure="give the map that was rehearsed as --target, or rehearse this one",
        )
    mean, low, high = (rates[name] for name in _RATES[1:])
    within, worst, best = map(column, _SHARES)
    area, covered = map(column, _AREAS)
    with np.errstate(divide="ignore", invalid="ignore"):
        missed = np.where(asked > 0.0, np.clip(1.0 - covered / area, 0.0, 1.0), 0.0)
    return ExpectedZones(mean, low, high, within, worst, best, missed)

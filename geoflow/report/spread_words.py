"""Tables of how rates spread over the ground, and how far off their targets."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from geoflow.base.units import System, number, to_si, unit_label
from geoflow.reconciliation.agreement import BANDS, Spread, spread
from geoflow.report.findings import percent
from geoflow.report.model import PRINTED, Table

if TYPE_CHECKING:
    from geoflow.outcomes import ReconcileOutcome

__all__ = ["band_table", "rate_spread", "rate_table"]


def band_table(outcome: ReconcileOutcome) -> Table | None:
    """Share of the ground compared by how far off it is, under and over; None where nothing is compared.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    """
    laid = outcome.found.laid
    found = spread(laid.applied, laid.target, laid.area, unit=1e-4)
    if found is None:
        return None
    edges = [f"{100 * edge:g}" for edge in BANDS]
    names = (
        f"within {edges[0]} %",
        *(f"{low} to {high} % off" for low, high in pairwise(edges)),
        f"more than {edges[-1]} % off",
    )
    sides = zip(names, found.under.tolist(), found.over.tolist(), strict=True)
    rows = tuple((name, percent(under), percent(over), percent(under + over)) for name, under, over in sides)
    heads = ("off its target", "under", "over", "together")
    return Table("Ground by how far off it is", heads, rows, "<>>>", (3.0, 1.4, 1.4, 1.4))


def rate_spread(outcome: ReconcileOutcome, system: System) -> tuple[Spread, float] | None:
    """Ground by rate asked and given in bins of the reader's unit, and that unit [kg/m2]; None where none is compared.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    laid = outcome.found.laid
    unit = to_si(1.0, "nitrogen rate", "lb/acre" if system == "us" else "kg/hectare")
    found = spread(laid.applied, laid.target, laid.area, unit=unit)
    return None if found is None else (found, unit)


def rate_table(outcome: ReconcileOutcome, system: System) -> Table | None:
    """Ground by rate asked and by rate given, bins with neither left out; None where nothing is compared.

    Parameters
    ----------
    outcome : ReconcileOutcome
        From `reconcile_file`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    binned = rate_spread(outcome, system)
    if binned is None:
        return None
    (found, unit), label = binned, unit_label("nitrogen rate", system)
    bins = zip(found.edges[:-1] / unit, found.edges[1:] / unit, found.asked, found.given, strict=True)
    rows = tuple(
        (f"{low:.4g} to {high:.4g}", number(asked, "area", system, 2), number(given, "area", system, 2))
        for low, high, asked, given in bins
        if asked > 0.0 or given > 0.0
    )
    area = unit_label("area", system)
    heads = (f"rate [{label}]", f"asked on [{area}]", f"got by [{area}]")
    return Table("Ground by rate asked and given", heads, rows, "<>>", (3.0, 1.8, 1.8), on=PRINTED)

"""Maps of a plan: at which speed each zone is driven, and which rate it asks for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from geoflow.base.counted import count
from geoflow.base.units import System
from geoflow.report.canvas import Heading, Picture
from geoflow.report.map_classes import rate_classes, speed_classes
from geoflow.report.maps import Panel, field_map
from geoflow.report.model import Figure
from geoflow.report.symbology import Symbol

if TYPE_CHECKING:
    from geoflow.outcomes import PlanOutcome

__all__ = ["plan_figures", "rate_map", "speed_map"]

_MOST_LABELS: Final = 80


def _draw(
    plan: PlanOutcome, classes: tuple[list[str], dict[str, Symbol]], system: System, heading: Heading | None
) -> Picture:
    prescription, (kind, symbols) = plan.vetted.prescription, classes
    shown = {name: symbol for name, symbol in symbols.items() if name in kind}
    names = prescription.zone_id
    label = names if len(names) <= _MOST_LABELS or heading is None else None
    return field_map(prescription.zones, [Panel("", kind)], shown, label=label, system=system, heading=heading)


def speed_map(plan: PlanOutcome, system: System, heading: Heading | None = None) -> Picture:
    """Draw at which speed each zone is driven; one that does not hold there is shown as doubtful or failing.

    Parameters
    ----------
    plan : PlanOutcome
        From `plan_field`.
    system : str
        ``"us"`` or ``"metric"``.
    heading : Heading, optional
        Makes a poster of it.

    Returns
    -------
    bytes, tuple of float
        The PNG, and its size on paper [in].
    """
    return _draw(plan, speed_classes(plan.vetted.vetting.verdict, plan.speeds, system), system, heading)


def rate_map(plan: PlanOutcome, system: System, heading: Heading | None = None) -> Picture:
    """Draw which rate each zone asks for.

    Parameters
    ----------
    plan, system, heading
        As for `speed_map`.

    Returns
    -------
    bytes, tuple of float
        The PNG, and its size on paper [in].
    """
    return _draw(plan, rate_classes(plan.vetted.rate, system), system, heading)


def plan_figures(plan: PlanOutcome, system: System) -> tuple[Figure, Figure]:
    """Give both maps as figures of a report.

    Parameters
    ----------
    plan : PlanOutcome
        From `plan_field`.
    system : str
        ``"us"`` or ``"metric"``.
    """

    def told(kind: list[str]) -> str:
        return "; ".join(f"{name}: {count(kind.count(name), 'zone')}" for name in dict.fromkeys(sorted(kind)))

    speeds, rates = (
        speed_classes(plan.vetted.vetting.verdict, plan.speeds, system),
        rate_classes(plan.vetted.rate, system),
    )
    return (
        Figure(
            "speeds",
            *_draw(plan, speeds, system, None),
            f"Map of the field with the speed each zone is driven at. {told(speeds[0])}.",
            "The speed each zone is driven at; zones that do not certainly hold there are marked as that.",
        ),
        Figure(
            "rates",
            *_draw(plan, rates, system, None),
            f"Map of the field with the rate each zone asks for. {told(rates[0])}.",
            "The nitrogen rate each zone asks for.",
        ),
    )

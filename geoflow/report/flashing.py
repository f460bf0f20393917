"""What bounds the flashing in each orifice, in words: measured, carried over from refrigerants, assumed, or nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from geoflow.bar.equipment import Bar, Orifice
from geoflow.bar.key_kinds import THIN_PLATE_FLASHING
from geoflow.base.arrays import FloatArray, IntArray, TextArray
from geoflow.base.counted import count, verb
from geoflow.base.units import System
from geoflow.decide.assumptions import Moved, moved_verdicts, without_assumptions
from geoflow.hydraulics.long_bores import is_bounded_as_long, is_long, is_tested
from geoflow.physics.short_tubes import FLOW_BAND
from geoflow.report.json_numbers import keyed
from geoflow.report.layout import within
from geoflow.report.model import Block, Paragraph

if TYPE_CHECKING:
    from geoflow.decide.vet import Solution

__all__ = ["assumption_blocks", "assumption_document", "flashing_row", "flashing_short", "long_bore_lines"]

_NOT_MEASURED = "not measured on ammonia"


def flashing_short(bar: Bar, orifice: Orifice) -> str:
    """Say in a few words what bounds the flashing.

    Parameters
    ----------
    bar : Bar
        With its row hose.
    orifice : Orifice
        One of its orifices.
    """
    if orifice.learned is not None:
        return f"learned from {count(len(orifice.learned.logs), 'log')}, {orifice.learned.date}"
    if orifice.flash_weight is not None:
        return f"flashing weight {orifice.flash_weight:g}"
    if orifice.flashing is not None:
        return f"{orifice.flashing} assumed"
    return "long bore" if is_bounded_as_long(bar, orifice) else "flashing open"


def flashing_row(bar: Bar, orifice: Orifice) -> tuple[str, str]:
    """What the flashing is taken as, and how far it may be off.

    Parameters
    ----------
    bar : Bar
        With its row hose.
    orifice : Orifice
        One of its orifices.
    """
    if orifice.learned is not None:
        way, ways = orifice.learned.likely, [one.flash_weight for one in orifice.learned.cases]
        found = f"learned: coefficient {way.coefficient:.3f}, weight {way.flash_weight:.2f}"
        return (
            found,
            f"weight {min(ways):.2f} to {max(ways):.2f}, with the coefficient that goes with it; 95 % coverage",
        )
    if orifice.flash_weight is not None:
        return f"weight {orifice.flash_weight:g}, given", "taken as exact"
    if orifice.flashing is not None:
        assumed = f"your assumption '{orifice.flashing}', {_NOT_MEASURED}"
        return f"between none and {THIN_PLATE_FLASHING:g}", assumed
    if not is_bounded_as_long(bar, orifice):
        return "between none and full", "both ends are counted; no published test settles it for small holes"
    if not is_tested(orifice):
        return "the wider of none to full and of a long bore", f"no tests in bores like it; {_NOT_MEASURED}"
    band = f"± {100 * FLOW_BAND:g} % of flow at 2 to 14 K below boiling, wider outside"
    return "long bore, as tests of refrigerants have it", f"{band}; {_NOT_MEASURED}"


def long_bore_lines(bar: Bar, fitted: list[Orifice]) -> list[str]:
    """Say which bounds rest on refrigerants or on an assumption.

    Parameters
    ----------
    bar : Bar
        With its row hose.
    fitted : list of Orifice
        In use.
    """
    long = [one.name for one in fitted if is_bounded_as_long(bar, one) and is_tested(one)]
    odd = [one.name for one in fitted if is_bounded_as_long(bar, one) and not is_tested(one)]
    refuted = [one.name for one in fitted if is_long(one) and not is_bounded_as_long(bar, one) and is_tested(one)]
    assumed = [one.name for one in fitted if one.flashing is not None and one.learned is None]
    learned = [one.name for one in fitted if one.learned is not None]
    told = (
        (
            learned,
            "{}: learned from logs of this bar with 95 % coverage, which counts more than coefficient, land and "
            "measured points in its file",
        ),
        (
            long,
            f"bounds of {{}} come from refrigerants in bores like it, ± {100 * FLOW_BAND:g} % of flow; {_NOT_MEASURED}",
        ),
        (
            odd,
            f"{{}}: a long bore, unlike those tested, so all bounds are the wider ones, and it may pass "
            f"{100 * FLOW_BAND:g} % less than the fit to such bores whatever its stated coefficient: that can close a "
            f"window that seems open without the land; {_NOT_MEASURED}",
        ),
        (refuted, "{}: its measured points contradict what refrigerants tell of such bores, and count more"),
        (assumed, f"flashing of {{}} up to {THIN_PLATE_FLASHING:g} is your assumption, thin plate; {_NOT_MEASURED}"),
    )
    return [text.format(" and ".join(names)) for names, text in told if names]


def _moved_text(moved: tuple[Moved, ...]) -> str:
    """Say which zones would have another verdict."""
    said = []
    for one in moved:
        zones = int(one.zones.sum())
        now = {
            "holds": verb(zones, "holds", "hold"),
            "fails": verb(zones, "fails", "fail"),
            "doubtful": f"{verb(zones, 'is', 'are')} doubtful",
        }
        then = {"holds": "hold", "fails": "fail", "doubtful": "be doubtful"}
        said.append(f"{count(zones, 'zone')} that {now[one.verdict]} would {then[one.otherwise]}")
    return f"{'; '.join(said)}." if said else "No zone would have another verdict."


def assumption_blocks(
    solution: Solution,
    system: System,
    flows: tuple[FloatArray, FloatArray, TextArray] | None = None,
    *,
    with_speed: bool = True,
) -> list[Block]:
    """Say what the verdicts rest on where rows, bores or an assumption decide, and what would change without the last.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    system : str
        ``"us"`` or ``"metric"``.
    flows : tuple of ndarray, optional
        Flow at the slowest and fastest speed [kg/s] and verdict of each zone.
    with_speed : bool
        Whether the plan has a speed.
    """
    bar, plan = solution.bar, solution.plan
    names = dict.fromkeys(bar.sections[index].orifice for index in plan.sections)
    lines = long_bore_lines(bar, [bar.orifices[name] for name in names])
    blocks: list[Block] = []
    if plan.rows == "worst":
        blocks.append(
            Paragraph("Certain is asked of the worst row: the lowest and the highest one can be brought to it.")
        )
    if lines:
        blocks.append(Paragraph("What the verdicts rest on: " + "; ".join(lines) + "."))
    bare = without_assumptions(solution)
    if bare is None:
        return blocks
    said = []
    for certain in (True, False):
        if with_speed:
            ends = bare.rate_bounds(bare.certain if certain else bare.possible)
            said.append(within(*ends, "nitrogen rate", system))
        else:
            bounds = bare.window.over_plan(certain=certain, commanded=False)
            said.append(within(bounds.low, bounds.high, "ammonia flow", system))
    text = f"Without the assumption the certain window would be: {said[0]}; the possible one: {said[1]}."
    if flows is not None:
        text += f" {_moved_text(moved_verdicts(bare, *flows))}"
    return [*blocks, Paragraph(text)]


def _windows(solution: Solution, *, with_speed: bool) -> dict[str, Any]:
    """Flow, and with a speed the rates, of the certain and the possible window; None where one is empty."""
    bounds = {"certain": solution.certain, "possible": solution.possible}
    true = {name: solution.window.over_plan(certain=name == "certain", commanded=False) for name in bounds}
    found = {"flow_lb_nh3_min": {name: None if one.empty else (one.low, one.high) for name, one in true.items()}}
    if with_speed:
        rates = {name: solution.rate_bounds(one) for name, one in bounds.items()}
        found["rate_lb_n_ac"] = {name: (low, high) if low <= high else None for name, (low, high) in rates.items()}
    return found


def assumption_document(
    solution: Solution,
    flows: tuple[FloatArray, FloatArray, TextArray] | None = None,
    zone: IntArray | None = None,
    *,
    with_speed: bool = True,
) -> dict[str, Any] | None:
    """Give what would change without the assumptions for JSON; None where there are none.

    Parameters
    ----------
    solution : Solution
        The solved bar.
    flows : tuple of ndarray, optional
        Flow at the slowest and fastest speed [kg/s] and verdict of each zone.
    zone : ndarray of int, shape (zones,), optional
        What the zones are called; goes with `flows`.
    with_speed : bool
        Whether the plan has a speed.
    """
    bare = without_assumptions(solution)
    if bare is None:
        return None
    found: dict[str, Any] = keyed(**_windows(bare, with_speed=with_speed))
    used = dict.fromkeys(solution.bar.sections[index].orifice for index in solution.plan.sections)
    found["assumed"] = {name: kind for name in used if (kind := solution.bar.orifices[name].flashing)}
    if flows is not None and zone is not None:
        found["zones"] = [
            {"verdict": one.verdict, "would": one.otherwise, "zones": zone[one.zones].tolist()}
            for one in moved_verdicts(bare, *flows)
        ]
    return found

"""Orifices for rates in words, numbers and a chart."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

import numpy as np

from geoflow.base.arrays import BoolArray
from geoflow.base.counted import count, verb
from geoflow.base.said import said, said_range
from geoflow.base.units import System, number, show, show_range, unit_label
from geoflow.decide.sizing import HELPFUL_LAND, SizeChoice, SizeOption
from geoflow.physics.ammonia import saturation
from geoflow.report.cautions import SHORT_CAUTION, caution_section
from geoflow.report.layout import span
from geoflow.report.liquid_words import said_liquid
from geoflow.report.model import Block, BulletList, Figure, Paragraph, Report, Section, Table
from geoflow.report.reading import left_out_warning, reading_section
from geoflow.report.window import limit_list, plan_warnings

if TYPE_CHECKING:
    from geoflow.decide.sized import Sized, Taken
    from geoflow.decide.vet import Solution
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["plan_sizes_text", "sized_report"]

_MOST_RATES: Final = 12
# Decimals that tell half thousandths of an inch; a zero at their end is left out.
_PLACES: Final[dict[System, int]] = {"us": 4, "metric": 3}
# Less of a map than this is nothing [m2]: a twentieth of an acre.
_NOTHING: Final = 202.0
# What each thing that was taken is called, and its kind of unit.
_TAKEN: Final[dict[str, tuple[str, str]]] = {
    "pump flow": ("liquid the pump displaces at full drive", "volume flow"),
    "pump pressure": ("most pressure the pump can add", "pressure"),
    "loss": ("lost between pump and orifices (meter, valve, feeds) at the greatest flow asked", "pressure"),
    "back pressure": ("gauge pressure just below the orifices", "pressure"),
    "rated pressure": ("rated pressure at the pump outlet", "pressure"),
    "liquid margin": ("wanted pressure above the vapour pressure, before the orifices", "pressure"),
    "coefficient": ("discharge coefficient", ""),
    "elevation": ("height of the site", "length"),
}
_NOT_COUNTED: Final = (
    "Feeds of unequal length and unequal sections: they make rows uneven. A bar file and geoflow vet tell how much.",
    "The suction line, which may starve the pump with cold liquid, and the least flow of the pump.",
    "How uneven the rows get once the liquid boils before the orifices: nobody can say it, so no figure stands for it.",
    "How the orifices turn out on the bar. Catch one row's flow before the season and write it into the bar file as a "
    "measured point: it settles most of what is only possible here.",
)


def _size(diameter: float, system: System) -> str:
    """Say one size, a given one with no fewer digits than it was given with."""
    given, label = said(diameter, "small length", system), unit_label("small length", system)
    found = number(diameter, "small length", system, _PLACES[system]).removesuffix("0")
    return max(given, f"{found} {label}", key=len)


def _sizes(low: float, high: float, system: System) -> str:
    """Say a span of sizes, rounded inward: each that is named lies in it."""
    ends = span(low, high, "small length", system, _PLACES[system]).split(" to ")
    return f"{' to '.join(end.removesuffix('0') for end in ends)} {unit_label('small length', system)}"


def _amount(found_weight: float, choice: SizeChoice, system: System, *, acres: bool) -> str:
    """Say how much of all that is asked."""
    whole = choice.asked.whole
    if acres:
        return f"{number(found_weight, 'area', system)} of {show(whole, 'area', system)}"
    return f"{round(found_weight)} of {count(round(whole), 'rate')}"


def _rates(found: Sized, some: BoolArray, system: System) -> str:
    """Name rates; a range of them where there are many."""
    rates = [number(rate, "nitrogen rate", system, _digits(found, system)) for rate in found.rate[some].tolist()]
    label = unit_label("nitrogen rate", system)
    if len(rates) > _MOST_RATES:
        return f"{len(rates)} rates from {rates[0]} to {rates[-1]} {label}"
    return f"{', '.join(rates)} {label}"


def _digits(found: Sized, system: System) -> int | None:
    """Decimals that keep the rates apart."""
    for digits in (0, 1, 2):
        if len({number(rate, "nitrogen rate", system, digits) for rate in found.rate.tolist()}) == found.rate.size:
            return digits
    return None


def _bounds(option: SizeOption, found: Sized, system: System, *, certain: bool) -> str:
    """Rates that a size holds over the plan."""
    bar, (slow, fast) = found.bars.worse, found.plan.speed
    width = bar.row_spacing * sum(bar.sections[index].rows for index in found.plan.sections)
    bounds = option.certain if certain else option.possible
    share = bar.nitrogen_fraction / width
    return span(bounds.low * share / slow, bounds.high * share / fast, "nitrogen rate", system)


def _answer(found: Sized, system: System) -> str:
    choice, acres = found.choice, found.area is not None
    best = choice.best
    if best is None:
        given = "of the sizes given " if found.names else ""
        return f"No orifice {given}holds any of these rates over the plan, not even at the better end of all unknown."
    name = found.names.get(best.diameter, "")
    size = _size(best.diameter, system) + (f" ({name})" if name else "")
    several = choice.best_span is not None and choice.best_span[0] < choice.best_span[1]
    if choice.best_span is not None:
        size = _sizes(*choice.best_span, system)
    hold = verb(2 if several else 1, "holds", "hold")
    if best.held <= 0.0:
        much = _amount(best.maybe, choice, system, acres=acres)
        return f"No orifice certainly holds any of these rates over the plan. {size} may hold {much}: doubtful."
    if best.holds.all():
        return f"{size} certainly {hold} every rate asked."
    much = _amount(best.held, choice, system, acres=acres)
    return f"{size} certainly {hold} {much}, the most of any size{' given' if found.names else ''}."


def _further(found: Sized, system: System) -> Iterable[Block]:
    """What else would hold more: two sizes, a long bore."""
    choice, acres = found.choice, found.area is not None
    if choice.days is not None:
        days = choice.days
        cut = show(days.split, "temperature", system)
        cold, warm = (_amount(one.held, choice, system, acres=acres) for one in (days.cold, days.warm))
        yield Paragraph(
            f"Two sizes hold more: {_size(days.cold.diameter, system)} while the liquid is {cut} or colder certainly "
            f"holds {cold}, and {_size(days.warm.diameter, system)} while it is {cut} or warmer {warm}. Changing them "
            "opens lines: do it empty, bled and purged."
        )
    if choice.with_land is not None:
        land = choice.with_land
        yield Paragraph(
            f"A longer bore would help: {_size(land.diameter, system)} with a straight, sharp-edged bore of "
            f"{said(HELPFUL_LAND, 'small length', system)} certainly holds "
            f"{_amount(land.held, choice, system, acres=acres)}. From five diameters on tests of refrigerants bound "
            "the flow, carried over and not measured on ammonia."
        )
    if choice.days is None and choice.two_looked_at:
        yield Paragraph("Two sizes, one for cold and one for warm liquid, would certainly hold no more.")
    if choice.with_land is None and choice.land_looked_at:
        yield Paragraph(f"A bore {said(HELPFUL_LAND, 'small length', system)} long would certainly hold no more.")


def _stretch(low: float, high: float, solution: Solution, system: System) -> str:
    """Liquid temperatures at which a rate holds; an end beyond those searched is none."""
    text, (coldest, warmest) = span(low, high, "temperature", system), solution.search.temperature[[0, -1]]
    if low <= coldest + 0.01 and text != "none":
        return f"up to {number(high, 'temperature', system, None, 'down')}"
    if high >= warmest - 0.01 and text != "none":
        return f"from {number(low, 'temperature', system, None, 'up')}"
    return text


def _rate_table(found: Sized, system: System) -> Table:
    """Which diameters hold each rate, and what becomes of it with the best one."""
    choice, vetting, digits = found.choice, found.vetting, _digits(found, system)
    places = np.unique(np.linspace(0, found.rate.size - 1, min(found.rate.size, _MOST_RATES)).astype(int)).tolist()
    rows = []
    for at in places:
        sizes = [
            ", ".join(_sizes(low, high, system).rpartition(" ")[0] for low, high in runs[at].tolist()) or "none"
            for runs in (choice.certain, choice.possible)
        ]
        row = [number(float(found.rate[at]), "nitrogen rate", system, digits)]
        row += [] if found.area is None else [number(float(found.area[at]), "area", system)]
        row += sizes
        if vetting is not None:
            drive = span(float(vetting.speed_low[at]), float(vetting.speed_high[at]), "speed", system)
            ends_here = float(vetting.temperature_low[at]), float(vetting.temperature_high[at])
            liquid = _stretch(*ends_here, found.solution, system)
            row += [str(vetting.verdict[at]), drive, liquid]
        rows.append(tuple(row))
    small, area = unit_label("small length", system), unit_label("area", system)
    heads = [unit_label("nitrogen rate", system), *([] if found.area is None else [area])]
    heads += [f"certain {small}", f"possible {small}"]
    caption = "Diameters that hold each rate over the whole plan"
    if choice.best is not None:
        speed, liquid = unit_label("speed", system), unit_label("temperature", system)
        heads += ["verdict", f"at {speed}", f"liquid {liquid}"]
        caption += (
            f"; and with {_size(choice.best.diameter, system)} its verdict, the speeds at which it certainly holds at "
            "the planned temperatures, and the temperatures at the planned speeds"
        )
    left = found.rate.size - len(places)
    caption += f" ({left} rates between these are left out here)" if left else ""
    numbers = 1 if found.area is None else 2
    return Table(caption, tuple(heads), tuple(rows), ">" * numbers + "<" * (len(heads) - numbers))


def _size_table(found: Sized, system: System) -> list[Block]:
    """Sizes to choose from, best first, or the best alone."""
    choice = found.choice
    options = choice.listed or tuple(one for one in (choice.best,) if one is not None)
    if not options:
        return []
    acres = found.area is not None
    rows = tuple(
        (
            _size(one.diameter, system),
            found.names.get(one.diameter, ""),
            _amount(one.held, choice, system, acres=acres),
            _amount(one.maybe, choice, system, acres=acres),
            _bounds(one, found, system, certain=True),
            _bounds(one, found, system, certain=False),
        )
        for one in options[:_MOST_RATES]
    )
    rate = unit_label("nitrogen rate", system)
    heads = ("size", "drill", "certainly holds", "may hold", f"certain {rate}", f"possible {rate}")
    table = Table("Sizes, best first; rates over the whole plan", heads, rows, "<<<<<<")
    table = table if any(row[1] for row in rows) else table.columns((0, 2, 3, 4, 5))
    left = len(found.names) - len(rows)
    blocks: list[Block] = [table]
    if found.names and left:
        blocks.append(Paragraph(f"{count(left, 'more size')} given {verb(left, 'holds', 'hold')} no more than these."))
    return blocks


def _taken_text(one: Taken, system: System) -> tuple[str, str, str]:
    what, kind = _TAKEN[one.name]
    if kind:
        value = show_range(one.low, one.high, kind, system)
    else:
        value = f"{one.low:g}" if one.low == one.high else f"{one.low:g} to {one.high:g}"
    return what, value, "given" if one.given else "not given: usual, common practice, no source"


def _basis(found: Sized, system: System) -> Section:
    """What was taken of the bar, and what was not looked at."""
    blocks: list[Block] = []
    bar = found.bars.worse
    if found.taken:
        rows = [_taken_text(one, system) for one in found.taken]
        orifice = bar.orifices["sized"]
        land = "anything: flashing from none to full" if orifice.land is None else _size(orifice.land, system)
        given = "not given" if orifice.land is None else "given"
        rows.append(("length of the bore (land)", land, given))
        if orifice.flashing is not None:
            rows.append(("flashing", orifice.flashing, "your assumption; not measured on ammonia"))
        rows.append(("nitrogen in the ammonia", f"{100 * bar.nitrogen_fraction:g} % by weight", "as in a bar file"))
        rows.append(("efficiency of the pump", f"{100 * bar.pump.efficiency:g} %", "as in a bar file; not varied"))
        caption = "Certain counts the worse end of each, possible the better"
        blocks.append(Table(caption, ("what", "taken as", ""), tuple(rows), "<<<"))
        cold, warm = (float(saturation(end).liquid_density) for end in found.plan.temperature)
        asked = found.choice.asked
        flows = show_range(float(asked.low.min()) / cold, float(asked.high.max()) / warm, "volume flow", system)
        blocks.append(Paragraph(f"No meter limits any of this: yours has to count {flows}."))
        blocks.append(BulletList(_NOT_COUNTED))
    else:
        blocks.append(
            Paragraph(
                f"All but the orifices is as the bar file of {bar.name} has it. Points measured on its own orifices "
                "say nothing of other sizes and are left out; coefficient, its tolerance and the length of the bore "
                "are those of the orifice fitted now."
            )
        )
        blocks.append(BulletList(_NOT_COUNTED[2:]))
    return Section("basis", "What this rests on", tuple(blocks))


def _chart(found: Sized, system: System) -> Figure:
    # What draws takes half a second to load.
    from geoflow.report.size_figure import size_figure

    caption = "Rates that orifices hold over the whole plan, by their diameter."
    return Figure("sizes", *size_figure(found, system), caption, caption)


def sized_report(found: Sized, prescription: Prescription | None, system: System, *, drawn: bool = True) -> Report:
    """Say which orifices hold the rates.

    Parameters
    ----------
    found : Sized
        Orifices for some rates.
    prescription : Prescription or None
        The map whose rates they are, where there is one.
    system : str
        ``"us"`` or ``"metric"``.
    drawn : bool
        Whether the chart is wanted, which only a file can show.
    """
    bar = found.bars.worse
    rows = sum(bar.sections[index].rows for index in found.plan.sections)
    chart = (_chart(found, system),) if drawn else ()
    first: list[Block] = [*_further(found, system)]
    first += plan_warnings(found.solution)
    first += [] if prescription is None else left_out_warning(prescription)
    ends: list[Block] = [] if found.choice.best is None else [limit_list(found.solution)]
    sections = [
        Section("answer", "What to do", tuple(first)),
        Section("rates", "Rates", (_rate_table(found, system), *chart)),
        Section("sizes", "Sizes", (*_size_table(found, system), *ends)),
        _basis(found, system),
        *([] if prescription is None else [reading_section(prescription, system)]),
        caution_section(),
    ]
    plan = found.plan
    subtitle = (
        f"{rows} rows, {show(rows * bar.row_spacing, 'length', system)} · liquid "
        f"{said_liquid(plan, system)} · {said_range(*plan.speed, 'speed', system)} · "
        f"{_rates(found, np.ones(found.rate.shape, dtype=np.bool_), system)}"
    )
    name = f" of {bar.name}" if not found.taken else ""
    title = f"Orifices for {count(rows, 'row')}{name}"
    return Report(title, subtitle, _answer(found, system), tuple(sections), SHORT_CAUTION, "")


def plan_sizes_text(choice: SizeChoice, owned: int, held: float, system: System) -> str:
    """Say what another size would hold where those of the bar file hold little.

    Parameters
    ----------
    choice : SizeChoice
        Weighed by area.
    owned : int
        Orifices of the bar file.
    held : float
        Area the best of these holds [m2].
    system : str
        ``"us"`` or ``"metric"``.
    """
    none = {1: "Your one orifice", 2: "Neither of your two"}.get(owned, f"None of your {owned}")
    best = choice.best
    little = f"holds more than {number(held, 'area', system)} of {show(choice.asked.whole, 'area', system)}"
    lead = f"{none} {little}" if owned > 1 else f"{none} {little.replace('more', 'no more')}"
    if best is None:
        return f"{lead}, and no other size would hold any."
    sizes = _sizes(*(choice.best_span or (best.diameter, best.diameter)), system)
    amount = _amount(best.held, choice, system, acres=True)
    if best.held > held + _NOTHING:
        return f"{lead}; {sizes}, in all sections, would certainly hold {amount}."
    maybe = _amount(best.maybe, choice, system, acres=True)
    return f"{lead}, and no other size certainly holds more; {sizes}, in all sections, may hold {maybe}."

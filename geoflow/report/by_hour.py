"""What of a map holds through a told day: in words, as a table, and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.counted import count
from geoflow.base.said import said_range
from geoflow.base.units import HOUR, System, number, show, unit_label
from geoflow.decide.weather import GAUGE_OFF, LAYERED, THERMOMETER_OFF, clock_text
from geoflow.physics.tank_heat import AIR_OFF, EXCHANGE, SKY, SUN
from geoflow.report.by_hour_figure import hours_picture
from geoflow.report.json_numbers import keyed
from geoflow.report.layout import hours, zone_names
from geoflow.report.model import Block, BulletList, Figure, Paragraph, Section, Table

if TYPE_CHECKING:
    from geoflow.decide.day_by_hour import DayByHour, Stretch
    from geoflow.outcomes import PlanOutcome

__all__ = ["hours_answer", "hours_blocks", "hours_document", "hours_section"]

# Less than this much ground is no gain [m2]: a twentieth of an acre, which prints as nothing.
_NOTHING: Final = 202.0
_MOST_NAMES: Final = 12


def _from_to(run: Stretch) -> str:
    return f"{clock_text(run.start)} to {clock_text(run.end)}"


def _whole_day(day: DayByHour) -> bool:
    """Whether the whole map holds at every moment."""
    return bool(day.whole) and float(day.held.min()) >= day.asked * (1.0 - 1e-9)


def hours_answer(day: DayByHour, system: System) -> str:
    """Name the hours to work in.

    Parameters
    ----------
    day : DayByHour
        What holds when.
    system : str
        ``"us"`` or ``"metric"``.
    """
    name, asked = day.weather.name, show(day.asked, "area", system)
    if _whole_day(day):
        return f"At every hour of {name} the whole map certainly holds, {_span(day)}."
    if day.whole:
        first, *others = day.whole
        begins, ends = first.start <= day.hours[0, 0], first.end >= day.hours[1, -1]
        begin, end = clock_text(first.start), clock_text(first.end)
        when = (
            f"Stop by {end}: from {begin} until then"
            if begins
            else f"Start after {begin}: from then to {end}"
            if ends
            else f"Start after {begin} and stop by {end}: in between"
        )
        said = f"{when} the whole map ({asked}) certainly holds ({name})."
        if others:
            said += f" So it does from {' and from '.join(map(_from_to, others))}."
        return said
    if not day.best:
        return f"At no hour of {name} does any part of the map certainly hold."
    best = day.best[0]
    return (
        f"At no hour of {name} does the whole map certainly hold. Most does from {_from_to(best)}: "
        f"{number(best.area, 'area', system)} of {asked}."
    )


def _span(day: DayByHour) -> str:
    return f"{clock_text(float(day.hours[0, 0]))} to {clock_text(float(day.hours[1, -1]))}"


def _time_text(day: DayByHour) -> str:
    """Say whether there is time enough."""
    needed = hours(day.needed)
    if not day.starts:
        return f"The field takes {needed}, longer than the hours of {day.weather.name}."
    if not day.whole or day.holds_throughout:
        return ""
    longest = day.whole[0].end - day.whole[0].start
    return f"That is {hours(longest)}, and the field takes {needed}."


def _start_text(day: DayByHour, system: System) -> str:
    """Which start and which order of tanks hold most, where the whole map does not fit."""
    best = day.best_start
    if best is None or day.holds_throughout or best.most <= _NOTHING:
        return ""
    driven = max(day.starts, key=lambda one: (round(one.as_driven, 3), -one.start))
    area = f"{number(driven.as_driven, 'area', system)} of {show(day.asked, 'area', system)}"
    said = f"Begun at {clock_text(driven.start)}, {area} certainly hold for as long as their tank lasts"
    if best.most > driven.as_driven + _NOTHING:
        order = ", ".join(str(load + 1) for load in best.order)
        begin = "" if best.start == driven.start else f", begun at {clock_text(best.start)},"
        said += (
            f"; with the ground of the tanks in the order {order}{begin} it is {show(best.most, 'area', system)}, "
            "the most of all orders"
        )
    return f"{said}."


def _failing(plan: PlanOutcome, day: DayByHour) -> str:
    """Name what certainly fails, and when."""
    names = plan.vetted.prescription.zone_id
    hours = [at for at, zones in enumerate(day.failing) if len(zones)]
    if not hours:
        return ""
    zones = np.unique(np.concatenate([day.failing[at] for at in hours])).tolist()
    runs = [
        f"{clock_text(float(day.hours[0, run[0]]))} to {clock_text(float(day.hours[1, run[-1]]))}"
        for run in np.split(np.array(hours), np.flatnonzero(np.diff(hours) > 1) + 1)
    ]
    some = zone_names([names[zone] for zone in zones], _MOST_NAMES)
    return f"Whatever the liquid does, some zones certainly fail from {' and from '.join(runs)}: {some}."


def _uncertain(plan: PlanOutcome, day: DayByHour, system: System) -> list[str]:
    """What is not known of the liquid, and what would tell."""
    weather, said = day.weather, []
    width = day.temperature[1] - day.temperature[0]
    at = int(width.argmax())
    coldest, warmest = day.temperature[:, at].tolist()
    between = f"{number(coldest, 'temperature', system, None, 'down')} to {_warm(warmest, system)}"
    said.append(
        f"Least is known of the liquid from {clock_text(float(day.hours[0, at]))} to "
        f"{clock_text(float(day.hours[1, at]))}: {between}, from a tank that takes no heat from outside to one in "
        "wind and sun, full or nearly empty."
        if weather.has_air
        else f"{weather.name} tells no air, so a tank that is drawn is taken to exchange no heat; the liquid is that "
        "of a full tank."
    )
    if weather.has_air and not np.isfinite(weather.readings).any():
        said.append("A reading of the tank's gauge at some hour (column 'gauge (psi)') would narrow it.")
    if np.isfinite(weather.readings).any():
        said.append("A reading speaks for the tank it was taken on: read each.")
    if weather.has_air and not weather.has_sun:
        said.append("The sun is not told and may be anything from none to a summer's.")
    planned = plan.vetted.solution.plan.temperature
    if day.temperature[0].min() < planned[0] - 0.1 or day.temperature[1].max() > planned[1] + 0.1:
        said.append(
            f"The first line counts liquid of {said_range(*planned, 'temperature', system)} only, as it is in a full "
            f"tank at {clock_text(float(day.hours[0, 0]))}."
        )
    return said


def _warm(kelvin: float, system: System) -> str:
    return f"{number(kelvin, 'temperature', system, None, 'up')} {unit_label('temperature', system)}"


def hours_blocks(plan: PlanOutcome, system: System) -> list[Block]:
    """Say which hours hold the map, and what is uncertain about it; nothing without a told day.

    Parameters
    ----------
    plan : PlanOutcome
        From `plan_field`.
    system : str
        ``"us"`` or ``"metric"``.
    """
    day = plan.hours
    if day is None:
        return []
    said = (hours_answer(day, system), _time_text(day), _start_text(day, system), _failing(plan, day))
    found: list[Block] = [
        Paragraph(" ".join(filter(None, said)), "plain" if day.holds_throughout else "warning"),
    ]
    found.append(Paragraph(" ".join(_uncertain(plan, day, system))))
    if day.liquid.against.any():
        when = ", ".join(clock_text(float(one)) for one in day.liquid.time[day.liquid.against])
        found.append(
            Paragraph(
                f"The reading at {when} lies outside of what air and sun can make of liquid of "
                f"{said_range(*plan.vetted.solution.plan.temperature, 'temperature', system)} at "
                f"{clock_text(float(day.hours[0, 0]))}. It is believed; check gauge, hour and --temperature.",
                "warning",
            )
        )
    return found


def _table(day: DayByHour, system: System) -> Table:
    label = unit_label("area", system)
    heads = (
        "hour",
        f"liquid {unit_label('temperature', system)}",
        f"holds {label}",
        f"doubtful {label}",
        f"fails {label}",
    )
    rows = tuple(
        (
            f"{clock_text(float(begin))} to {clock_text(float(end))}",
            " to ".join(
                dict.fromkeys(
                    (
                        number(float(day.temperature[0, at]), "temperature", system, None, "down"),
                        number(float(day.temperature[1, at]), "temperature", system, None, "up"),
                    )
                )
            ),
            *(number(float(part[at]), "area", system) for part in (day.held, day.doubtful, day.failed)),
        )
        for at, (begin, end) in enumerate(day.hours.T)
    )
    return Table("What certainly holds all through each hour, from a full tank to the end of one", heads, rows, "<>>>>")


def _rests(day: DayByHour, system: System) -> BulletList:
    """What the liquid's bounds rest on, and what was read."""
    weather = day.weather
    air = show(AIR_OFF, "temperature difference", system)
    texts = [
        f"Read from {weather.name}: {count(len(weather.time), 'hour')}, {_span(day)}"
        + "".join(f"; {note}" for note in weather.notes)
    ]
    if weather.has_air:
        texts.append(
            f"Heat through a tank's shell: none, or up to {EXCHANGE:g} W/m² K; sun on it: up to {100 * SUN:g} % of "
            f"what level ground gets; lost to a clear sky: up to {SKY:g} W/m²; air within {air} of the file's. "
            "docs/day.md says where each is from."
        )
    texts.append(
        f"Readings: gauge ± {show(GAUGE_OFF, 'pressure', system)} and liquid up to "
        f"{show(LAYERED, 'temperature difference', system)} colder than its warm top, thermometer ± "
        f"{show(THERMOMETER_OFF, 'temperature difference', system)} (common practice, no source)."
    )
    return BulletList(tuple(texts))


def hours_section(plan: PlanOutcome, system: System, *, printed: bool) -> list[Section]:
    """Give the day by the hour; nothing without a told day.

    Parameters
    ----------
    plan : PlanOutcome
        From `plan_field`.
    system : str
        ``"us"`` or ``"metric"``.
    printed : bool
        With its picture.
    """
    day = plan.hours
    if day is None:
        return []
    blocks: list[Block] = []
    if printed:
        alt = "; ".join(
            f"{clock_text(float(begin))}: {show(float(held), 'area', system)} hold"
            for (begin, _), held in zip(day.hours.T, day.held, strict=True)
        )
        words = "Above: the liquid in the tank, from the coldest to the warmest it can be. Below: what holds each hour."
        blocks.append(Figure("day", *hours_picture(day, system), f"What holds by the hour. {alt}.", words))
    return [Section("day", "The day by the hour", (*blocks, _table(day, system), _rests(day, system)))]


def _runs_document(runs: tuple[Stretch, ...]) -> list[dict[str, Any]]:
    return [{"from": clock_text(run.start), "to": clock_text(run.end), **keyed(holds_ac=run.area)} for run in runs]


def hours_document(plan: PlanOutcome) -> dict[str, Any] | None:
    """Give the day by the hour as JSON; None without a told day.

    Parameters
    ----------
    plan : PlanOutcome
        From `plan_field`.
    """
    day = plan.hours
    if day is None:
        return None
    rows, best = plan.vetted.prescription.row, day.best_start
    return {
        "file": day.weather.name,
        "notes": list(day.weather.notes),
        "hours": [
            {
                "from": clock_text(float(day.hours[0, at])),
                "to": clock_text(float(day.hours[1, at])),
                **keyed(
                    liquid_degF=day.temperature[:, at],
                    holds_ac=float(day.held[at]),
                    doubtful_ac=float(day.doubtful[at]),
                    fails_ac=float(day.failed[at]),
                    zones_fail=rows[day.failing[at]],
                ),
            }
            for at in range(day.held.size)
        ],
        "whole_map": _runs_document(day.whole),
        "most": _runs_document(day.best),
        "field_takes_h": round(day.needed / HOUR, 4),
        "holds_throughout": day.holds_throughout,
        "starts": [
            {
                "at": clock_text(one.start),
                **keyed(as_driven_holds_ac=one.as_driven, best_order_holds_ac=one.most),
                "best_order": [load + 1 for load in one.order],
            }
            for one in day.starts
        ],
        "best_start": None if best is None else clock_text(best.start),
        "readings_against": [clock_text(float(one)) for one in day.liquid.time[day.liquid.against]],
    }

"""What a report rests on: the files with their fingerprints, what was asked, and everything that was assumed."""

from __future__ import annotations

import datetime
import re
from typing import TYPE_CHECKING, Final

from geoflow.bar.equipment import Bar, Orifice
from geoflow.bar.ranges import known_ends
from geoflow.base.counted import count, verb
from geoflow.base.said import said, said_range
from geoflow.base.units import System, parse, show, show_range
from geoflow.decide.vet import Solution
from geoflow.report.bar_oddities import unusual_lines
from geoflow.report.bar_words import assumed_lines
from geoflow.report.flashing import flashing_row
from geoflow.report.liquid_words import said_liquid
from geoflow.report.model import BulletList, Paragraph, Section, Table, plain
from geoflow.report.reading import reading_list

if TYPE_CHECKING:
    from geoflow.outcomes import Origin
    from geoflow.prescription_files.read_prescription import Prescription

__all__ = ["basis_section", "origin_blocks", "stamp", "version_and_date"]

# Units of the bar file's defaults.
_KIND_OF: Final = {
    "mm": "small length", "ft": "length", "gpm": "volume flow", "psi": "pressure",
    "degF": "temperature difference",
}  # fmt: skip
_NOT_COUNTED: Final = (
    "Errors of gauges and thermometer on the day, of the meter, of fitting coefficients and of the pump's efficiency: "
    "put what you doubt into the liquid margin and into the planned ranges.",
    "Heat from sun and air in hoses, differences of height along the bar, wear since the last measurement, water in "
    "the ammonia.",
    "Differences between the rows of a section beyond the `row_spread` you give: in the window orifices of one kind "
    "are off all in the same direction.",
    "How unevenly a manifold gives that boils: only that it does.",
    "A pump that runs against a relief or bypass at low rates warms the liquid more than computed.",
)


def stamp(origin: Origin) -> str:
    """Version and date in one line.

    Parameters
    ----------
    origin : Origin
        What the report rests on.
    """
    return version_and_date(origin.version, origin.date)


def version_and_date(version: str, date: datetime.date) -> str:
    """Version and date in one line, of what rests on nothing that has to be listed.

    Parameters
    ----------
    version : str
        Of geoflow.
    date : date
        It bears.
    """
    return f"geoflow {version}, {date.isoformat()}"


def _points(orifice: Orifice, system: System) -> str:
    points = orifice.measured
    flow = max(point.flow_tolerance for point in points)
    gauge = max(point.pressure_tolerance for point in points)
    warmth = max(point.temperature_tolerance for point in points)
    return (
        f"{count(len(points), 'measured point')} (± {100 * flow:g} % flow, ± {show(gauge, 'pressure', system)}, "
        f"± {show(warmth, 'temperature difference', system)}) {verb(len(points), 'leaves', 'leave')} a narrow band of "
        "coefficient and flashing"
    )


def _orifice_rows(bar: Bar, sections: tuple[int, ...], system: System) -> list[tuple[str, str, str]]:
    rows = []
    for name in dict.fromkeys(bar.sections[index].orifice for index in sections):
        orifice = bar.orifices[name]
        known = f"± {100 * orifice.coefficient_tolerance:g} %"
        rows.append((f"coefficient of orifice '{name}'", f"{orifice.discharge_coefficient:g}", known))
        rows.append((f"flashing in orifice '{name}'", *flashing_row(bar, orifice)))
        if orifice.row_spread:
            rows.append((f"rows with orifice '{name}'", "all alike", f"single rows ± {100 * orifice.row_spread:g} %"))
        if orifice.measured:
            rows.append(
                (f"measured on orifice '{name}'", count(len(orifice.measured), "point"), _points(orifice, system))
            )
    return rows


def _unknowns(solution: Solution, system: System) -> Table:
    bar, plan = solution.bar, solution.plan
    hose, air = bar.row_hose, bar.air_pressure
    rows: list[tuple[str, str, str]] = [
        (
            "liquid in the tank",
            said_liquid(plan, system),
            "a zone holds only if it does over this whole range",
        ),
        ("ground speed", said_range(*plan.speed, "speed", system), "likewise, the ends of the range together"),
        *_orifice_rows(bar, plan.sections, system),
    ]
    if hose.back_pressure:
        low, high = hose.back_pressure
        gauge = show_range(low - air, high - air, "pressure", system)
        rows.append(("pressure below the orifices", gauge, "both ends are counted"))
    elif hose.line:
        rows.append(("pressure below the orifices", "two-phase estimate", f"± {100 * hose.tolerance:g} %, both ends"))
    else:
        rows.append(("pressure below the orifices", "open air", "no row hose in the bar file"))
    if bar.suction and bar.suction.line:
        boiling = "certain window: it boils in equilibrium; possible window: not before an inlet pulled to vacuum"
        rows.append(("boiling in the suction", "limits where it starves the pump", boiling))
    efficiency = " to ".join(dict.fromkeys(f"{100 * end:g}" for end in known_ends(bar.pump, "efficiency")))
    varied = "both ends are counted" if " to " in efficiency else "not varied"
    if bar.is_open or bar.row_hose.is_open or bar.air_spread:
        ends = "certain window: the worse end of each at once; possible window: the better"
        rows.append(("what the bar file gives as ranges", "as 'geoflow bar --check' says it back", ends))
    rows += [
        (
            "warming by the pump",
            f"efficiency {efficiency} %",
            f"{varied}; no heat from outside; control valve wide open",
        ),
        (
            "properties of ammonia",
            "saturated, pure",
            "0.1 to 0.2 %; water lowers the vapour pressure by about its share",
        ),
        ("nitrogen in the ammonia", f"{100 * bar.nitrogen_fraction:g} % by weight", "taken as exact"),
        ("air pressure at the site", f"{show(air, 'pressure', system)} absolute", "U.S. Standard Atmosphere, 1976"),
        (
            "wanted liquid margin",
            show(bar.limits.liquid_margin, "pressure", system),
            "your figure, on top of the above",
        ),
    ]
    reference = bar.meter.reference_temperature
    if reference is None:
        rows.append(("density in the meter", "the liquid's own", "0.1 %"))
    else:
        held = show(reference, "temperature", system)
        rows.append(("density in the meter", f"fixed, as at {held}", "the verdicts allow for the difference"))
    heads = ("what", "taken as", "how far it may be off")
    return Table("What is not known, and how it is counted", heads, tuple(rows), "<<<", (2.6, 2.6, 4.6))


def origin_blocks(origin: Origin, bar: Bar | None, system: System) -> list[Table | BulletList | Paragraph]:
    """Version, date, files with their fingerprints, what was asked, and what the bar file leaves out.

    Parameters
    ----------
    origin : Origin
        What the report rests on.
    bar : Bar or None
        As read, where one was given.
    system : str
        ``"us"`` or ``"metric"``.
    """
    inputs = tuple((one.role, plain(one.name), f"{one.size:,}", one.sha256) for one in origin.inputs)
    asked = tuple((name, plain(value)) for name, value in origin.asked)
    blocks: list[Table | BulletList | Paragraph] = [
        Paragraph(f"Made with geoflow {origin.version} on {origin.date.isoformat()}."),
        Table("Files read", ("file", "name", "bytes", "SHA-256"), inputs, "<<><", (1.5, 2.9, 1.1, 4.5)),
        Table("Asked", ("option", "as given"), asked, "<<", (2.5, 7.5)),
    ]
    if bar is not None and bar.left_out:
        caption = "Left out in the bar file, and what counts in its place"
        kept = tuple((plain(name), _in_system(value, system)) for name, value in bar.left_out)
        blocks.append(Table(caption, ("key", "taken as"), kept, "<<", (6.0, 2.5)))
    return blocks


def _in_system(text: str, system: System) -> str:
    """A default of the bar file in the units a person reads."""
    quantity = re.fullmatch(r"([\d.]+) (mm|ft|gpm|psi|degF)\b(.*)", text)
    if quantity is None:
        return text
    kind = _KIND_OF[quantity[2]]
    return said(parse(f"{quantity[1]} {quantity[2]}", kind), kind, system) + quantity[3]


def basis_section(prescription: Prescription, solution: Solution, origin: Origin, system: System) -> Section:
    """Inputs, options, assumptions and their uncertainty.

    Parameters
    ----------
    prescription : Prescription
        As read.
    solution : Solution
        The solved bar.
    origin : Origin
        What the report rests on.
    system : str
        ``"us"`` or ``"metric"``.
    """
    bar = solution.bar
    blocks: list[Table | BulletList | Paragraph] = [
        *origin_blocks(origin, bar, system),
        Paragraph("What was read", "head"),
        reading_list(prescription, system),
        Paragraph("Assumptions", "head"),
        _unknowns(solution, system),
    ]
    for title, lines in (
        ("What that means", assumed_lines(bar, system)),
        ("Worth a second look in the bar file", unusual_lines(bar, system)),
        ("Not counted", _NOT_COUNTED),
    ):
        if lines:
            blocks += [Paragraph(title, "head"), BulletList(tuple(plain(line) for line in lines))]
    return Section("basis", "What this rests on", tuple(blocks))

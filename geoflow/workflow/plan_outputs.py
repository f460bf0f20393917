"""Writing a plan: maps of speeds and rates, a told day, the zones with their speeds, and the JSON."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import numpy as np

from geoflow.base.progress import tell
from geoflow.base.said import said_range
from geoflow.base.units import System, from_si
from geoflow.files.output import OutputFolder
from geoflow.layers.write_vector import write_zones
from geoflow.outcomes import PlanOutcome
from geoflow.report.by_hour import hours_answer
from geoflow.report.by_hour_figure import hours_picture
from geoflow.report.canvas import Heading, Picture
from geoflow.report.cautions import SHORT_CAUTION
from geoflow.report.json_numbers import document_text
from geoflow.report.layer_styles import VERDICT_STYLE
from geoflow.report.plan_maps import rate_map, speed_map
from geoflow.report.planning import plan_answer
from geoflow.workflow.vet_outputs import zone_columns

__all__ = ["plan_columns", "plan_map", "write_plan"]

_MAPS: Final = {
    "speeds.png": ("Speeds to drive", speed_map),
    "rates.png": ("Nitrogen rates of the map", rate_map),
}


def plan_columns(plan: PlanOutcome) -> dict[str, np.ndarray[Any, Any]]:
    """Verdicts, speeds, and the tanks that end in each zone, for every row of the file as read.

    Parameters
    ----------
    plan : PlanOutcome
        From `plan_field`.
    """
    prescription, loads = plan.vetted.prescription, plan.day.loads
    columns = dict(zone_columns(plan.vetted))
    for name, speed in zip(("gf_plan_low_mph", "gf_plan_high_mph"), plan.speeds, strict=True):
        columns[name] = np.full(prescription.rows_read, np.nan)
        columns[name][prescription.row] = np.round(from_si(speed, "speed", "mile/hour"), 4)
    ends = np.full(prescription.rows_read, None, dtype=object)
    for tank, zone in enumerate([] if loads is None else loads.zone.tolist()):
        row = prescription.row[zone]
        ends[row] = str(tank + 1) if ends[row] is None else f"{ends[row]}, {tank + 1}"
    columns["gf_tank_end"] = ends
    return columns


def plan_map(plan: PlanOutcome, name: str, system: System) -> Picture:
    """Draw a poster of a plan.

    Parameters
    ----------
    plan : PlanOutcome
        From `plan_field`.
    name : str
        ``"speeds.png"`` or ``"rates.png"``.
    system : str
        ``"us"`` or ``"metric"``.
    """
    prescription, solution, (title, draw) = plan.vetted.prescription, plan.vetted.solution, _MAPS[name]
    warmth = said_range(*solution.plan.temperature, "temperature", system)
    said = f"{prescription.path.name} with {solution.bar.name}, liquid {warmth}. {plan_answer(plan, system)}"
    return draw(plan, system, Heading(title, said, SHORT_CAUTION))


def write_plan(
    plan: PlanOutcome,
    folder: Path,
    document: dict[str, Any],
    system: System,
    *,
    replace: bool,
    protect: tuple[Path, ...],
) -> tuple[list[str], list[str]]:
    """Write both maps, a told day, the zones and the JSON into a folder, all of them or none.

    Parameters
    ----------
    plan : PlanOutcome
        From `plan_field`.
    folder : Path
        Where to.
    document : dict
        The JSON.
    system : str
        ``"us"`` or ``"metric"``.
    replace : bool
        Whether files that are there may be replaced.
    protect : tuple of Path
        Files never to be written over.

    Returns
    -------
    names, notes : list of str
        Files written, and one sentence for each thing a format could not hold.

    Raises
    ------
    OutputError
        If something is there already and `replace` is not set, or the folder cannot be written.
    """
    tell(f"writing {folder}")
    names, notes = ["zones.gpkg", "speeds.png", "rates.png", "plan.json"], list[str]()
    names += [] if plan.hours is None else ["day.png"]
    prescription = plan.vetted.prescription
    with OutputFolder(folder, replace=replace, protect=(*protect, prescription.path)) as out:
        out.claim(names)
        write_zones(
            out.stage(names[0]),
            prescription.table,
            plan_columns(plan),
            driver="GPKG",
            note=notes.append,
            style=VERDICT_STYLE,
        )
        for name in _MAPS:
            out.stage(name).write_bytes(plan_map(plan, name, system)[0])
        if plan.hours is not None:
            bar = plan.vetted.solution.bar.name
            answer = f"{prescription.path.name} with {bar}. {hours_answer(plan.hours, system)}"
            by_hour = Heading("The day by the hour", answer, SHORT_CAUTION)
            out.stage("day.png").write_bytes(hours_picture(plan.hours, system, by_hour)[0])
        out.stage(names[3]).write_text(document_text(document), encoding="utf-8")
        if plan.vetted.inputs is not None:
            plan.vetted.inputs.refuse_changes()
    return names, notes

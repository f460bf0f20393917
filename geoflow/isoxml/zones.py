"""Reading a prescription out of task data: zones with outlines, or a grid of cells, and what their rates count."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray
from geoflow.base.counted import count, verb
from geoflow.base.errors import PrescriptionError
from geoflow.base.schema import fold
from geoflow.base.spelling import nearest
from geoflow.base.subject import typed
from geoflow.isoxml.data_dictionary import ENTRIES
from geoflow.isoxml.grid import Grid, read_grid
from geoflow.isoxml.products import TaskRate, product_name
from geoflow.isoxml.shapes import Outlines
from geoflow.isoxml.task_files import TaskData, choose_task, open_taskdata
from geoflow.isoxml.xml import Node
from geoflow.layers.notes import Note

if TYPE_CHECKING:
    import geopandas

__all__ = ["TaskZones", "read_taskdata_zones"]

_AGAIN: Final = "export the task data again"
_LIKELY: Final = 2000  # a map of mass that stays below, 20 kg/ha, was likely stored on the wrong scale [mg/m2]
_SHOWN: Final = {"kgha": 0.01, "gm2": 0.001, "mgm2": 1.0}  # scale at which mg/m2 shows as this unit


@dataclass(frozen=True, eq=False)
class TaskZones:
    """A prescription as task data gives it.

    Attributes
    ----------
    where : str
        The file.
    version : tuple of int
        Major and minor.
    task : str
        Id of the task; empty where the file does not say.
    form : str
        ``"outlines"``, ``"grid of zones"`` (type 1), ``"grid of rates"`` (type 2) or ``"whole field"``.
    table : geopandas.GeoDataFrame
        One row per zone, in EPSG:4326 as longitude and latitude: ``zone`` (code), ``name``, one column per rate, and
        what else the zones carry as ``ddi_XXXX``, as stored.
    rates : tuple of TaskRate
        What can be the rate.
    boundary : Polygon, MultiPolygon or None
        Of the field, in longitude and latitude.
    notes : tuple of Note
        What a person should know.
    data : TaskData
        All of the file.
    node : Node
        The task.
    ground : Grid
        Which elements of the task, or cells of its grid, the rows of the table are.
    """

    where: str
    version: tuple[int, int]
    task: str
    form: str
    table: geopandas.GeoDataFrame
    rates: tuple[TaskRate, ...]
    boundary: Any
    notes: tuple[Note, ...]
    data: TaskData
    node: Node
    ground: Grid

    def choose_rate(self, requested: str | None) -> TaskRate:
        """Return the rate asked for by column or dictionary number, or the only one.

        Parameters
        ----------
        requested : str or None
            What ``--rate-column`` says.

        Raises
        ------
        PrescriptionError
            If it is none of the file's, or several could be meant.
        """
        lines = "".join(
            f"\n    {typed('rate-column')} {rate.column}   {rate.low:g} to {rate.high:g} {rate.shown_unit}"
            + (f" of '{rate.product}'" if rate.product else "")
            for rate in self.rates
        )
        if requested is None:
            if len(self.rates) == 1:
                return self.rates[0]
            raise PrescriptionError(
                f"the zones carry {len(self.rates)} rates", where=self.where, cure=f"say which one:{lines}"
            )
        for rate in self.rates:
            if requested == rate.column:
                return rate
        close = [rate for rate in self.rates if fold(requested) in {fold(rate.column), fold(rate.ddi)}]
        if len(close) == 1:
            return close[0]
        raise PrescriptionError(
            f"there is no one rate '{requested}'{nearest(requested, [rate.column for rate in self.rates])}",
            where=self.where,
            cure=f"use one of{lines}",
        )


@dataclass(frozen=True)
class _Variable:
    """A process data variable: what it counts, for which product and element."""

    ddi: str
    product: str
    element: str


def read_taskdata_zones(path: Path, *, layer: str | None = None) -> TaskZones:
    """Read the prescription of one task.

    Parameters
    ----------
    path : Path
        TASKDATA folder, the folder around it, its TASKDATA.XML, or a zip.
    layer : str or None
        Name or id of the task, where several hold a prescription.

    Raises
    ------
    PrescriptionError
        If there is none, it is damaged, or there is no certain reading.
    """
    data = open_taskdata(path)
    notes = list(data.notes)
    fields = data.by_id("PFD")
    tasks = [task for task in data.root.all("TSK") if _prescribes(task, fields)]
    if not tasks:
        raise _no_prescription(data)
    task = choose_task(tasks, layer, "a prescription", data.where)
    field = fields.get(task.text("E"))
    boundary = None if field is None else _boundary(data, field, notes)
    zones = task.all("TZN")
    codes = _codes(zones, notes)
    special = {key: int(task.number(key)) for key in ("H", "I", "J") if task.text(key)}
    ground = _ground(data, task, codes, special, boundary, notes)
    table, rates = _table(data, task, codes, ground, notes)
    if not rates:
        raise _no_rate(data, zones)
    notes += _place_notes(table, boundary, ground.form)
    notes += _rest_notes(zones, codes, special, ground.form)
    return TaskZones(
        data.where, data.version, task.text("A"), ground.form, table, rates, boundary, tuple(notes), data, task, ground
    )


def _boundary(data: TaskData, field: Node, notes: list[Note]) -> Any:
    edges = Outlines(implicit=data.version[0] == 3)
    boundary = edges.build([polygon for polygon in field.all("PLN") if polygon.text("A") == "1"])
    notes += [Note("shape", f"boundary of the field: {note.text}", note.count) for note in edges.notes()]
    return boundary


def _ground(
    data: TaskData, task: Node, codes: list[int], special: dict[str, int], boundary: Any, notes: list[Note]
) -> Grid:
    """Find which ground each zone of the task stands for."""
    zones, grids = task.all("TZN"), task.all("GRD")
    drawn = any(zone.all("PLN") for zone in zones)
    if grids:
        if len(grids) > 1:
            notes.append(Note("file", f"the task holds {len(grids)} grids where one may stand; the first is read"))
        if drawn:
            notes.append(Note("file", "the zones have outlines beside the grid; the grid counts"))
        return read_grid(data, grids[0], codes, special.get("J"), boundary, _rated_zero(zones, codes), notes)
    if drawn:
        outlines = Outlines(implicit=data.version[0] == 3)
        owner, shapes = _outlined(zones, codes, special, outlines, notes)
        notes += outlines.notes()
        return Grid("outlines", owner, shapes, None)
    notes.append(Note("file", "one rate for the whole field: its boundary is taken as the only zone"))
    return Grid("whole field", [codes.index(task.count("H"))], [boundary], None)


def _prescribes(task: Node, fields: dict[str, Node]) -> bool:
    """Whether a task holds zones with ground, or one rate for a field whose boundary is known."""
    zones = task.all("TZN")
    if task.all("GRD") or any(zone.all("PLN") for zone in zones):
        return True
    field = fields.get(task.text("E"))
    default = [zone for zone in zones if task.text("H") and zone.text("A") == task.text("H")]
    bounded = field is not None and any(polygon.text("A") == "1" for polygon in field.all("PLN"))
    return bool(bounded and default and default[0].all("PDV"))


def _no_prescription(data: TaskData) -> PrescriptionError:
    tasks = data.root.all("TSK")
    logs = sum(bool(task.all("TLG")) for task in tasks)
    held = f"{count(len(tasks), 'task')}, {logs} with time logs" if tasks else "no task at all"
    cure = "to compare a log with a prescription give it to 'geoflow reconcile'; or " if logs else ""
    return PrescriptionError(
        f"the task data holds no prescription, only {held}",
        where=data.where,
        cure=f"{cure}export the prescription as task data with zones or a grid",
    )


def _no_rate(data: TaskData, zones: list[Node]) -> PrescriptionError:
    known = ", ".join(f"{ddi} ({entry.unit})" for ddi, entry in ENTRIES.items() if entry.word == "target")
    found = sorted({pdv.text("A").upper() for zone in zones for pdv in _variables_of(zone)})
    return PrescriptionError(
        "the zones carry no rate of nitrogen or ammonia"
        + (f", only dictionary {verb(len(found), 'number', 'numbers')} {', '.join(found[:8])}" if found else ""),
        where=data.where,
        cure=f"export the rates with one of the dictionary numbers {known}",
    )


def _codes(zones: list[Node], notes: list[Note]) -> list[int]:
    codes = [zone.count("A") for zone in zones]
    wide = sum(code > 254 for code in codes)
    if wide:
        notes.append(Note("file", f"{count(wide, 'zone')} with a code above 254, the greatest allowed", wide))
    twice = len(codes) - len(set(codes))
    if twice:
        text = f"{count(twice, 'zone')} with the code of another; each is read as its own zone"
        notes.append(Note("file", text, twice))
    return codes


def _variables_of(zone: Node) -> list[Node]:
    return [node for node in zone.walk() if node.tag == "PDV"]


def _value(pdv: Node, odd: list[Node]) -> float:
    """Value of a PDV, as stored; those that are no whole number of 32 bits are noted."""
    value = pdv.number("B")
    if value != int(value) or not -(2**31) <= value < 2**31:
        odd.append(pdv)
    return value


def _rated_zero(zones: list[Node], codes: list[int]) -> set[int]:
    """Codes of zones that ask for nothing."""
    return {
        code
        for zone, code in zip(zones, codes, strict=True)
        if all(pdv.number("B") == 0.0 for pdv in _variables_of(zone) if _ddi(pdv) in ENTRIES)
    }


def _ddi(pdv: Node) -> str:
    text = pdv.text("A").upper()
    if not re.fullmatch(r"[0-9A-F]{1,4}", text):
        raise PrescriptionError(f"A='{text[:20]}' is no dictionary number", where=pdv.where, cure=_AGAIN)
    return text.zfill(4)


def _outlined(
    zones: list[Node], codes: list[int], special: dict[str, int], outlines: Outlines, notes: list[Note]
) -> tuple[list[int], list[Any]]:
    """Zones with outlines; those without one that a task only falls back on are no ground."""
    owner, shapes = [], []
    kinds = 0
    for at, zone in enumerate(zones):
        polygons = zone.all("PLN")
        kinds += sum(polygon.text("A") != "2" for polygon in polygons)
        if not polygons and codes[at] in special.values():
            continue
        owner.append(at)
        shapes.append(outlines.build(polygons))
    if kinds:
        text = f"{count(kinds, 'outline')} of zones not marked as treatment zones; read as such"
        notes.append(Note("shape", text, kinds))
    return owner, shapes


def _table(
    data: TaskData, task: Node, codes: list[int], ground: Grid, notes: list[Note]
) -> tuple[geopandas.GeoDataFrame, tuple[TaskRate, ...]]:
    """Build the table of zones and say which of its columns can be the rate."""
    import geopandas

    zones = [task.all("TZN")[at] for at in ground.owner]
    found = _stored_values(zones, ground.stored, notes)
    columns: dict[str, Any] = {
        "zone": [codes[at] for at in ground.owner],
        "name": [zone.text("B") for zone in zones],
    }
    rates = []
    shown = data.by_id("VPN")
    for variable, (values, node) in found.items():
        name, entry = _column_name(variable, list(found)), ENTRIES.get(variable.ddi)
        if entry is None or entry.word != "target":
            columns[f"ddi_{name}"] = values
            continue
        name = f"rate_{name}_" + re.sub(r"[ /]", "_", entry.unit.casefold())
        columns[name] = values / entry.steps
        finite = columns[name][np.isfinite(columns[name])]
        product = product_name(data, task, variable.product)
        low, high = (float(finite.min()), float(finite.max())) if finite.size else (np.nan, np.nan)
        key = (variable.ddi, variable.product, variable.element)
        rates.append(TaskRate(name, entry.unit, variable.ddi, product, low, high, key))
        notes += _rate_notes(entry.unit, variable.ddi, values, shown.get(node.text("E")))
    return geopandas.GeoDataFrame(columns, geometry=ground.shapes, crs=4326), tuple(rates)


def _column_name(variable: _Variable, every: list[_Variable]) -> str:
    """Dictionary number, and product and element where several of them have it."""
    alike = [other for other in every if other.ddi == variable.ddi]
    product = variable.product if len({other.product for other in alike}) > 1 else ""
    element = variable.element if len({other.element for other in alike}) > 1 else ""
    return "_".join(part for part in (variable.ddi, product, element) if part)


def _stored_values(
    zones: list[Node], stored: IntArray | None, notes: list[Note]
) -> dict[_Variable, tuple[FloatArray, Node]]:
    """Values of every variable by row, as stored, and the first PDV that names it; `stored` as in `Grid`."""
    found: dict[_Variable, tuple[FloatArray, Node]] = {}
    odd: list[Node] = []
    for row, zone in enumerate(zones if stored is None else zones[:1]):
        for at, pdv in enumerate(_variables_of(zone)):
            variable = _Variable(_ddi(pdv), pdv.text("C"), pdv.text("D"))
            column, _ = found.setdefault(variable, (np.full(len(zones), np.nan), pdv))
            if np.isfinite(column[row]):
                raise PrescriptionError(
                    f"the zone states {variable.ddi} twice for the same product and element",
                    where=pdv.where,
                    cure=_AGAIN,
                )
            if stored is None:
                column[row] = _value(pdv, odd)
            else:
                column[:] = stored[:, at]
    if odd:
        values = count(len(odd), "value")
        text = f"{values} of PDV not a whole number of 32 bits, first in {odd[0].where}; read as written"
        notes.append(Note("numbers", text, len(odd)))
    return found


def _rate_notes(unit: str, ddi: str, values: FloatArray, shown: Node | None) -> list[Note]:
    notes = []
    by_mass = unit.startswith("kg")
    greatest = float(np.nanmax(values)) if np.isfinite(values).any() else 0.0
    if by_mass and 0.0 < greatest < _LIKELY:
        text = (f"the greatest rate stored under {ddi} is {greatest * 0.01:g} {unit}; so little is likely "
                "a wrong scale in whatever wrote the file")  # fmt: skip
        notes.append(Note("unit", text))
    if by_mass and shown is not None:
        scale = _SHOWN.get(fold(shown.text("E")).replace("²", "2"))
        if scale is not None and abs(shown.number("C") / scale - 1.0) > 0.01:
            text = (f"the file shows {ddi} as {shown.text('E')} on the scale {shown.text('C')} where the dictionary "
                    f"says {scale:g}; the rates are read by the dictionary")  # fmt: skip
            notes.append(Note("unit", text))
    return notes


def _place_notes(table: geopandas.GeoDataFrame, boundary: Any, form: str) -> list[Note]:
    import shapely

    if boundary is None or form == "whole field":
        return []
    ground = shapely.make_valid(boundary)
    shapes = table.geometry.to_numpy()
    if shapely.intersects(ground, shapely.make_valid(shapes)).any():
        return []
    at = [shapely.box(*shapely.total_bounds(each)).centroid for each in (shapes, ground)]
    text = (f"the zones (about {at[0].y:.3f}, {at[0].x:.3f}) and the boundary of the field (about {at[1].y:.3f}, "
            f"{at[1].x:.3f}) do not touch; the boundary is not used")  # fmt: skip
    return [Note("place", text)]


def _rest_notes(zones: list[Node], codes: list[int], special: dict[str, int], form: str) -> list[Note]:
    """Say what the file wants where no zone lies, no position is known, or outside the field."""
    meanings = {"H": "where no zone lies", "I": "where the position is lost", "J": "outside the field"}
    notes = []
    missing = [meanings[key] for key in meanings if key not in special]
    if missing and form != "whole field":
        notes.append(Note("file", f"the file does not say which rate holds {' and '.join(missing)}"))
    for key, code in special.items():
        if code not in codes:
            notes.append(Note("file", f"zone {code}, which holds {meanings[key]}, is missing in the file"))
            continue
        zone = zones[codes.index(code)]
        wanted = [
            f"{pdv.number('B') / ENTRIES[_ddi(pdv)].steps:g} {ENTRIES[_ddi(pdv)].unit}"
            for pdv in _variables_of(zone)
            if _ddi(pdv) in ENTRIES and ENTRIES[_ddi(pdv)].word == "target" and pdv.number("B") != 0.0
        ]
        if wanted and form != "whole field":
            notes.append(Note("file", f"{meanings[key]} the file asks for {' and '.join(wanted)}; this is not vetted"))
    return notes

"""Writing a prescription as task data, version 3 or 4: checked as a whole first, then there whole or not at all."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal
from xml.etree import ElementTree

import numpy as np

from geoflow.base.arrays import FloatArray, IntArray
from geoflow.base.counted import count, verb
from geoflow.base.errors import OutputError
from geoflow.base.rate_units import rate_unit
from geoflow.base.rates import UnitRates
from geoflow.base.version import __version__
from geoflow.isoxml.check import LONGEST_TEXT, MOST_ZONES, Version, validate_taskdata
from geoflow.isoxml.data_dictionary import ENTRIES, NITROGEN, PRODUCT_MASS
from geoflow.isoxml.deliver import Delivery
from geoflow.isoxml.rasterize import lay_cells
from geoflow.layers.notes import Note, rows_text

__all__ = ["Basis", "Form", "Layout", "Naming", "as_stored", "write_taskdata"]

Form = Literal["outlines", "grid of zones", "grid of rates"]
"""Zones with outlines, a grid of zone codes (type 1), or a grid of rates (type 2)."""

Basis = Literal["nitrogen", "ammonia"]
"""What a mass per area counts; the two have dictionary numbers of their own and are never crossed."""

_PER_MASS: Final = 1e6  # kg/m2 to the mg/m2 that both dictionary numbers are stored in
_OUTSIDE: Final = 0  # code of the zone that holds outside the field, between zones, and without a position
_OUTSIDE_NAME: Final = "no rate"
_GRID: Final = "GRD00001"
_DECIMALS: Final = 9  # of a degree, the most version 4 takes: 0.1 mm
_NAMES: Final = {"nitrogen": (NITROGEN, "kg N/ha"), "ammonia": (PRODUCT_MASS, "kg NH3/ha")}
_LARGEST: Final = 2**31 - 1


def as_stored(rates: FloatArray, basis: Basis) -> UnitRates:
    """Rates as task data will hold them, in the unit and the steps of their dictionary number.

    Parameters
    ----------
    rates : ndarray of float, shape (n,)
        Of nitrogen or of ammonia, as `basis` says [kg/m2].
    """
    entry = ENTRIES[_NAMES[basis][0]]
    return UnitRates(np.rint(rates * _PER_MASS) / entry.steps, rate_unit(entry.unit))


@dataclass(frozen=True)
class _Zone:
    """A zone to write: its rate as stored, its name, its ground, and the rows it comes from."""

    stored: int
    name: str
    shape: Any
    rows: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Naming:
    """What task data call things.

    Attributes
    ----------
    field : str
        The field.
    task : str or None
        The task; that of the field otherwise.
    zones : sequence of str or None
        The zones; their rates otherwise.
    product : str
        The product.
    """

    field: str
    task: str | None = None
    zones: Sequence[str] | None = None
    product: str = "Anhydrous ammonia"


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How task data hold zones.

    Attributes
    ----------
    version : int
        3 or 4.
    form : str
        A `Form`. A cell of a grid has the rate of the zone its middle lies in.
    cell : float
        Side of a grid's cells [m].
    """

    version: Version = 4
    form: Form = "outlines"
    cell: float = 10.0


_USUAL: Final = Layout()


def write_taskdata(
    to: Delivery,
    zones: Sequence[Any],
    rates: FloatArray,
    basis: Basis,
    naming: Naming,
    layout: Layout = _USUAL,
) -> tuple[Note, ...]:
    """Write zones and rates as one task.

    Outside the field, between the zones and without a position the file asks for nothing (zone code 0). Rates are
    rounded to 1 mg/m2 (0.01 kg/ha).

    Parameters
    ----------
    to : Delivery
        Where the task data go.
    zones : sequence of Polygon or MultiPolygon, length n
        Longitude and latitude, WGS 84.
    rates : ndarray of float, shape (n,)
        Of nitrogen or of ammonia, as `basis` says [kg/m2].
    basis : str
        ``"nitrogen"`` (dictionary number 01B0) or ``"ammonia"`` (mass of product, 0006).
    naming : Naming
        What field, task, zones and product are called.
    layout : Layout
        Version and form.

    Returns
    -------
    tuple of Note
        What the file could not hold as it was.

    Raises
    ------
    OutputError
        If the prescription cannot be said in this form, or the target may not or cannot be written.
    """
    import shapely

    path, version = to.path, layout.version
    notes: list[Note] = []
    shapes = _checked_shapes(zones, path)
    stored = _checked_rates(rates, len(shapes), path)
    if version not in (3, 4):
        raise OutputError(f"there is no version {version} of task data here", where=str(path), cure="take 3 or 4")
    writing = _Writing(path, basis, layout, notes)
    parts = writing.zones(shapes, stored, naming.zones)
    field = _fitting(naming.field, "field", notes, "the name of the field")
    root = _root(version, basis, _fitting(naming.product, "product", notes, "the name of the product"))
    writing.put_field(root, field, shapely.union_all(shapes))
    TSK = ElementTree.SubElement(
        root, "TSK", A="TSK1", B=_fitting(naming.task or field, "task", notes, "the name of the task"), E="PFD1",
        G="1", H=str(_OUTSIDE), I=str(_OUTSIDE), J=str(_OUTSIDE),
    )  # fmt: skip
    writing.put_zones(TSK, parts)
    files = writing.put_grid(TSK, parts) if layout.form != "outlines" else {}
    ElementTree.indent(root, " ")
    text = ElementTree.tostring(root, encoding="UTF-8", xml_declaration=True)
    wrong = validate_taskdata(text, version, files)
    if wrong:
        raise OutputError(
            f"nothing was written: the task data would break the standard ({wrong[0]})",
            where=str(path),
            cure="write another form or format, and report this",
        )
    to.put({"TASKDATA.XML": text, **files})
    return tuple(notes)


@dataclass(frozen=True)
class _Writing:
    """Elements of one task as they are put together; notes are brought up to date."""

    path: Path
    basis: Basis
    layout: Layout
    notes: list[Note]

    def zones(self, shapes: Any, stored: IntArray, names: Sequence[str] | None) -> list[_Zone]:
        """Zones to write: one for each given, or one for each rate where the codes would not do."""
        unit = _NAMES[self.basis][1]
        shown = [f"{value / 100:.2f} {unit}" for value in stored]
        if len(shapes) < MOST_ZONES or self.layout.form == "grid of rates":
            own = shown if names is None else [
                _fitting(name, "zone", self.notes, f"the name of zone {at + 1}") for at, name in enumerate(names)
            ]  # fmt: skip
            return [_Zone(int(stored[at]), own[at], shape, (at,)) for at, shape in enumerate(shapes)]
        found, first, group = np.unique(stored, return_index=True, return_inverse=True)
        if found.size >= MOST_ZONES:
            raise OutputError(
                f"{found.size} different rates do not fit, task data has codes for {MOST_ZONES - 1} zones",
                where=str(self.path),
                cure="write a grid of rates, or round the rates so that fewer differ",
            )
        text = (f"{len(shapes)} zones are written as {found.size}, one for each rate, since task data has codes for "
                f"{MOST_ZONES - 1}")  # fmt: skip
        self.notes.append(Note("file", text, len(shapes)))
        order = np.argsort(first, kind="stable")
        return [_together(shapes, np.flatnonzero(group == at), int(found[at]), shown[first[at]]) for at in order]

    def put_field(self, root: ElementTree.Element, name: str, ground: Any) -> None:
        """Add the field and its boundary."""
        PFD = ElementTree.SubElement(root, "PFD", A="PFD1", C=name, D=str(_area(ground)))
        _put_outline(PFD, ground, "1", self.layout.version, self.notes)

    def put_zones(self, TSK: ElementTree.Element, parts: list[_Zone]) -> None:
        """Add the zones with their rates, the one that holds elsewhere first."""
        form = self.layout.form
        _put_rate(ElementTree.SubElement(TSK, "TZN", A=str(_OUTSIDE), B=_OUTSIDE_NAME), 0, self.basis)
        if form == "grid of rates":
            _put_rate(ElementTree.SubElement(TSK, "TZN", A="1", B="rates"), 0, self.basis)
            return
        for code, zone in enumerate(parts, 1):
            TZN = ElementTree.SubElement(TSK, "TZN", A=str(code), B=zone.name)
            _put_rate(TZN, zone.stored, self.basis)
            drawn = form != "outlines" or _put_outline(TZN, zone.shape, "2", self.layout.version, self.notes)
            if not drawn:
                raise OutputError(
                    f"the zone of {rows_text(zone.rows)} is thinner than the file can say",
                    where=str(self.path),
                    cure="leave it out",
                )

    def put_grid(self, TSK: ElementTree.Element, parts: list[_Zone]) -> dict[str, bytes]:
        """Add the grid; return its file by its name."""
        form = self.layout.form
        cells = lay_cells([zone.shape for zone in parts], self.layout.cell, where=str(self.path))
        self.notes.extend(_cell_notes(cells.zone, parts, cells.doubled))
        data = _cell_bytes(cells.zone, parts, form)
        GRD = ElementTree.SubElement(
            TSK, "GRD", A=_plain(cells.north), B=_plain(cells.east), C=_plain(cells.north_size, 12),
            D=_plain(cells.east_size, 12), E=str(cells.zone.shape[1]), F=str(cells.zone.shape[0]), G=_GRID,
            H=str(len(data)), I="1" if form == "grid of zones" else "2",
        )  # fmt: skip
        if form == "grid of rates":
            GRD.set("J", "1")
        return {f"{_GRID}.BIN": data}


def _checked_shapes(zones: Sequence[Any], path: Path) -> Any:
    import shapely

    shapes = np.array(list(zones), dtype=object)
    if not shapes.size:
        raise OutputError("there is no zone to write", where=str(path), cure="give zones")
    polygonal = np.isin(shapely.get_type_id(shapes), (3, 6)) & ~shapely.is_empty(shapes)
    for sound, what, cure in (
        (polygonal, "is no polygon", "leave it out"),
        (polygonal & shapely.is_valid(shapes), "crosses itself", "mend it first, as geoflow does when it reads zones"),
    ):
        if not sound.all():
            at = np.flatnonzero(~sound)
            raise OutputError(f"the shape of {rows_text(at)} {what}", where=str(path), cure=cure)
    low_x, low_y, high_x, high_y = shapely.total_bounds(shapes)
    if low_x < -180.0 or high_x > 180.0 or low_y < -90.0 or high_y > 90.0:
        raise OutputError(
            f"the zones reach from {low_x:g}, {low_y:g} to {high_x:g}, {high_y:g}, which are no degrees",
            where=str(path),
            cure="give longitude and latitude",
        )
    return shapely.force_2d(shapes)


def _checked_rates(rates: FloatArray, zones: int, path: Path) -> IntArray:
    values = np.asarray(rates, dtype=np.float64)
    if values.shape != (zones,):
        what = f"{count(values.size, 'rate')} for {count(zones, 'zone')}"
        raise OutputError(what, where=str(path), cure="give one for each")
    bad = np.flatnonzero(~(np.isfinite(values) & (values >= 0.0) & (values * _PER_MASS <= _LARGEST)))
    if bad.size:
        raise OutputError(
            f"the rate of {rows_text(bad)} is no number from 0 to {_LARGEST / 100:,.0f} kg/ha",
            where=str(path),
            cure="leave these zones out, or correct their rates",
        )
    return np.rint(values * _PER_MASS).astype(np.int64)


def _together(shapes: Any, rows: IntArray, stored: int, name: str) -> _Zone:
    import shapely

    return _Zone(stored, name, shapely.MultiPolygon(list(shapely.get_parts(shapes[rows]))), tuple(rows.tolist()))


def _fitting(text: str, otherwise: str, notes: list[Note], what: str) -> str:
    """Cut a name to what the file can hold: no control characters, at most 32."""
    # The XML takes no lone surrogate and neither U+FFFE nor U+FFFF; a line break would come back as a blank.
    plain = "".join(
        " " if unicodedata.category(letter) in {"Cc", "Cs", "Zl", "Zp"} or ord(letter) & 0xFFFE == 0xFFFE else letter
        for letter in text
    )
    short = plain.strip()[:LONGEST_TEXT].strip() or otherwise
    if short != text:
        notes.append(Note("file", f"{what}, {text[:60]!r}, is written as '{short}'"))
    return short


def _area(ground: Any) -> int:
    """Geodesic area [m2]."""
    import pyproj
    import shapely

    geod = pyproj.Geod(ellps="WGS84")
    parts = shapely.get_parts(shapely.orient_polygons(ground))
    return round(sum(abs(geod.geometry_area_perimeter(part)[0]) for part in parts))


def _root(version: Version, basis: Basis, product: str) -> ElementTree.Element:
    root = ElementTree.Element(
        "ISO11783_TaskData", VersionMajor=str(version), VersionMinor="3", ManagementSoftwareManufacturer="geoflow",
        ManagementSoftwareVersion=__version__, DataTransferOrigin="1",
    )  # fmt: skip
    ElementTree.SubElement(root, "PDT", A="PDT1", B=product)
    # How a screen shows the number: mg/m2 times 0.01 is kg/ha. The number stored stays what it is.
    ElementTree.SubElement(root, "VPN", A="VPN1", B="0", C="0.01", D="1", E=_NAMES[basis][1])
    return root


def _put_rate(zone: ElementTree.Element, stored: int, basis: Basis) -> None:
    ElementTree.SubElement(zone, "PDV", A=_NAMES[basis][0], B=str(stored), C="PDT1", E="VPN1")


def _put_outline(home: ElementTree.Element, shape: Any, kind: str, version: Version, notes: list[Note]) -> bool:
    """Add outlines and holes; return whether any was left with an area.

    Version 4 takes one outline in each PLN, version 3 all of them in one.
    """
    import shapely

    lost = 0
    PLN: ElementTree.Element | None = None
    for part in shapely.get_parts(shape):
        outer = _rounded(part.exterior)
        if outer is None:
            lost += 1
            continue
        if PLN is None or version == 4:
            PLN = ElementTree.SubElement(home, "PLN", A=kind)
        for ring, type_ in ((outer, "1"), *((_rounded(hole), "2") for hole in part.interiors)):
            if ring is None:
                lost += 1
                continue
            LSG = ElementTree.SubElement(PLN, "LSG", A=type_)
            for east, north in ring.tolist():
                ElementTree.SubElement(LSG, "PNT", A="2", C=_plain(north), D=_plain(east))
    if lost:
        parts = count(lost, "part or hole", "parts or holes")
        notes.append(Note("shape", f"{parts} thinner than 0.1 mm {verb(lost, 'is', 'are')} left out", lost))
    return PLN is not None


def _rounded(ring: Any) -> FloatArray | None:
    """Points of a ring at the file's precision, without repeats; None where fewer than three are left."""
    import shapely

    points = np.round(shapely.get_coordinates(ring), _DECIMALS)
    points = points[np.r_[True, (points[1:] != points[:-1]).any(axis=1)]]
    return points if len(np.unique(points, axis=0)) >= 3 else None


def _plain(value: float, decimals: int = _DECIMALS) -> str:
    """Write a number without an exponent."""
    text = f"{value:.{decimals}f}".rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text


def _cell_notes(zone: IntArray, parts: list[_Zone], doubled: int) -> list[Note]:
    notes = []
    lost = [row for at, each in enumerate(parts) if not (zone == at).any() for row in each.rows]
    if lost:
        text = f"{rows_text(lost)}: no middle of a cell lies in these zones, so the grid does not hold them"
        notes.append(Note("file", text, len(lost)))
    if doubled:
        lie = verb(doubled, "lies in several zones and has", "lie in several zones and have")
        notes.append(Note("overlap", f"{count(doubled, 'cell')} {lie} the rate of the first", doubled))
    return notes


def _cell_bytes(zone: IntArray, parts: list[_Zone], form: Form) -> bytes:
    if form == "grid of zones":
        return bytes((zone + 1).astype(np.uint8).tobytes())
    stored = np.array([0, *(each.stored for each in parts)], dtype="<i4")
    return bytes(stored[zone + 1].tobytes())

"""Writing a prescription as task data, version 3 or 4: checked as a whole first, then there whole or not at all."""

from __future__ import annotations

import unicodedata
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal
from xml.etree import ElementTree

import numpy as np

import geoflow
from geoflow.base.arrays import FloatArray, IntArray
from geoflow.base.errors import OutputError
from geoflow.base.rate_units import rate_unit
from geoflow.base.rates import UnitRates
from geoflow.files.output import OutputFolder, replace_file
from geoflow.isoxml.check import LONGEST_TEXT, MOST_ZONES, Version, validate_taskdata
from geoflow.isoxml.data_dictionary import ENTRIES, NITROGEN, PRODUCT_MASS
from geoflow.isoxml.rasterize import lay_cells
from geoflow.layers.notes import Note, rows_text

__all__ = ["Form", "as_stored", "write_taskdata"]

Form = Literal["outlines", "grid of zones", "grid of rates"]
"""Zones with outlines, a grid of zone codes (type 1), or a grid of rates (type 2)."""

_PER_MASS: Final = 1e6  # kg/m2 to the mg/m2 that both dictionary numbers are stored in
_OUTSIDE: Final = 0  # code of the zone that holds outside the field, between zones, and without a position
_OUTSIDE_NAME: Final = "no rate"
_GRID: Final = "GRD00001"
_DECIMALS: Final = 9  # of a degree, the most version 4 takes: 0.1 mm
_NAMES: Final = {"nitrogen": (NITROGEN, "kg N/ha"), "ammonia": (PRODUCT_MASS, "kg NH3/ha")}
_LARGEST: Final = 2**31 - 1


def as_stored(rates: FloatArray, basis: Literal["nitrogen", "ammonia"]) -> UnitRates:
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


def write_taskdata(
    path: Path,
    zones: Sequence[Any],
    rates: FloatArray,
    *,
    basis: Literal["nitrogen", "ammonia"],
    field: str,
    version: Version = 4,
    form: Form = "outlines",
    cell: float = 10.0,
    boundary: Any = None,
    task: str | None = None,
    names: Sequence[str] | None = None,
    product: str = "Anhydrous ammonia",
    replace: bool = False,
    protect: tuple[Path, ...] = (),
    check: Callable[[Path], None] | None = None,
) -> tuple[Note, ...]:
    """Write zones and rates as one task.

    Outside the field, between the zones and without a position the file asks for nothing (zone code 0). Rates are
    rounded to 1 mg/m2 (0.01 kg/ha).

    Parameters
    ----------
    path : Path
        A ``.zip``, or a folder: one called TASKDATA itself, or one in which TASKDATA is made.
    zones : sequence of Polygon or MultiPolygon, length n
        Longitude and latitude, WGS 84.
    rates : ndarray of float, shape (n,)
        Of nitrogen or of ammonia, as `basis` says [kg/m2].
    basis : str
        ``"nitrogen"`` (dictionary number 01B0) or ``"ammonia"`` (mass of product, 0006).
    field : str
        Name of the field.
    version : int
        3 or 4.
    form : str
        A `Form`. A cell of a grid has the rate of the zone its middle lies in.
    cell : float
        Side of a grid's cells [m].
    boundary : Polygon or MultiPolygon, optional
        Of the field, longitude and latitude; the zones together otherwise.
    task : str, optional
        Name of the task; that of the field otherwise.
    names : sequence of str, optional
        Of the zones; their rates otherwise.
    product : str
        Name of the product.
    replace, protect
        As for `geoflow.files.output.OutputFolder`.
    check : callable, optional
        Given the zip or folder before it moves into place; what it raises leaves nothing behind.

    Returns
    -------
    tuple of Note
        What the file could not hold as it was.

    Raises
    ------
    OutputError
        If the prescription cannot be said in this form, or the target may not or cannot be written.
    """
    notes: list[Note] = []
    shapes = _checked_shapes(zones, path)
    stored = _checked_rates(rates, len(shapes), path)
    if version not in (3, 4):
        raise OutputError(f"there is no version {version} of task data here", where=str(path), cure="take 3 or 4")
    parts = _zones(shapes, stored, names, basis, form, path, notes)
    field_name = _fitting(field, "field", notes, "the name of the field")
    ground = _ground(shapes, boundary)
    files: dict[str, bytes] = {}
    root = _root(version, basis, _fitting(product, "product", notes, "the name of the product"))
    area = _area(ground)
    PFD = ElementTree.SubElement(root, "PFD", A="PFD1", C=field_name, D=str(area))
    _put_outline(PFD, ground, "1", version, notes)
    TSK = ElementTree.SubElement(
        root, "TSK", A="TSK1", B=_fitting(task or field_name, "task", notes, "the name of the task"), E="PFD1", G="1",
        H=str(_OUTSIDE), I=str(_OUTSIDE), J=str(_OUTSIDE),
    )  # fmt: skip
    outside = ElementTree.SubElement(TSK, "TZN", A=str(_OUTSIDE), B=_OUTSIDE_NAME)
    _put_rate(outside, 0, basis)
    if form == "grid of rates":
        rated = ElementTree.SubElement(TSK, "TZN", A="1", B="rates")
        _put_rate(rated, 0, basis)
    for code, zone in enumerate(parts, 1) if form != "grid of rates" else ():
        TZN = ElementTree.SubElement(TSK, "TZN", A=str(code), B=zone.name)
        _put_rate(TZN, zone.stored, basis)
        if form == "outlines" and not _put_outline(TZN, zone.shape, "2", version, notes):
            raise OutputError(
                f"the zone of {rows_text(zone.rows)} is thinner than the file can say",
                where=str(path),
                cure="leave it out",
            )
    if form != "outlines":
        cells = lay_cells([zone.shape for zone in parts], cell, where=str(path))
        notes += _cell_notes(cells.zone, parts, cells.doubled)
        files[f"{_GRID}.BIN"] = _cell_bytes(cells.zone, parts, form)
        GRD = ElementTree.SubElement(
            TSK, "GRD", A=_plain(cells.north), B=_plain(cells.east), C=_plain(cells.north_size, 12),
            D=_plain(cells.east_size, 12), E=str(cells.zone.shape[1]), F=str(cells.zone.shape[0]), G=_GRID,
            H=str(len(files[f"{_GRID}.BIN"])), I="1" if form == "grid of zones" else "2",
        )  # fmt: skip
        if form == "grid of rates":
            GRD.set("J", "1")
    ElementTree.indent(root, " ")
    text = ElementTree.tostring(root, encoding="UTF-8", xml_declaration=True)
    wrong = validate_taskdata(text, version, files)
    if wrong:
        raise OutputError(
            f"nothing was written: the task data would break the standard ({wrong[0]})",
            where=str(path),
            cure="write another form or format, and report this",
        )
    _deliver(Path(path), {"TASKDATA.XML": text, **files}, check, replace=replace, protect=protect)
    return tuple(notes)


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


def _checked_rates(rates: FloatArray, count: int, path: Path) -> IntArray:
    values = np.asarray(rates, dtype=np.float64)
    if values.shape != (count,):
        raise OutputError(f"{values.size} rate(s) for {count} zone(s)", where=str(path), cure="give one for each")
    bad = np.flatnonzero(~(np.isfinite(values) & (values >= 0.0) & (values * _PER_MASS <= _LARGEST)))
    if bad.size:
        raise OutputError(
            f"the rate of {rows_text(bad)} is no number from 0 to {_LARGEST / 100:,.0f} kg/ha",
            where=str(path),
            cure="leave these zones out, or correct their rates",
        )
    return np.rint(values * _PER_MASS).astype(np.int64)


def _zones(
    shapes: Any, stored: IntArray, names: Sequence[str] | None, basis: str, form: Form, path: Path, notes: list[Note]
) -> list[_Zone]:
    """Zones to write: one for each given, or one for each rate where the codes would not do."""
    unit = _NAMES[basis][1]
    shown = [f"{value / 100:.2f} {unit}" for value in stored]
    if len(shapes) < MOST_ZONES or form == "grid of rates":
        own = shown if names is None else [
            _fitting(name, "zone", notes, f"the name of zone {at + 1}") for at, name in enumerate(names)
        ]  # fmt: skip
        return [_Zone(int(stored[at]), own[at], shape, (at,)) for at, shape in enumerate(shapes)]
    found, first, group = np.unique(stored, return_index=True, return_inverse=True)
    if found.size >= MOST_ZONES:
        raise OutputError(
            f"{found.size} different rates do not fit, task data has codes for {MOST_ZONES - 1} zones",
            where=str(path),
            cure="write a grid of rates, or round the rates so that fewer differ",
        )
    text = (f"{len(shapes)} zones are written as {found.size}, one for each rate, since task data has codes for "
            f"{MOST_ZONES - 1}")  # fmt: skip
    notes.append(Note("file", text, len(shapes)))
    order = np.argsort(first, kind="stable")
    return [_together(shapes, np.flatnonzero(group == at), int(found[at]), shown[first[at]]) for at in order]


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


def _ground(shapes: Any, boundary: Any) -> Any:
    import shapely

    return shapely.force_2d(boundary) if boundary is not None else shapely.union_all(shapes)


def _area(ground: Any) -> int:
    """Geodesic area [m2]."""
    import pyproj
    import shapely

    geod = pyproj.Geod(ellps="WGS84")
    parts = shapely.get_parts(shapely.orient_polygons(ground))
    return round(sum(abs(geod.geometry_area_perimeter(part)[0]) for part in parts))


def _root(version: Version, basis: Literal["nitrogen", "ammonia"], product: str) -> ElementTree.Element:
    root = ElementTree.Element(
        "ISO11783_TaskData", VersionMajor=str(version), VersionMinor="3", ManagementSoftwareManufacturer="geoflow",
        ManagementSoftwareVersion=geoflow.__version__, DataTransferOrigin="1",
    )  # fmt: skip
    ElementTree.SubElement(root, "PDT", A="PDT1", B=product)
    # How a screen shows the number: mg/m2 times 0.01 is kg/ha. The number stored stays what it is.
    ElementTree.SubElement(root, "VPN", A="VPN1", B="0", C="0.01", D="1", E=_NAMES[basis][1])
    return root


def _put_rate(zone: ElementTree.Element, stored: int, basis: Literal["nitrogen", "ammonia"]) -> None:
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
        notes.append(Note("shape", f"{lost} part(s) or hole(s) thinner than 0.1 mm are left out", lost))
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
        notes.append(Note("overlap", f"{doubled} cell(s) lie in several zones and have the rate of the first", doubled))
    return notes


def _cell_bytes(zone: IntArray, parts: list[_Zone], form: Form) -> bytes:
    if form == "grid of zones":
        return bytes((zone + 1).astype(np.uint8).tobytes())
    stored = np.array([0, *(each.stored for each in parts)], dtype="<i4")
    return bytes(stored[zone + 1].tobytes())


def _deliver(
    path: Path,
    files: dict[str, bytes],
    check: Callable[[Path], None] | None,
    *,
    replace: bool,
    protect: tuple[Path, ...],
) -> None:
    if path.suffix.casefold() == ".zip":
        replace_file(path, _zipped(files, check), replace=replace, protect=protect)
        return
    if path.suffix and path.suffix[1:].isalpha():
        raise OutputError(
            f"'{path.suffix}' is no ending of task data",
            where=str(path),
            cure="name a folder, or a file ending in .zip",
        )
    folder = path if path.name.casefold() == "taskdata" else path / "TASKDATA"
    there = [entry.name for entry in folder.iterdir()] if folder.is_dir() else []
    others = [name for name in there if name not in files]
    if others:
        raise OutputError(
            f"the folder holds other files already ({', '.join(sorted(others)[:5])}), which belong to other task data",
            where=str(folder),
            cure="choose another folder, or clear this one",
        )
    with OutputFolder(folder, replace=replace, protect=protect) as output:
        for name, data in files.items():
            staged = output.stage(name)
            staged.write_bytes(data)
        if check is not None:
            check(staged.parent)


def _zipped(files: dict[str, bytes], check: Callable[[Path], None] | None) -> Callable[[Path], None]:
    def write(target: Path) -> None:
        with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, data in files.items():
                # One fixed time, so that the same prescription gives the same bytes.
                entry = zipfile.ZipInfo(f"TASKDATA/{name}", (1980, 1, 1, 0, 0, 0))
                entry.compress_type = zipfile.ZIP_DEFLATED
                archive.writestr(entry, data)
        if check is not None:
            check(target)

    return write

"""Where on earth a file's coordinates are: which coordinate system they are in, and whether the axes are swapped."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from geoflow.base.errors import PrescriptionError
from geoflow.base.subject import subject, typed
from geoflow.layers.notes import Note

if TYPE_CHECKING:
    import pyproj

__all__ = ["Bounds", "Placement", "place"]

_GREATEST_GUESS: Final = 2.0  # a field never spans more [degree]
_FARMED_LATITUDE: Final = 66.0  # nothing is knifed in beyond the polar circles [degree]
_BEYOND: Final = 3.0  # a system is often used this far outside the area it was made for [degree]
_WIDE: Final = 100e3  # zones further apart than this [m] are hardly one field


def _give_crs() -> str:
    return "add {0} with the system the file was made in, for example {0} EPSG:26915".format(typed("crs"))


@dataclass(frozen=True, slots=True)
class Bounds:
    """Least and greatest coordinates of a file, x first."""

    west: float
    south: float
    east: float
    north: float

    @property
    def middle(self) -> tuple[float, float]:
        """Middle of the box, x first."""
        return (self.west + self.east) / 2, (self.south + self.north) / 2

    @property
    def are_degrees(self) -> bool:
        """Whether x fits a longitude and y a latitude."""
        return max(abs(self.west), abs(self.east)) <= 180.0 and max(abs(self.south), abs(self.north)) <= 90.0

    @property
    def swapped(self) -> Bounds:
        """The same box with x and y exchanged."""
        return Bounds(self.south, self.west, self.north, self.east)

    @property
    def are_small(self) -> bool:
        """Whether the box spans no more degrees than a field can."""
        return max(self.east - self.west, self.north - self.south) <= _GREATEST_GUESS

    def __str__(self) -> str:
        return f"x {self.west:.6g} to {self.east:.6g}, y {self.south:.6g} to {self.north:.6g}"


@dataclass(frozen=True)
class Placement:
    """How to read a file's coordinates.

    Attributes
    ----------
    crs : pyproj.CRS
        Their coordinate system.
    swap : bool
        Whether the file holds y (or latitude) first.
    centre : tuple of float
        Longitude and latitude of the middle of the field [degree].
    notes : tuple of Note
        What a person should know about it; the last one gives the place.
    """

    crs: pyproj.CRS
    swap: bool
    centre: tuple[float, float]
    notes: tuple[Note, ...]


def place(
    bounds: Bounds, declared: pyproj.CRS | None, *, option: str | None, swap_axes: bool, by_default: bool, where: str
) -> Placement:
    """Settle the coordinate system and the axes of a file.

    Parameters
    ----------
    bounds : Bounds
        Of all its coordinates, in its own units.
    declared : pyproj.CRS or None
        What the file says; None if it says nothing.
    option : str or None
        What was given with ``--crs``; it has the last word.
    swap_axes : bool
        Whether ``--swap-axes`` was given; then nothing is tested.
    by_default : bool
        Whether the format means longitude and latitude where nothing is said (GeoJSON).
    where : str
        The file, for errors.

    Raises
    ------
    PrescriptionError
        If the coordinates fit no place, or more than one.
    """
    crs, notes = _system(bounds, declared, option, where)
    if swap_axes:
        swap = True
        notes.append(Note("axes", f"x and y are exchanged, as asked with {typed('swap-axes')}"))
    else:
        swap, seen = _axes(bounds, crs, insisted=option is not None, by_default=by_default, where=where)
        notes += seen
    settled = bounds.swapped if swap else bounds
    if crs.is_geographic and settled.east - settled.west > 180.0:
        raise PrescriptionError(
            f"the {subject().part}s span more than half the globe: one side of the 180th meridian is mixed "
            "with the other",
            where=where,
            cure=f"give the {subject().part}s longitudes on one side, or project them and give the file its .prj",
        )
    centre = _lonlat(crs, settled.middle)
    if not (np.isfinite(centre).all() and abs(centre[1]) <= 90.0 and abs(centre[0]) <= 540.0):
        what = f"the coordinates ({bounds}) are nowhere in {crs.name}"
        raise PrescriptionError(what, where=where, cure=f"{_give_crs()}, or {_turned('')}")
    return _located(Placement(crs, swap, centre, tuple(notes)), settled)


def _system(
    bounds: Bounds, declared: pyproj.CRS | None, option: str | None, where: str
) -> tuple[pyproj.CRS, list[Note]]:
    """The coordinate system: the option's, the file's, or degrees where the numbers fit."""
    if option is not None:
        crs = _given(option)
        if declared is None or crs == declared:
            return crs, []
        text = f"{typed('crs')} {option} is used in place of what the file says, {declared.name}"
        return crs, [Note("crs", text)]
    if declared is None:
        text = (
            "THE FILE DOES NOT SAY ITS COORDINATE SYSTEM (no .prj or the like). Its numbers fit degrees and are taken "
            "as WGS 84 longitude and latitude; another datum would move the field by a metre or two and leave areas as "
            "they are"
        )
        return _assumed(bounds, where), [Note("crs", text)]
    crs = _flat(declared)
    if crs.to_authority() is not None:
        return crs, []
    datum = crs.datum.name if crs.datum is not None else ""
    unnamed = " (datum unnamed, treated as WGS 84)" if not datum or _is_unnamed(datum) else ""
    text = f"the file's coordinate system '{crs.name}' has no register number; it is taken by its parameters{unnamed}"
    return crs, [Note("crs", text)]


def _located(placement: Placement, settled: Bounds) -> Placement:
    """Add what the place says: outside the area of use, wider than a field, and the centre."""
    notes = list(placement.notes)
    longitude, latitude = placement.centre
    area = placement.crs.area_of_use
    if area is not None and placement.crs.is_projected and not _inside(area, placement.centre, _BEYOND):
        text = f"the field lies outside the area {placement.crs.name} is made for ({area.name}): check the place below"
        notes.append(Note("crs", text))
    width = _diagonal(placement.crs, settled)
    if width > _WIDE:
        text = f"the {subject().part}s lie up to {width / 1e3:,.0f} km apart, hardly one field; check for outliers"
        notes.append(Note("place", text))
    notes.append(Note("middle", f"the field's middle is at latitude {latitude:.3f}, longitude {longitude:.3f}"))
    return replace(placement, notes=tuple(notes))


def _diagonal(crs: pyproj.CRS, bounds: Bounds) -> float:
    import pyproj

    west, south = _lonlat(crs, (bounds.west, bounds.south))
    east, north = _lonlat(crs, (bounds.east, bounds.north))
    if not np.isfinite([west, south, east, north]).all():
        return float("inf")
    return float(pyproj.Geod(ellps="WGS84").inv(west, south, east, north)[2])


def _given(option: str) -> pyproj.CRS:
    import pyproj

    try:
        return _flat(pyproj.CRS.from_user_input(option))
    except pyproj.exceptions.CRSError as problem:
        raise PrescriptionError(
            f"'{option}' is no coordinate system",
            where=typed("crs"),
            cure="write it like EPSG:4326 or EPSG:26915",
        ) from problem


def _assumed(bounds: Bounds, where: str) -> pyproj.CRS:
    import pyproj

    if bounds.are_small and (bounds.are_degrees or bounds.swapped.are_degrees):
        return pyproj.CRS.from_epsg(4326)
    raise PrescriptionError(
        f"the file does not say its coordinate system, and its numbers ({bounds}) are not a field in degrees",
        where=where,
        cure=f"{_give_crs()}, or put the .prj file back beside it",
    )


def _axes(bounds: Bounds, crs: pyproj.CRS, *, insisted: bool, by_default: bool, where: str) -> tuple[bool, list[Note]]:
    """Whether the axes are swapped; raises where both ways are possible."""
    if crs.is_geographic:
        return _axes_in_degrees(bounds, insisted=insisted, by_default=by_default, where=where)
    if bounds.are_degrees and bounds.are_small and not insisted:
        raise PrescriptionError(
            f"the coordinates ({bounds}) look like degrees, but the file says {crs.name}",
            where=where,
            cure=f"if they are longitude and latitude, add {typed('crs')} EPSG:4326; otherwise give "
            f"{typed('crs')} the right system",
        )
    if not insisted and not _plausible(crs, bounds.middle, _BEYOND) and _plausible(crs, bounds.swapped.middle, 0.0):
        text = f"x and y are exchanged in the file: only the other way round does the field lie within {crs.name}"
        return True, [Note("axes", text)]
    return False, []


def _axes_in_degrees(bounds: Bounds, *, insisted: bool, by_default: bool, where: str) -> tuple[bool, list[Note]]:
    if not bounds.are_degrees:
        if bounds.swapped.are_degrees:
            text = f"latitude and longitude are exchanged in the file: {bounds.middle[1]:.3f} can be no latitude"
            return True, [Note("axes", text)]
        says = "GeoJSON means degrees where it says nothing else" if by_default else "the file says degrees"
        raise PrescriptionError(f"{says}, but its coordinates ({bounds}) are no degrees", where=where, cure=_give_crs())
    x, y = bounds.middle
    if not insisted and abs(y) > _FARMED_LATITUDE >= abs(x):
        raise PrescriptionError(
            f"the field would lie at latitude {y:.3f}, longitude {x:.3f}, where nobody farms",
            where=where,
            cure=f"if latitude comes first in the file (latitude {x:.3f}, longitude {y:.3f}), {_turned('add ')}; "
            f"if it really lies there, insist with {typed('crs')} EPSG:4326",
        )
    return False, []


def _turned(before: str) -> str:
    """What to do where latitude comes first."""
    lacking = "swap-axes" in subject().lacks
    return "write the file again with longitude first" if lacking else f"{before}{typed('swap-axes')}"


def _plausible(crs: pyproj.CRS, point: tuple[float, float], margin: float) -> bool:
    """Whether a projected point lies where the system is meant for: its area of use, or little distortion."""
    import pyproj

    place_there = _lonlat(crs, point)
    if not np.isfinite(place_there).all():
        return False
    if crs.area_of_use is not None:
        return _inside(crs.area_of_use, place_there, margin)
    try:
        scale = pyproj.Proj(crs).get_factors(*place_there).areal_scale
    except pyproj.exceptions.ProjError:
        return False
    return abs(place_there[1]) <= _FARMED_LATITUDE and abs(scale - 1.0) < 0.02


def _inside(area: Any, point: tuple[float, float], margin: float) -> bool:
    longitude, latitude = point
    west, east = area.west, area.east + (360.0 if area.east < area.west else 0.0)
    fits = any(west - margin <= longitude + turn <= east + margin for turn in (0.0, 360.0))
    return fits and area.south - margin <= latitude <= area.north + margin


def _lonlat(crs: pyproj.CRS, point: tuple[float, float]) -> tuple[float, float]:
    import pyproj

    try:
        longitude, latitude = pyproj.Transformer.from_crs(crs, 4326, always_xy=True).transform(*point)
    except pyproj.exceptions.ProjError:  # a system of another planet
        return np.nan, np.nan
    return float(longitude), float(latitude)


def _flat(crs: pyproj.CRS) -> pyproj.CRS:
    """Return the horizontal part."""
    return crs.sub_crs_list[0] if crs.is_compound else crs.to_2d()


def _is_unnamed(datum: str) -> bool:
    return any(word in datum.casefold() for word in ("unknown", "unnamed", "not_specified", "not specified", "custom"))

"""Where a bar lies from the antenna whose positions a time log holds, and its own positions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from geoflow.base.arrays import FloatArray
from geoflow.isoxml.devices import Element, width_of
from geoflow.isoxml.xml import Node

__all__ = ["Offset", "bar_offset", "moved"]

_AHEAD, _RIGHT = "0086", "0087"  # of an element from its machine's reference point, ahead and to the right [mm]
_FUNCTION, _SECTION, _CONNECTOR, _ANTENNA = "2", "4", "6", "7"
_REACH: Final = 1.5  # either side of a record, over which its heading is taken [m]
_JUMP: Final = 3.0  # of the usual step, and of a metre: between two records so far apart nothing was driven
_LEAST: Final = 0.01  # an offset below is none [m]
_RADIUS, _FLATTENING = 6_378_137.0, 1.0 / 298.257223563  # of WGS 84 [m, -]


@dataclass(frozen=True, slots=True)
class Offset:
    """Where the middle of a bar lies from what the positions are of.

    Attributes
    ----------
    ahead, right : float
        Along and across the heading [m].
    origin : str
        What the positions are of.
    """

    ahead: float
    right: float
    origin: str

    def __str__(self) -> str:
        along = f"{abs(self.ahead):.2f} m {'ahead of' if self.ahead > 0.0 else 'behind'}"
        across = f" and {abs(self.right):.2f} m to the {'right' if self.right > 0.0 else 'left'} of"
        return (along + across if abs(self.right) >= _LEAST else along) + f" {self.origin}"


def bar_offset(elements: Mapping[str, Element], task: Node) -> Offset | None:
    """Find the middle of the bar from the antenna, as the machines describe themselves.

    The offsets of a machine's elements count from its reference point; a machine that is pulled or carried hangs by its
    connector on the one with the antenna, straight behind it. ISO 11783-11, numbers 0086 and 0087.

    Parameters
    ----------
    elements : mapping
        Of all machines, by id.
    task : Node
        Its CNN say which connectors are joined.

    Returns
    -------
    Offset or None
        None where no offset is described, or it is nothing.
    """
    every = list(elements.values())
    bars = [each for each in every if each.kind == _SECTION] or [each for each in every if each.kind == _FUNCTION]
    placed = [each for each in bars if _placed(each)] or [e for e in every if e.kind == _FUNCTION and _placed(e)]
    if not placed or len({each.device for each in placed}) > 1:
        return None
    device = placed[0].device
    ahead, right = float(np.mean([_at(each, _AHEAD) for each in placed])), _middle(placed)
    antennas = [each for each in every if each.kind == _ANTENNA]
    own = [each for each in antennas if each.device == device]
    origin = "the antenna"
    if own:
        ahead, right = ahead - _at(own[0], _AHEAD), right - _at(own[0], _RIGHT)
    elif len(antennas) == 1 and (joint := _joint(every, task, antennas[0].device, device)):
        for sign, each in ((1.0, joint[0]), (-1.0, antennas[0]), (-1.0, joint[1])):
            ahead, right = ahead + sign * _at(each, _AHEAD), right + sign * _at(each, _RIGHT)
    else:
        origin = "the machine's reference point, where the antenna is taken to be since nothing says where it is"
    found = Offset(ahead, right, origin)
    return found if max(abs(ahead), abs(right)) >= _LEAST else None


def _placed(element: Element) -> bool:
    return _AHEAD in element.properties or _RIGHT in element.properties


def _at(element: Element, key: str) -> float:
    return element.properties.get(key, 0.0) / 1000.0


def _middle(bar: list[Element]) -> float:
    halves = [0.5 * (width_of(each) or 0.0) for each in bar]
    places = [_at(each, _RIGHT) for each in bar]
    edges = [place + sign * half for place, half in zip(places, halves, strict=True) for sign in (-1.0, 1.0)]
    return 0.5 * (min(edges) + max(edges))


def _joint(every: list[Element], task: Node, puller: str, device: str) -> tuple[Element, Element] | None:
    """Connectors of the machine with the antenna and of the bar that are joined: as the task says, or the only ones."""
    known = {each.key: each for each in every}
    for link in task.all("CNN"):
        ends = {link.text("A"): link.text("B"), link.text("C"): link.text("D")}
        pair = [known.get(ends.get(one, "")) for one in (puller, device)]
        if pair[0] is not None and pair[1] is not None:
            return pair[0], pair[1]
    sides = [[each for each in every if each.kind == _CONNECTOR and each.device == one] for one in (puller, device)]
    return (sides[0][0], sides[1][0]) if all(len(side) == 1 for side in sides) else None


def moved(lon: FloatArray, lat: FloatArray, offset: Offset) -> tuple[FloatArray, FloatArray]:
    """Positions of a bar from those of the antenna, in the order driven; the heading is the way the antenna takes.

    Parameters
    ----------
    lon, lat : ndarray, shape (n,)
        Of the antenna [degree]; NaN where there is no position.
    offset : Offset
        Of the bar.
    """
    known = np.flatnonzero(np.isfinite(lon) & np.isfinite(lat))
    if known.size < 2:
        return lon, lat
    # Radii of curvature of the ellipsoid, east and north.
    squared = _FLATTENING * (2.0 - _FLATTENING)
    latitude = np.radians(lat[known])
    bulge = 1.0 - squared * np.sin(latitude) ** 2
    east = np.radians(1.0) * _RADIUS / np.sqrt(bulge) * np.cos(latitude)
    north = np.radians(1.0) * _RADIUS * (1.0 - squared) / bulge**1.5
    x, y = (lon[known] - lon[known[0]]) * east.mean(), (lat[known] - lat[known[0]]) * north.mean()
    along, across = _heading(x, y)
    new_lon, new_lat = lon.copy(), lat.copy()
    new_lon[known] += (offset.ahead * along + offset.right * across) / east
    new_lat[known] += (offset.ahead * across - offset.right * along) / north
    return new_lon, new_lat


def _heading(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Unit vector of the way at every record, east and north; nothing where it never moves."""
    steps = np.hypot(np.diff(x), np.diff(y))
    usual = float(np.median(steps[steps > 0.0])) if (steps > 0.0).any() else 0.0
    stretch = np.concatenate([[0], np.cumsum(steps > _JUMP * max(usual, 1.0))])
    way = np.concatenate([[0.0], np.cumsum(steps)])
    first = np.searchsorted(stretch, stretch, side="left")
    last = np.searchsorted(stretch, stretch, side="right") - 1
    reach = max(_REACH, usual)
    back, on = np.maximum(way - reach, way[first]), np.minimum(way + reach, way[last])
    east, north = (np.interp(on, way, each) - np.interp(back, way, each) for each in (x, y))
    length = np.hypot(east, north)
    there = length > 0.0
    return tuple(np.divide(each, length, out=np.zeros_like(each), where=there) for each in (east, north))

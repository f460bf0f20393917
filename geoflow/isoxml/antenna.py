"""Where a bar lies from the antenna whose positions a time log holds, and its own positions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geoflow.base.arrays import BoolArray, FloatArray, IntArray
from geoflow.base.units import System, show
from geoflow.isoxml.devices import Element, width_of
from geoflow.isoxml.xml import Node
from geoflow.layers.notes import Note

__all__ = ["OFFSETS", "Offset", "bar_offset", "moved", "with_logged_offsets"]

_AHEAD, _RIGHT = "0086", "0087"  # of an element from its machine's reference point, ahead and to the right [mm]
OFFSETS: Final = frozenset({_AHEAD, _RIGHT})
_FUNCTION, _SECTION, _CONNECTOR, _ANTENNA = "2", "4", "6", "7"
_REACH: Final = 1.5  # either side of a record, over which its heading is taken [m]
_JUMP: Final = 3.0  # of the usual step, and of a metre: between two records so far apart nothing was driven
_LEAST: Final = 0.01  # an offset below is none [m]
# Legs by which a change of sense is seen [m], how straight they are at least, and the cosine of the turn.
_LEG, _STRAIGHT, _BACK = 1.0, 0.5, -0.866
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

    def said(self, system: System) -> str:
        """Say where the bar lies.

        Parameters
        ----------
        system : str
            ``"us"`` or ``"metric"``.
        """

        def far(metres: float) -> str:
            return show(abs(metres), "length", system, 2)

        along = f"{far(self.ahead)} {'ahead of' if self.ahead > 0.0 else 'behind'}"
        across = f" and {far(self.right)} to the {'right' if self.right > 0.0 else 'left'} of"
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
    bar = _described_bar(list(elements.values()))
    if not bar:
        return None
    ahead, right = float(np.mean([_at(each, _AHEAD) for each in bar])), _middle(bar)
    origin = "the antenna"
    for sign, each in (way := _way_to_antenna(list(elements.values()), task, bar[0].device)):
        ahead, right = ahead + sign * _at(each, _AHEAD), right + sign * _at(each, _RIGHT)
    if not way:
        origin = "the machine's reference point, where the antenna is taken to be since nothing says where it is"
    found = Offset(ahead, right, origin)
    return found if max(abs(ahead), abs(right)) >= _LEAST else None


def _described_bar(every: list[Element]) -> list[Element]:
    """Sections or else functions of one machine that say where they lie; none where several machines do."""
    bars = [each for each in every if each.kind == _SECTION] or [each for each in every if each.kind == _FUNCTION]
    placed = [each for each in bars if _placed(each)] or [e for e in every if e.kind == _FUNCTION and _placed(e)]
    return placed if len({each.device for each in placed}) == 1 else []


def _way_to_antenna(every: list[Element], task: Node, device: str) -> list[tuple[float, Element]]:
    """Elements from a machine's reference point to the antenna, and how their offsets count; none if unknown."""
    antennas = [each for each in every if each.kind == _ANTENNA]
    own = [each for each in antennas if each.device == device]
    if own:
        return [(-1.0, own[0])]
    joint = _joint(every, task, antennas[0].device, device) if len(antennas) == 1 else None
    return [] if joint is None else [(1.0, joint[0]), (-1.0, antennas[0]), (-1.0, joint[1])]


def with_logged_offsets(
    elements: Mapping[str, Element], values: Mapping[tuple[str, str], FloatArray], notes: list[Note]
) -> dict[str, Element]:
    """Give elements the offsets that the log holds in place of those described: they are what was so at work.

    Parameters
    ----------
    elements : mapping
        Of all machines, by id.
    values : mapping
        Dictionary number and element to values as stored, shape (records,); of several values the median counts.
    notes : list of Note
        Brought up to date.
    """
    found = dict(elements)
    for (ddi, key), stored in values.items():
        known = stored[np.isfinite(stored)]
        if ddi not in OFFSETS or key not in found or not known.size:
            continue
        own = found[key]
        found[key] = replace(own, properties={**own.properties, ddi: float(np.median(known))})
        if np.ptp(known) >= 1000.0 * _LEAST:
            us, metric = (
                f"the log moves element {key} by {show(np.ptp(known) / 1000.0, 'length', system, 2)} ({ddi}); the "
                "median is taken"
                for system in ("us", "metric")
            )
            notes.append(Note("place", us, known.size, metric=metric))
    return found


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


def moved(lon: FloatArray, lat: FloatArray, offset: Offset) -> tuple[FloatArray, FloatArray, int, int]:
    """Positions of a bar from those of the antenna, in the order driven; the heading is the way the antenna takes.

    Where the machine backs up, the bar lies behind it all the same.

    Parameters
    ----------
    lon, lat : ndarray, shape (n,)
        Of the antenna [degree]; NaN where there is no position.
    offset : Offset
        Of the bar.

    Returns
    -------
    lon, lat : ndarray, shape (n,)
        Of the bar [degree].
    backed, unclear : int
        Records during which the machine backed up, and those during which it went to and fro about as far either way,
        so that the way it took is held to be ahead.
    """
    known = np.flatnonzero(np.isfinite(lon) & np.isfinite(lat))
    if known.size < 2:
        return lon, lat, 0, 0
    # Radii of curvature of the ellipsoid, east and north.
    squared = _FLATTENING * (2.0 - _FLATTENING)
    latitude = np.radians(lat[known])
    bulge = 1.0 - squared * np.sin(latitude) ** 2
    east = np.radians(1.0) * _RADIUS / np.sqrt(bulge) * np.cos(latitude)
    north = np.radians(1.0) * _RADIUS * (1.0 - squared) / bulge**1.5
    x, y = (lon[known] - lon[known[0]]) * east.mean(), (lat[known] - lat[known[0]]) * north.mean()
    stretch, way = _stretches(x, y)
    piece, backing, unclear = _pieces(x, y, stretch, way)
    along, across = (np.where(backing, -each, each) for each in _heading(x, y, piece, way))
    new_lon, new_lat = lon.copy(), lat.copy()
    new_lon[known] += (offset.ahead * along + offset.right * across) / east
    new_lat[known] += (offset.ahead * across - offset.right * along) / north
    return new_lon, new_lat, int(backing.sum()), int(unclear.sum())


def _stretches(x: FloatArray, y: FloatArray) -> tuple[IntArray, FloatArray]:
    """Number of the stretch without a jump, and way along the records [m]."""
    steps = np.hypot(np.diff(x), np.diff(y))
    stretch = np.concatenate([[0], np.cumsum(steps > _JUMP * max(_usual(steps), 1.0))])
    return stretch, np.concatenate([[0.0], np.cumsum(steps)])


def _usual(steps: FloatArray) -> float:
    return float(np.median(steps[steps > 0.0])) if (steps > 0.0).any() else 0.0


def _pieces(x: FloatArray, y: FloatArray, stretch: IntArray, way: FloatArray) -> tuple[IntArray, BoolArray, BoolArray]:
    """Number of the piece driven in one sense, whether that was backwards, and whether that is open; all by record.

    No bar turns by 150 degrees within a metre or two, so there the machine changed its sense. Of the two senses within
    a stretch the one is backwards that took less than half as far as the other; else it cannot be told, and none is.
    """
    begins = np.concatenate([[False], np.diff(stretch) > 0])
    changes = _changes_of_sense(x, y, stretch, way)
    begins[changes] = True
    piece = np.cumsum(begins)
    first = np.flatnonzero(np.concatenate([[True], begins[1:]]))
    sense = np.cumsum(np.isin(first, changes)) % 2
    own, long = stretch[first], np.diff(way[np.append(first, way.size - 1)])
    far = [np.bincount(own, weights=long * (sense == one), minlength=own[-1] + 1) for one in (0, 1)]
    back = np.select([far[0] < 0.5 * far[1], far[1] < 0.5 * far[0]], [0, 1], -1)
    both = np.minimum(*far) > 0.0
    return piece, (sense == back[own])[piece], ((back == -1) & both)[own][piece]


def _changes_of_sense(x: FloatArray, y: FloatArray, stretch: IntArray, way: FloatArray) -> IntArray:
    """Records after which the machine goes the other way, judged by straight legs of about a metre."""
    ends = np.unique(np.searchsorted(way, np.arange(0.0, way[-1] + _LEG, _LEG)).clip(max=way.size - 1))
    start, end = ends[:-1], ends[1:]
    straight = np.hypot(x[end] - x[start], y[end] - y[start]) >= _STRAIGHT * (way[end] - way[start])
    start, end = start[straight & (stretch[start] == stretch[end])], end[straight & (stretch[start] == stretch[end])]
    leg = (x[end] - x[start]) + 1j * (y[end] - y[start])
    leg /= np.abs(leg)
    turned = (leg[1:] * leg[:-1].conj()).real < _BACK
    found = []
    for at in np.flatnonzero(turned & (stretch[end[1:]] == stretch[end[:-1]])):
        between = np.arange(start[at], end[at + 1] + 1)
        ahead = (x[between] + 1j * y[between]) * leg[at].conj()
        found.append(between[np.argmax(ahead.real)] + 1)
    return np.array(found, dtype=np.int64).clip(max=x.size - 1)


def _heading(x: FloatArray, y: FloatArray, piece: IntArray, way: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Unit vector of the way at every record, east and north; nothing where it never moves."""
    first = np.searchsorted(piece, piece, side="left")
    last = np.searchsorted(piece, piece, side="right") - 1
    reach = max(_REACH, _usual(np.diff(way)))
    back, on = np.maximum(way - reach, way[first]), np.minimum(way + reach, way[last])
    east, north = (np.interp(on, way, each) - np.interp(back, way, each) for each in (x, y))
    length = np.hypot(east, north)
    length[length == 0.0] = np.inf
    return east / length, north / length

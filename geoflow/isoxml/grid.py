"""Grids of task data: a byte or some numbers per cell, from the south-west corner eastward, then north."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from geoflow.base.arrays import BoolArray, IntArray
from geoflow.base.counted import count, verb
from geoflow.base.errors import PrescriptionError
from geoflow.isoxml.shapes import MOST_CELLS, merge_cells
from geoflow.isoxml.task_files import TaskData
from geoflow.isoxml.xml import Node
from geoflow.layers.notes import Note

__all__ = ["Grid", "read_grid"]

_AGAIN: Final = "export the task data again"


@dataclass(frozen=True, eq=False)
class Grid:
    """Ground of the zones of a task, from a grid of cells or not.

    Attributes
    ----------
    form : str
        ``"grid of zones"``, ``"grid of rates"``, ``"outlines"`` or ``"whole field"``.
    owner : list of int
        For each zone found, which of the task's elements TZN speaks of it.
    shapes : list of Polygon or MultiPolygon
        In longitude and latitude.
    stored : ndarray of int or None, shape (zones, variables)
        Values of a grid of rates, in the order of its zone's PDV.
    zone : ndarray of int or None, shape (rows, columns)
        Of a grid of rates, which of the zones each cell is part of; -1 outside.
    """

    form: str
    owner: list[int]
    shapes: list[Any]
    stored: IntArray | None
    zone: IntArray | None = None


def read_grid(
    data: TaskData,
    grid: Node,
    codes: list[int],
    outside: int | None,
    boundary: Any,
    without_rate: set[int],
    notes: list[Note],
) -> Grid:
    """Read a grid and merge its cells into zones.

    Parameters
    ----------
    data : TaskData
        Where its binary file is.
    grid : Node
        Element GRD.
    codes : list of int
        Of the task's zones.
    outside : int or None
        Code that holds outside the field.
    boundary : Polygon, MultiPolygon or None
        Of the field: a cell with nothing to apply lies outside the field if its middle does.
    without_rate : set of int
        Codes of zones that ask for nothing.
    notes : list of Note
        Brought up to date.

    Raises
    ------
    PrescriptionError
        If the grid is damaged or larger than its file.
    """
    name = f"{grid.text('G')}.BIN"
    where = f"{grid.where} ({name})"
    frame = _frame(grid, where)
    kind = grid.text("I")
    if kind not in {"1", "2"}:
        raise PrescriptionError(f"I='{kind[:10]}' is no type of grid; there are 1 and 2", where=where, cure=_AGAIN)
    if kind == "1":
        cells = _cells(data, name, frame, 1, np.dtype(np.uint8), where, notes)[:, :, 0]
        labels = _coded(cells, codes, outside, _inside(boundary, frame), without_rate, notes)
        owner, shapes = _merged(labels, frame, where)
        return Grid("grid of zones", owner.tolist(), shapes, None)
    at = _zone_of_rates(grid, codes, where, notes)
    cells = _cells(data, name, frame, _variables(data, grid, at), np.dtype("<i4"), where, notes)
    found, labels = _distinct(cells)
    labels = np.where(_beyond(cells, _inside(boundary, frame), notes), -1, labels)
    own, shapes = _merged(labels, frame, where)
    zone = np.where(labels < 0, -1, np.searchsorted(own, labels))
    return Grid("grid of rates", [at] * len(shapes), shapes, found[own], zone)


@dataclass(frozen=True, slots=True)
class _Frame:
    """How a grid lies: its rows and columns, its south-west corner and the size of its cells [degree]."""

    rows: int
    columns: int
    north: float
    east: float
    north_size: float
    east_size: float


def _frame(grid: Node, where: str) -> _Frame:
    frame = _Frame(grid.count("F"), grid.count("E"), *(grid.number(key) for key in "ABCD"))
    rows, columns, north, east = frame.rows, frame.columns, frame.north, frame.east
    if not rows or not columns or not 0.0 < frame.north_size <= 1.0 or not 0.0 < frame.east_size <= 1.0:
        raise PrescriptionError(
            f"there is no grid of {rows} rows, {columns} columns and cells of {frame.north_size:g} by "
            f"{frame.east_size:g} degrees",
            where=where,
            cure=_AGAIN,
        )
    far = (north + rows * frame.north_size, east + columns * frame.east_size)
    if abs(north) > 90.0 or abs(east) > 180.0 or far[0] > 90.0 or far[1] > 180.0:
        raise PrescriptionError(
            f"the grid reaches beyond the earth from its corner at north {north:g}, east {east:g}",
            where=where,
            cure=_AGAIN,
        )
    return frame


def _variables(data: TaskData, grid: Node, at: int) -> int:
    """How many numbers a cell of a grid of rates holds."""
    zone = [node for node in _siblings(data, grid) if node.tag == "TZN"][at]
    variables = sum(node.tag == "PDV" for node in zone.walk())
    if not variables:
        raise PrescriptionError(
            "the zone the grid names carries no variable, so nothing says what the numbers count",
            where=zone.where,
            cure=_AGAIN,
        )
    return variables


def _beyond(cells: IntArray, inside: BoolArray | None, notes: list[Note]) -> BoolArray:
    """Which cells of a grid of rates lie outside the field, shape (rows, columns): without a rate and beyond it."""
    empty = np.asarray((cells == 0).all(axis=2))
    if inside is not None:
        _say_outside(int((empty & ~inside).sum()), notes)
        return empty & ~inside
    if empty.any():
        some = int(empty.sum())
        text = (f"{count(some, 'cell')} without a rate and no boundary of the field that says whether that is ground; "
                f"{verb(some, 'it counts', 'they count')} as ground")  # fmt: skip
        notes.append(Note("file", text, some))
    return np.zeros_like(empty)


def _siblings(data: TaskData, grid: Node) -> list[Node]:
    """Children of the task the grid belongs to."""
    return next(task.children for task in data.root.all("TSK") if any(child is grid for child in task.children))


def _zone_of_rates(grid: Node, codes: list[int], where: str, notes: list[Note]) -> int:
    """Which zone says what a grid of rates counts."""
    if grid.text("J"):
        code = grid.count("J")
        if code in codes:
            return codes.index(code)
        what = f"the grid names zone {code}, which the task does not have"
    elif len(codes) == 1:
        notes.append(Note("file", "the grid does not name its zone; the task's only one is taken"))
        return 0
    else:
        what = f"the grid does not name its zone, and the task has {len(codes)}"
    raise PrescriptionError(what, where=where, cure=_AGAIN)


def _cells(
    data: TaskData, name: str, frame: _Frame, variables: int, stored: np.dtype[Any], where: str, notes: list[Note]
) -> IntArray:
    """Numbers of all cells, shape (rows, columns, variables), the first row southernmost."""
    raw = data.file(name)
    if raw is None:
        raise PrescriptionError(f"the file {name} is missing", where=where, cure="copy the whole TASKDATA folder")
    rows, columns = frame.rows, frame.columns
    wanted = rows * columns * variables * stored.itemsize
    if len(raw) < wanted:
        raise PrescriptionError(
            f"the grid needs {wanted:,} bytes ({rows} rows, {columns} columns, {count(variables, 'number')} of "
            f"{count(stored.itemsize, 'byte')} each) and its file holds {len(raw):,}",
            where=where,
            cure=_AGAIN,
        )
    if rows * columns > MOST_CELLS:
        raise PrescriptionError(
            f"the grid has {rows * columns:,} cells, more than {MOST_CELLS:,}",
            where=where,
            cure="export it with larger cells",
        )
    if len(raw) > wanted:
        longer = count(len(raw) - wanted, "byte")
        notes.append(Note("file", f"{name} is {longer} longer than its grid; the rest is ignored"))
    cells = np.frombuffer(raw, dtype=stored, count=rows * columns * variables)
    return cells.reshape(rows, columns, variables).astype(np.int64)


def _inside(boundary: Any, frame: _Frame) -> BoolArray | None:
    """Which cells have their middle in the field, shape (rows, columns); None without a boundary that is there."""
    import shapely

    if boundary is None:
        return None
    ground = shapely.make_valid(boundary)
    far_x = frame.east + frame.columns * frame.east_size
    far_y = frame.north + frame.rows * frame.north_size
    if not shapely.intersects(ground, shapely.box(frame.east, frame.north, far_x, far_y)):
        return None  # told with the place of the zones
    shapely.prepare(ground)
    middle_x = frame.east + (np.arange(frame.columns) + 0.5) * frame.east_size
    middle_y = frame.north + (np.arange(frame.rows) + 0.5) * frame.north_size
    grid_x, grid_y = np.meshgrid(middle_x, middle_y)
    return np.asarray(shapely.intersects_xy(ground, grid_x, grid_y), dtype=bool)


def _say_outside(some: int, notes: list[Note]) -> None:
    if some:
        lie = verb(some, "lies outside the field and is", "lie outside the field and are")
        notes.append(Note("file", f"{count(some, 'cell')} without a rate {lie} left out", some))


def _coded(
    cells: IntArray, codes: list[int], outside: int | None, inside: BoolArray | None, without_rate: set[int],
    notes: list[Note],
) -> IntArray:  # fmt: skip
    """Number of the zone of every cell, -1 where there is no ground."""
    lookup = np.full(256, -1, dtype=np.int64)
    for at in reversed(range(len(codes))):
        if codes[at] < 256:
            lookup[codes[at]] = at
    labels = lookup[cells]
    unknown = labels < 0
    if unknown.any():
        odd, some = np.unique(cells[unknown])[:6], int(unknown.sum())
        text = (f"{count(some, 'cell')} with {verb(odd.size, 'zone code', 'the zone codes')} "
                f"{', '.join(map(str, odd))}, which the task does not have; left out")  # fmt: skip
        notes.append(Note("file", text, some))
    bare = np.isin(cells, sorted(without_rate))
    if inside is not None:
        beyond = bare & ~inside
        _say_outside(int(beyond.sum()), notes)
    else:
        beyond = bare & (cells == (-1 if outside is None else outside))
        if beyond.any():
            some = int(beyond.sum())
            text = (f"{count(some, 'cell')} with zone code {outside}, which the file gives to the ground outside the "
                    "field; left out")  # fmt: skip
            notes.append(Note("file", text, some))
    return np.where(beyond, -1, labels)


def _distinct(cells: IntArray) -> tuple[IntArray, IntArray]:
    """Return the distinct rows of numbers, and which of them each cell carries."""
    rows, columns, variables = cells.shape
    flat = cells.reshape(-1, variables)
    label = np.zeros(rows * columns, dtype=np.int64)
    for at in range(variables):
        _, own = np.unique(flat[:, at], return_inverse=True)
        _, label = np.unique(label * (int(own.max()) + 1) + own, return_inverse=True)
    first = np.zeros(int(label.max()) + 1, dtype=np.int64)
    first[label[::-1]] = np.arange(label.size)[::-1]
    return flat[first], label.reshape(rows, columns)


def _merged(labels: IntArray, frame: _Frame, where: str) -> tuple[IntArray, list[Any]]:
    if (labels < 0).all():
        raise PrescriptionError("no cell of the grid is ground with a zone", where=where, cure=_AGAIN)
    return merge_cells(
        labels, north=frame.north, east=frame.east, north_size=frame.north_size, east_size=frame.east_size
    )

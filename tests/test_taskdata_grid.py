"""Grids of task data: order of cells, bytes, ground outside, and cells merged into polygons."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from laws import laws
from taskdata_files import SOUTH, WEST, element, field, grid, polygon, rate, task, taskdata

from geoflow.base.errors import PrescriptionError
from geoflow.isoxml.shapes import merge_cells
from geoflow.isoxml.zones import TaskZones, read_taskdata_zones

NORTH_SIZE, EAST_SIZE = 0.0001, 0.0002


def cell(row: int, column: int) -> shapely.Polygon:
    x, y = WEST + column * EAST_SIZE, SOUTH + row * NORTH_SIZE
    return shapely.box(x, y, x + EAST_SIZE, y + NORTH_SIZE)


def codes_task(rows: int, columns: int, zones: dict[int, int], **more: object) -> str:
    return task(
        *(element("TZN", rate("01B0", value), A=code) for code, value in zones.items()), grid(rows, columns, 1), **more
    )


def read(tmp_path: Path, text: str, data: bytes, *before: str) -> TaskZones:
    return read_taskdata_zones(taskdata(tmp_path, *before, text, files={"grd00001.bin": data}))


def same(found: object, wanted: object) -> bool:
    return bool(shapely.equals_exact(shapely.normalize(found), shapely.normalize(wanted), tolerance=1e-10))


def covers(zones: TaskZones, row: int, column: int) -> list[int]:
    """Rows of the table that hold the middle of a cell."""
    middle = cell(row, column).centroid
    return [at for at, shape in enumerate(zones.table.geometry) if shape.contains(middle)]


def test_a_grid_of_zones_begins_in_the_south_west_and_runs_east(tmp_path: Path) -> None:
    # As two independent open readers have it: row-major, first cell south-west, east along the row, then one row
    # north. Three rows of four cells.
    codes = [1, 1, 2, 2, 1, 1, 2, 2, 3, 3, 3, 3]
    zones = read(tmp_path, codes_task(3, 4, {0: 0, 1: 10000, 2: 12000, 3: 14000}), bytes(codes))
    assert zones.form == "grid of zones"
    assert list(zones.table["zone"]) == [1, 2, 3]
    assert list(zones.table["rate_01B0_kg_n_ha"]) == [100.0, 120.0, 140.0]
    assert zones.table.geometry[0].bounds == pytest.approx((WEST, SOUTH, WEST + 0.0004, SOUTH + 0.0002), abs=1e-10)
    assert zones.table.geometry[1].bounds == pytest.approx(
        (WEST + 0.0004, SOUTH, WEST + 0.0008, SOUTH + 0.0002), abs=1e-10
    )
    assert zones.table.geometry[2].bounds == pytest.approx(
        (WEST, SOUTH + 0.0002, WEST + 0.0008, SOUTH + 0.0003), abs=1e-10
    )


def test_a_grid_of_rates_holds_numbers_per_variable_in_the_zones_order(tmp_path: Path) -> None:
    # Worked through with two independent open readers: 3 rows, 4 columns, 2 numbers per cell.
    cells = [(100 * row + 10 * column, 1000 * row + column) for row in range(3) for column in range(4)]
    data = b"".join(struct.pack("<2i", *pair) for pair in cells)
    text = task(element("TZN", rate("01B0", 0), rate("0006", 0), A=5), grid(3, 4, 2, J=5), fallback=None)
    zones = read(tmp_path, text, data)
    assert zones.form == "grid of rates"
    assert len(data) == 96
    for row in range(3):
        for column in range(4):
            (at,) = covers(zones, row, column)
            stored = cells[row * 4 + column]
            assert zones.table["rate_01B0_kg_n_ha"][at] == pytest.approx(stored[0] / 100)
            assert zones.table["rate_0006_kg_nh3_ha"][at] == pytest.approx(stored[1] / 100)


def test_numbers_are_signed_and_little_endian(tmp_path: Path) -> None:
    text = task(element("TZN", rate("01B0", 0), A=1), grid(1, 2, 2), fallback=None)
    zones = read(tmp_path, text, bytes.fromhex("ffffffff 00010000"))
    assert sorted(zones.table["rate_01B0_kg_n_ha"]) == [-0.01, 2.56]
    assert any("does not name its zone" in note.text for note in zones.notes)


def test_equal_rates_far_apart_are_one_zone(tmp_path: Path) -> None:
    text = task(element("TZN", rate("01B0", 0), A=1), grid(1, 3, 2, J=1), fallback=None)
    zones = read(tmp_path, text, struct.pack("<3i", 9000, 12000, 9000))
    assert list(zones.table["rate_01B0_kg_n_ha"]) == [90.0, 120.0]
    assert same(zones.table.geometry[0], shapely.MultiPolygon([cell(0, 0), cell(0, 2)]))


def outline(*corners: tuple[int, int]) -> str:
    """Boundary of the field through corners of cells, (row, column)."""
    return field(polygon(1, [(WEST + column * EAST_SIZE, SOUTH + row * NORTH_SIZE) for row, column in corners]))


def test_nothing_to_apply_is_ground_inside_the_boundary_and_none_outside(tmp_path: Path) -> None:
    # 0 means "apply nothing"; whether a cell is outside the field is never told by its value alone.
    inside = outline((0, 0), (0, 3), (1, 3), (1, 0))
    text = task(element("TZN", rate("01B0", 0), A=1), grid(2, 3, 2, J=1), fallback=None)
    data = struct.pack("<6i", 9000, 0, 9000, 0, 0, 0)
    zones = read(tmp_path / "a", text, data, inside)
    assert covers(zones, 0, 1) == [0]
    assert zones.table["rate_01B0_kg_n_ha"][0] == 0.0
    assert not any(covers(zones, 1, column) for column in range(3))
    assert any("3 cells without a rate lie outside" in note.text for note in zones.notes)
    unbounded = read(tmp_path / "b", text, data)
    assert covers(unbounded, 1, 0) == [0]
    assert any("4 cells without a rate and no boundary" in note.text for note in unbounded.notes)


def test_the_zone_for_outside_is_no_ground_without_a_boundary(tmp_path: Path) -> None:
    text = codes_task(1, 4, {0: 0, 1: 9000, 7: 0})
    zones = read(tmp_path / "a", text, bytes([0, 1, 7, 0]))
    assert list(zones.table["zone"]) == [1, 7], "zone 7 asks for nothing but is not the one for outside"
    assert any("2 cells with zone code 0" in note.text for note in zones.notes)
    # With a rate of its own the zone for outside is ground like any other.
    rated = read(tmp_path / "b", codes_task(1, 2, {0: 5000, 1: 9000}), bytes([0, 1]))
    assert sorted(rated.table["zone"]) == [0, 1]


def test_inside_the_boundary_the_zone_for_outside_is_ground(tmp_path: Path) -> None:
    inside = outline((0, 0), (0, 3), (1, 3), (1, 0))
    zones = read(tmp_path, codes_task(2, 3, {0: 0, 1: 9000}), bytes([1, 0, 1, 0, 0, 0]), inside)
    assert list(zones.table["zone"]) == [0, 1]
    assert len(covers(zones, 0, 1)) == 1
    assert covers(zones, 1, 1) == []


def test_codes_the_task_does_not_have_are_told(tmp_path: Path) -> None:
    zones = read(tmp_path, codes_task(1, 3, {0: 0, 1: 9000}), bytes([1, 255, 17]))
    assert any("2 cells with the zone codes 17, 255" in note.text for note in zones.notes)
    assert list(zones.table["zone"]) == [1]


HUGE = codes_task(4_000_000_000, 4_000_000_000, {1: 1}).replace('"0.0001"', '"1e-9"').replace('"0.0002"', '"1e-9"')


@pytest.mark.parametrize(
    ("text", "data", "what"),
    [
        (codes_task(2, 2, {0: 0, 1: 9000}), b"\x01\x01\x01", "needs 4 bytes"),
        (codes_task(0, 2, {0: 0, 1: 9000}), b"", "no grid of 0 rows"),
        (HUGE, b"\x01", "needs 16,000,000,000,000,000,000 bytes"),
        (HUGE.replace('C="1e-9"', 'C="1e-7"'), b"\x01", "beyond the earth"),
        (codes_task(1, 1, {1: 9000}).replace('I="1"/>', 'I="3"/>'), b"\x01", "no type of grid"),
        (codes_task(1, 1, {1: 9000}).replace('C="0.0001"', 'C="-1"'), b"\x01", "no grid of"),
        (codes_task(1, 1, {1: 9000}).replace('E="1"', 'E="1.5"'), b"\x01", "no whole number"),
        (codes_task(1, 1, {1: 9000}).replace('A="42.0"', 'A="95"'), b"\x01", "beyond the earth"),
        (codes_task(1, 1, {1: 9000}), b"\x09", "no cell of the grid is ground"),
        (task(element("TZN", rate("01B0", 0), A=1), grid(1, 1, 2, J=4)), bytes(4), "names zone 4"),
        (task(element("TZN", A=1), element("TZN", A=2), grid(1, 1, 2)), bytes(4), "the task has 2"),
        (task(element("TZN", A=1), grid(1, 1, 2, J=1)), bytes(4), "carries no variable"),
    ],
)
def test_grids_that_cannot_be_are_refused(tmp_path: Path, text: str, data: bytes, what: str) -> None:
    with pytest.raises(PrescriptionError) as caught:
        read(tmp_path, text, data)
    assert what in caught.value.what
    assert caught.value.where and caught.value.cure


def test_a_missing_file_and_too_many_cells_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(PrescriptionError, match=r"GRD00001\.BIN is missing"):
        read_taskdata_zones(taskdata(tmp_path / "a", codes_task(1, 1, {1: 1})))
    monkeypatch.setattr("geoflow.isoxml.grid.MOST_CELLS", 3)
    with pytest.raises(PrescriptionError, match="more than 3"):
        read(tmp_path / "b", codes_task(2, 2, {1: 1}), bytes([1] * 4))


def test_bytes_too_many_are_told(tmp_path: Path) -> None:
    zones = read(tmp_path, codes_task(1, 1, {1: 9000}), b"\x01\x00\x00")
    assert any("2 bytes longer" in note.text for note in zones.notes)


def test_an_exponent_in_the_size_of_a_cell_is_allowed(tmp_path: Path) -> None:
    text = codes_task(1, 1, {1: 9000}).replace('C="0.0001"', 'C="1E-4"')
    assert same(read(tmp_path, text, b"\x01").table.geometry[0], cell(0, 0))


@laws(60)
@given(
    st.integers(1, 7).flatmap(
        lambda rows: st.integers(1, 7).flatmap(
            lambda columns: st.lists(st.integers(-1, 3), min_size=rows * columns, max_size=rows * columns).map(
                lambda cells: np.array(cells, dtype=np.int64).reshape(rows, columns)
            )
        )
    )
)
def test_merged_cells_are_the_union_of_their_cells(labels: np.ndarray) -> None:
    """The reference is GEOS's own union of plain boxes, cell by cell."""
    found, shapes = merge_cells(labels, north=SOUTH, east=WEST, north_size=NORTH_SIZE, east_size=EAST_SIZE)
    assert found.tolist() == sorted(set(labels[labels >= 0].tolist()))
    for label, shape in zip(found, shapes, strict=True):
        wanted = shapely.union_all([cell(*at) for at in np.argwhere(labels == label)])
        assert shape.is_valid
        assert shapely.symmetric_difference(shape, wanted).area < 1e-6 * EAST_SIZE * NORTH_SIZE
    # Neighbours share every corner, so that no hairline opens where the ground is projected.
    assert shapely.coverage_is_valid(np.array(shapes, dtype=object))


def test_a_long_straight_edge_has_no_corner_in_between() -> None:
    _, (shape,) = merge_cells(
        np.zeros((50, 80), dtype=np.int64), north=42.0, east=-95.0, north_size=1e-4, east_size=1e-4
    )
    assert shapely.get_num_coordinates(shape) == 5

"""Rasters of the ground: cells checked by eye and by GDAL, and the files as another library reads them."""

from __future__ import annotations

import contextlib
import io
import json
from pathlib import Path

import numpy as np
import pandas
import pyproj
import pytest
import rasterio
import shapely
from bars import LB_PER_AC
from hypothesis import given
from hypothesis import strategies as st
from laws import laws
from rasterio.enums import MergeAlg
from rasterio.features import rasterize
from rasterio.transform import from_origin
from simulated_files import Files, write
from simulator import Field
from test_swaths import rectangles, turn_on_the_spot

from geoflow import cli
from geoflow.base.errors import OutputError
from geoflow.ground.geometry import local_frame
from geoflow.layers.ground_rasters import GroundGrid, lay_grid, mark_grid, usual_cell, write_raster

ACRE = 4046.8564224
NONE = np.array([], dtype=object)


def box(west: float, south: float, east: float, north: float) -> np.ndarray:
    """A strip driven north: rear left, rear right, front right, front left."""
    return np.array([[west, south], [east, south], [east, north], [west, north]], dtype=float)


def lay(
    quads: list[np.ndarray] | np.ndarray, applied: object = 0.01, target: object = np.nan, **more: object
) -> GroundGrid:
    shapes = np.asarray(quads, dtype=float).reshape(-1, 4, 2)
    rates = np.stack([np.broadcast_to(np.asarray(one, float), (len(shapes),)) for one in (applied, target)])
    given = {"zones": NONE, "zone_rate": np.zeros(0), "boundary": None, "cell": 1.0} | more
    return lay_grid(shapes, rates, **given)  # type: ignore[arg-type]


# By eye


def test_two_strips_that_overlap() -> None:
    """Rows from the north, cells of 1 m: one strip in columns 0 and 1, the other in 1 and 2, a row further up."""
    grid = lay([box(0, 0, 2, 2), box(1, 1, 3, 3)], [0.01, 0.02], [0.01, 0.03])
    assert (grid.west, grid.north, grid.cell) == (0.0, 3.0, 1.0)
    np.testing.assert_array_equal(grid.passes, [[0, 1, 1], [1, 2, 1], [1, 1, 0]])
    blank = np.nan
    np.testing.assert_allclose(grid.applied, [[blank, 0.02, 0.02], [0.01, 0.03, 0.02], [0.01, 0.01, blank]])
    # Without a map the mean of what was asked of the strips there; all they laid down, over it.
    np.testing.assert_allclose(grid.target, [[blank, 0.03, 0.03], [0.01, 0.02, 0.03], [0.01, 0.01, blank]])
    assert grid.ratio[1, 1] == pytest.approx(1.5)
    np.testing.assert_array_equal(grid.field, grid.passes > 0)


def test_the_map_and_the_boundary_decide_on_target_and_field() -> None:
    zones = np.array([shapely.box(0, 0, 4, 4), shapely.box(2, 0, 6, 4)], dtype=object)
    grid = lay([box(0, 0, 6, 2)], 0.01, 0.5, zones=zones, zone_rate=np.array([0.01, 0.02]))
    np.testing.assert_allclose(grid.target, np.tile([0.01, 0.01, 0.02, 0.02, 0.02, 0.02], (4, 1)))
    assert grid.field.all()
    assert (grid.passes[:2] == 0).all()
    bounded = lay([box(0, 0, 6, 2)], zones=zones, zone_rate=np.array([0.01, 0.02]), boundary=shapely.box(1, 1, 5, 5))
    assert bounded.field.sum() == 16
    assert bounded.field.shape == (5, 6)
    assert not bounded.field[:, 0].any()
    assert np.isnan(bounded.target[0]).all()


def test_a_rate_that_was_not_logged_leaves_only_its_own_cells_open() -> None:
    grid = lay([box(0, 0, 2, 1), box(1, 0, 3, 1), box(3, 0, 5, 1)], [0.01, np.nan, 0.02], [0.01, 0.01, np.nan])
    np.testing.assert_allclose(grid.applied, [[0.01, np.nan, np.nan, 0.02, 0.02]])
    np.testing.assert_allclose(grid.target, [[0.01, 0.01, 0.01, np.nan, np.nan]])
    np.testing.assert_array_equal(grid.passes, [[1, 2, 1, 1, 1]])
    assert lay([box(0, 0, 2, 1)], 0.0).applied.tolist() == [[0.0, 0.0]]


def test_borders_through_the_middle_of_cells_count_once() -> None:
    """Strips of 1 m side by side, half a cell away from the grid's lines, forth and back."""
    edges = np.arange(12) + 0.5
    quads = [box(a, 0.5, a + 1, 9.5) if k % 2 else box(a, 0.5, a + 1, 9.5)[[2, 3, 0, 1]] for k, a in enumerate(edges)]
    grid = lay([*quads, box(0, 0, 0.1, 0.1), box(12.9, 9.9, 13, 10)])
    assert set(np.unique(grid.passes)) == {0.0, 1.0}
    assert grid.passes.sum() == 9 * 12


def test_marks_are_where_the_strips_are() -> None:
    grid = lay([box(0, 0, 4, 4)])
    marked = mark_grid(grid, np.stack([box(0, 0, 1, 2), box(0, 1, 2, 2)]))
    np.testing.assert_array_equal(marked[:2], np.zeros((2, 4), bool))
    np.testing.assert_array_equal(marked[2:], [[True, True, False, False], [True, False, False, False]])
    assert not mark_grid(grid, np.zeros((0, 4, 2))).any()


def test_the_usual_cell() -> None:
    assert usual_cell(1e4, 0.76) == pytest.approx(0.19)
    assert usual_cell(1e4, 18.0) == 0.5
    assert usual_cell(1e4, 0.1) == 0.1
    assert usual_cell(8e6, 18.0) == 2.0  # 2 million of 4 m2
    assert usual_cell(72e6, 18.0) == 6.0


def test_a_row_left_out_shows_at_the_usual_size() -> None:
    """Two passes of 18 m, 30 in between them, on a field of 40 ha: a stripe of missed cells all along."""
    field = np.array([shapely.box(0.0, 0.0, 36.76, 1000.0), shapely.box(36.76, 0, 400, 1000)], dtype=object)
    grid = lay([box(0, 0, 18, 1000), box(18.76, 0, 36.76, 1000)], zones=field, zone_rate=np.ones(2), cell=None)
    missed = (grid.passes == 0) & (np.arange(grid.passes.shape[1]) * grid.cell < 36.0)
    assert missed.any(axis=1).all()


def test_a_map_of_a_whole_farm_makes_no_huge_raster() -> None:
    farm = np.array([shapely.box(0, 0, 50, 50), shapely.box(20_000, 20_000, 20_050, 20_050)], dtype=object)
    grid = lay([box(0, 0, 18, 2)], zones=farm, zone_rate=np.ones(2), cell=None)
    assert grid.passes.size <= 2.1e6
    with pytest.raises(OutputError, match="more than geoflow makes"):
        lay([box(0, 0, 18, 2)], zones=farm, zone_rate=np.ones(2), cell=1.0)


# Against GDAL, and against areas


@given(seed=st.integers(0, 10**6), n=st.integers(1, 60))
@laws(30)
def test_any_strips_as_gdal_burns_them(seed: int, n: int) -> None:
    quads = np.concatenate([rectangles(seed, n, 60.0), turn_on_the_spot()])
    rate = np.random.default_rng(seed).uniform(0.0, 0.03, len(quads))
    grid = lay(quads, rate, cell=0.7)
    place = from_origin(grid.west, grid.north, 0.7, 0.7)
    for values, mine in ((np.ones(len(quads)), grid.passes), (rate, np.nan_to_num(grid.applied))):
        theirs = rasterize(
            zip(shapely.polygons(quads), values.tolist(), strict=True), out_shape=mine.shape, transform=place,
            merge_alg=MergeAlg.add, dtype="float64",
        )  # fmt: skip
        np.testing.assert_allclose(mine, theirs, atol=1e-9)


def test_sums_over_cells_are_areas() -> None:
    """Cells of 0.2 m on strips 3 to 18 m wide: the whole within 0.3 %, by the edges' chance."""
    quads = rectangles(3, 300, 100.0)
    rate = np.random.default_rng(3).uniform(0.005, 0.03, 300)
    grid = lay(quads, rate, cell=0.2)
    area = shapely.area(shapely.polygons(quads))
    assert grid.passes.sum() * 0.04 == pytest.approx(area.sum(), rel=3e-3)
    assert np.nansum(grid.applied) * 0.04 == pytest.approx(area @ rate, rel=3e-3)
    assert (grid.passes > 0).sum() * 0.04 == pytest.approx(shapely.union_all(shapely.polygons(quads)).area, rel=3e-3)


# The files


def test_a_file_says_what_it_holds(tmp_path: Path) -> None:
    frame = local_frame(-93.5, 42.0)
    grid = lay([box(10, 20, 12, 21), box(12, 21, 14, 22)], [0.01, 0.02])
    write_raster(tmp_path / "a.tif", grid.applied, grid, frame, what="nitrogen applied", unit="lb N/ac")
    with rasterio.open(tmp_path / "a.tif") as raster:
        assert pyproj.CRS.from_user_input(raster.crs.to_wkt()).is_exact_same(frame) or raster.crs == frame
        assert (raster.count, raster.dtypes, raster.res) == (1, ("float32",), (1.0, 1.0))
        assert np.isnan(raster.nodata)
        assert (raster.bounds.left, raster.bounds.top) == (10.0, 22.0)
        assert raster.descriptions == ("nitrogen applied [lb N/ac]",)
        assert raster.units == ("lb N/ac",)
        assert raster.tags()["AREA_OR_POINT"] == "Area"
        np.testing.assert_allclose(
            raster.read(1), [[np.nan, np.nan, 0.02, 0.02], [0.01, 0.01, np.nan, np.nan]], rtol=1e-6
        )
        # GDAL's own mask: what is no data is masked.
        assert raster.read_masks(1).tolist() == [[0, 0, 255, 255], [255, 255, 0, 0]]


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict, Files]:
    """The command's rasters: four passes with an overlap of 1.5 m; the last record of all, in the north-west, and the
    first, in the south-west, stand out."""
    folder = tmp_path_factory.mktemp("ground")
    files = write(
        folder, Field(offsets=(0.0, 0.0, 1.5, 1.5), rates=(180 * LB_PER_AC,), standing=0, length=200.0, noise=0.0)
    )
    table = pandas.read_csv(files.log)
    table["applied (kg N/ha)"] = 200.0
    corner = (table["latitude"] > table["latitude"].max() - 1e-4) & (
        table["longitude"] > table["longitude"].max() - 5e-5
    )
    assert 2 <= corner.sum() <= 24
    table.loc[corner, "applied (kg N/ha)"] = 500.0
    table.to_csv(files.log, index=False)
    with contextlib.redirect_stdout(io.StringIO()):
        assert cli.main([*files.usual, "--out", str(folder / "out"), "--cell", "0.25 m"]) == 1
    return folder / "out", json.loads((folder / "out" / "reconcile.json").read_text()), files


def test_the_rasters_agree_with_the_numbers(written: tuple[Path, dict, Files]) -> None:
    """Sums of cells of 0.25 m against the vector numbers: edges of 12 passes' sides of 200 m, within 0.5 %."""
    folder, said, _ = written
    layers = {}
    for name in ("applied", "ratio", "passes"):
        with rasterio.open(folder / f"{name}.tif") as raster:
            layers[name] = raster.read(1, masked=True).astype(float).filled(0.0 if name == "passes" else np.nan)
            assert raster.res == (0.25, 0.25)
    cell = 0.25**2 / ACRE
    assert layers["passes"].sum() * cell == pytest.approx(said["coverage"]["swept_ac"], rel=5e-3)
    assert (layers["passes"] > 0).sum() * cell == pytest.approx(said["coverage"]["covered_ac"], rel=5e-3)
    assert (layers["passes"] > 1).sum() * cell == pytest.approx(said["coverage"]["doubled_ac"], rel=0.1)
    assert np.nansum(layers["applied"]) * cell == pytest.approx(said["totals"]["applied_lb_n"], rel=5e-3)
    assert np.isnan(layers["applied"][layers["passes"] == 0]).all()
    assert np.isfinite(layers["applied"][layers["passes"] > 0]).all()
    near = np.abs(layers["ratio"] - 200.0 / (180 * 1.1208511561944561)) < 1e-3
    assert near.sum() > 0.8 * (layers["passes"] == 1).sum()
    # Where passes overlap, the sum of both.
    twice = layers["ratio"][(layers["passes"] == 2) & np.isfinite(layers["ratio"])]
    assert np.median(twice) == pytest.approx(2 * 200.0 / 201.753, rel=1e-3)


def test_north_is_up_and_east_is_right(written: tuple[Path, dict, Files]) -> None:
    """The only records of 500 kg/ha lie in the north-east; looked up by their own longitude and latitude."""
    folder, _, files = written
    table = pandas.read_csv(files.log)
    with rasterio.open(folder / "applied.tif") as raster:
        onto = pyproj.Transformer.from_crs(4326, raster.crs, always_xy=True)
        shown = []
        for row in range(1, len(table)):
            x, y = onto.transform(table["longitude"][row], table["latitude"][row])
            heading = np.radians(table["heading (deg)"][row])
            x, y = x - 0.8 * np.sin(heading) + 2.0 * np.cos(heading), y - 0.8 * np.cos(heading)
            shown.append((next(raster.sample([(x, y)]))[0], table["applied (kg N/ha)"][row]))
        values, logged = np.array(shown).T
        plain = np.isclose(values, logged / 1.1208511561944561, rtol=1e-4)
        # Overlaps and the cells at the very ends apart.
        assert plain.mean() > 0.8
        assert (logged[plain] == 500.0).sum() >= 4
        grid = raster.read(1)
        rows, columns = np.nonzero(np.nan_to_num(grid) > 440.0)
        assert rows.mean() < 0.1 * grid.shape[0]
        assert columns.mean() > 0.8 * grid.shape[1]

"""Rasters: where their cells lie, which become zones, and what is written; files made byte by byte or by rasterio."""

from __future__ import annotations

import struct

import geopandas
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import HealthCheck, given
from hypothesis import strategies as st
from laws import laws
from raster_files import POINT, write_geotiff
from rx_files import EAST, NORTH, UTM
from scipy import ndimage

from geoflow.base.errors import OutputError, PrescriptionError
from geoflow.base.rate_units import rate_unit
from geoflow.base.rates import UnitRates
from geoflow.prescription_files import geotiff as raster
from geoflow.prescription_files.read_prescription import read_prescription
from geoflow.prescription_patch import new_geotiff as raster_out
from geoflow.prescription_patch.new_file import NewForm, write_prescription

LB = rate_unit("lb N/ac")
# Two by three cells of 10 m; the corner of the tests is that of the raster, north-west.
CELLS = np.array([[100.0, 100.0, 120.0], [100.0, 140.0, 120.0]])
CORNER = (EAST, NORTH)
# 1e4 m2 of UTM at the central meridian is this much ground (definition of UTM's k0 = 0.9996).
GROUND = 1 / 0.9996**2


def read(path, **options):
    return read_prescription(path, **{"rate_unit": "lb N/ac", **options})


def refused(path, *expected, **options):
    with pytest.raises(PrescriptionError) as caught:
        read(path, **options)
    for part in expected:
        assert part in str(caught.value), str(caught.value)
    assert caught.value.cure


def said(prescription):
    return "\n".join(note.text for note in prescription.notes)


def corners_of(prescription, rate):
    """Corners of the one zone with this rate as x, y in the file's system."""
    (at,) = np.flatnonzero(prescription.rate == rate)
    return {tuple(point) for point in shapely.get_coordinates(prescription.table.geometry.iloc[at]).tolist()}


def cell_corners(column, row, wide=1, high=1, step=10.0, at=CORNER):
    """Corners of a block of cells counted from the north-west, by hand."""
    return {(at[0] + step * (column + i * wide), at[1] - step * (row + j * high)) for i in (0, 1) for j in (0, 1)}


def save(path, cells, *, crs=UTM, transform=None, bands=1, **options):
    move = transform or rasterio.transform.from_origin(*CORNER, 10, 10)
    profile = {"width": cells.shape[-1], "height": cells.shape[-2], "count": bands, "dtype": cells.dtype}
    with rasterio.open(path, "w", driver="GTiff", crs=crs, transform=move, **profile, **options) as file:
        file.write(cells if cells.ndim == 3 else cells[None])
    return path


# Where the cells are


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("kind", ["u1", "i2", "u2", "i4", "f4", "f8"])
def test_cells_lie_where_the_tags_say(tmp_path, order, kind):
    path = write_geotiff(tmp_path / "f.tif", CELLS.astype(kind), corner=CORNER, order=order)
    rx = read(path)
    assert rx.file_format == "geotiff" and rx.crs.to_epsg() == 26915
    assert sorted(rx.rate.tolist()) == [100.0, 120.0, 140.0]
    # The three cells of 100 make an L: its corner to the inside is that of the cell of 140.
    assert corners_of(rx, 140.0) == cell_corners(1, 1)
    assert {(EAST, NORTH), (EAST + 20, NORTH), (EAST + 10, NORTH - 20)} <= corners_of(rx, 100.0)
    assert cell_corners(2, 0, 1, 2) <= corners_of(rx, 120.0)
    assert rx.area[rx.rate == 100.0] == pytest.approx([300 * GROUND], rel=1e-6)
    assert rx.area.sum() == pytest.approx(600 * GROUND, rel=1e-6)


def test_every_cell_by_itself(tmp_path):
    rx = read(write_geotiff(tmp_path / "f.tif", CELLS, corner=CORNER), zones="cell")
    assert rx.rate.tolist() == CELLS.ravel().tolist()
    for at in range(6):
        points = shapely.get_coordinates(rx.table.geometry.iloc[at]).tolist()
        assert {tuple(point) for point in points} == cell_corners(at % 3, at // 3)


def test_pixel_is_point_gives_the_centres(tmp_path):
    # OGC GeoTIFF 1.1, 7.1.2: with PixelIsPoint the tie point is the centre of the cell, with PixelIsArea its corner.
    rx = read(write_geotiff(tmp_path / "f.tif", CELLS, corner=CORNER, raster_type=POINT), zones="cell")
    first = rx.table.geometry.iloc[0]
    assert (first.centroid.x, first.centroid.y) == pytest.approx(CORNER, abs=1e-6)
    assert first.bounds == (EAST - 5, NORTH - 5, EAST + 5, NORTH + 5) and "centres" in said(rx)


def test_rotated_raster(tmp_path):
    # Columns run along (6, 8), rows along (8, -6): a square cell of 10 m turned by the 3-4-5 triangle.
    rx = read(write_geotiff(tmp_path / "f.tif", CELLS, matrix=[6, 8, EAST, 8, -6, NORTH]))
    by_hand = {(EAST + 6 * i + 8 * j, NORTH + 8 * i - 6 * j) for i in (1, 2) for j in (1, 2)}
    assert corners_of(rx, 140.0) == by_hand
    assert rx.area.sum() == pytest.approx(600 * GROUND, rel=1e-6)


def test_south_up_raster(tmp_path):
    rx = read(write_geotiff(tmp_path / "f.tif", CELLS, matrix=[10, 0, EAST, 0, 10, NORTH]))
    assert corners_of(rx, 140.0) == {(EAST + 10 * i, NORTH + 10 * j) for i in (1, 2) for j in (1, 2)}
    assert rx.dropped == {} and (rx.area > 0).all()


def test_degrees_and_feet(tmp_path):
    path = write_geotiff(tmp_path / "d.tif", CELLS, epsg=4326, geographic=True, corner=(-93.5, 42.0), size=(1e-4, 2e-4))
    rx = read(path, zones="cell")
    # Karney's geodesic area of each cell, from the library of its author.
    for at in range(6):
        ring = Geodesic.WGS84.Polygon()
        for x, y in shapely.get_coordinates(rx.table.geometry.iloc[at])[:-1]:
            ring.AddPoint(y, x)
        assert rx.area[at] == pytest.approx(abs(ring.Compute()[2]), rel=1e-6)
    assert rx.table.geometry.iloc[0].bounds == pytest.approx((-93.5, 41.9998, -93.4999, 42.0), abs=1e-12)
    # Iowa North in US survey feet, EPSG:3417.
    iowa = pyproj.Transformer.from_crs(UTM, 3417, always_xy=True).transform(*CORNER)
    feet = read(write_geotiff(tmp_path / "f.tif", CELLS, epsg=3417, corner=iowa, size=(30.0, 30.0)))
    # 6 cells of 30 survey feet (1200/3937 m); the zone's scale there is within 1 in 10,000 of 1.
    assert feet.area.sum() == pytest.approx(6 * (30 * 1200 / 3937) ** 2, rel=3e-4)


def test_no_coordinate_system(tmp_path):
    metres = write_geotiff(tmp_path / "m.tif", CELLS, epsg=None, corner=CORNER)
    refused(metres, "does not say its coordinate system", "--crs EPSG:")
    assert read(metres, crs=UTM).area.sum() == pytest.approx(600 * GROUND, rel=1e-6)
    degrees = write_geotiff(tmp_path / "d.tif", CELLS, epsg=None, corner=(-93.5, 42.0), size=(1e-4, 1e-4))
    assert "DOES NOT SAY ITS COORDINATE SYSTEM" in said(read(degrees))


def test_world_file_places_a_bare_tiff(tmp_path):
    path = write_geotiff(tmp_path / "f.tif", CELLS, epsg=None)
    refused(path, "does not say where it lies", "world file")
    # A world file gives the centre of the first cell: x step, two turns, y step, x, y.
    (tmp_path / "f.tfw").write_text(f"10\n0\n0\n-10\n{EAST + 5}\n{NORTH - 5}\n")
    assert corners_of(read(path, crs=UTM), 140.0) == cell_corners(1, 1)


def test_long_edges_in_degrees_meet_their_neighbours(tmp_path):
    # One zone 3.6 km wide above many narrow ones: its southern edge would bend 0.3 m off them without their corners.
    cells = np.full((40, 500), 100.0)
    cells[20:] = 110.0 + np.arange(500) // 5
    path = write_geotiff(tmp_path / "f.tif", cells, epsg=4326, geographic=True, corner=(-93.5, 49), size=(1e-4, 1e-4))
    rx = read(path)
    assert len(rx.row) == 101
    assert not {note.kind for note in rx.notes} & {"overlap", "gap", "hairline", "sliver"}, said(rx)
    assert read(path, zones="cell").area.sum() == pytest.approx(rx.area.sum(), rel=3e-6)


# Which cells become zones


def test_cells_without_a_value_are_no_zone_and_are_counted(tmp_path):
    cells = CELLS.copy()
    cells[0, 0], cells[1, 2] = -1.0, np.nan
    rx = read(write_geotiff(tmp_path / "f.tif", cells, corner=CORNER, nodata="-1"))
    assert rx.area.sum() == pytest.approx(400 * GROUND, rel=1e-6) and "2 cells hold no value" in said(rx)
    # 100 falls into two zones now: its cells meet at a corner only.
    assert sorted(rx.rate.tolist()) == [100.0, 100.0, 120.0, 140.0]
    cells[:] = np.nan
    refused(write_geotiff(tmp_path / "n.tif", cells, corner=CORNER), "no cell of the raster holds a value")


def test_masks_and_alpha_bands(tmp_path):
    path = save(tmp_path / "m.tif", CELLS.astype("u1"))
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True), rasterio.open(path, "r+") as file:
        file.write_mask(CELLS != 120.0)
    rx = read(path)
    assert sorted(rx.rate.tolist()) == [100.0, 140.0] and "2 cells hold no value" in said(rx)
    both = np.stack([CELLS, np.where(CELLS == 100, 0, 255)]).astype("u1")
    save(tmp_path / "a.tif", both, bands=2, photometric="MINISBLACK", ALPHA="YES")
    assert sorted(read(tmp_path / "a.tif").rate.tolist()) == [120.0, 140.0]


def test_undeclared_nodata_and_zeros_are_said(tmp_path):
    cells = CELLS.copy()
    cells[0, :2] = -9999.0, 0.0
    rx = read(write_geotiff(tmp_path / "f.tif", cells, corner=CORNER))
    assert sum(len(rows) for rows in rx.dropped.values()) == 1
    assert any("-9999" in cause for cause in rx.dropped)
    assert "1 cells hold 0, which is read as a rate of zero" in said(rx)


def test_scale_and_offset_are_applied_and_said(tmp_path):
    path = save(tmp_path / "f.tif", np.array([[1203, 905]], dtype="i2"))
    with rasterio.open(path, "r+") as file:
        file.scales, file.offsets = (0.1,), (-10.0,)
    rx = read(path)
    assert sorted(rx.rate.tolist()) == [80.5, 110.3]  # 90.5 - 10 and 120.3 - 10, no digits of noise
    assert "0.1 times the number plus -10" in said(rx)


def test_four_byte_numbers_are_the_decimals_they_stand_for(tmp_path):
    rx = read(write_geotiff(tmp_path / "f.tif", np.array([[120.1, 99.95]], dtype="f4"), corner=CORNER))
    assert sorted(rx.rate.tolist()) == [99.95, 120.1]


def test_bands_are_asked_for_and_named(tmp_path):
    path = save(tmp_path / "f.tif", np.stack([CELLS, CELLS + 1, CELLS + 2]), bands=3, photometric="MINISBLACK")
    with rasterio.open(path, "r+") as file:
        file.set_band_description(2, "spring rate")
    refused(path, "3 bands", '"band 2" (spring rate)')
    for name in ("band 2", "Band2", "2", "spring rate", "Spring Rate"):
        rx = read(path, rate_column=name)
        assert sorted(rx.rate.tolist()) == [101.0, 121.0, 141.0] and rx.rate_column == "spring rate"
    assert read(path, rate_column="3").rate_column == "band 3"
    refused(path, "no band 'band 4'", rate_column="band 4")
    refused(path, "no band 'sprng rate'; did you mean 'spring rate'", rate_column="sprng rate")
    refused(path, "no layer 'x'", layer="x", rate_column="1")


def test_unit_of_a_band(tmp_path):
    path = save(tmp_path / "f.tif", CELLS)
    refused(path, "does not say what the numbers in 'band 1' count", rate_unit=None)
    with rasterio.open(path, "r+") as file:
        file.units = ("kg N/ha",)
    rx = read(path, rate_unit=None)
    assert rx.rate_unit.text == "kg N/ha" and "file itself gives the unit" in said(rx)
    refused(path, "--rate-unit says lb N/ac", "kg N/ha", rate_unit="lb N/ac")
    with rasterio.open(path, "r+") as file:
        file.set_band_description(1, "rate_lb_n_ac")
    refused(path, "the unit of band 1 says 'kg N/ha'", "rate_lb_n_ac", rate_unit=None)
    with rasterio.open(path, "r+") as file:
        file.units = ("dn",)
    assert read(path, rate_unit=None).rate_unit.text == "lb N/ac"


@laws(60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    cells=st.integers(1, 9).flatmap(
        lambda width: st.lists(
            st.lists(st.sampled_from([0, 1, 2, 3]), min_size=width, max_size=width), min_size=1, max_size=9
        )
    )
)
def test_zones_are_the_connected_cells_of_equal_value(tmp_path, cells):
    """Against scipy.ndimage.label, which joins cells along edges: same count, and every cell in its own zone alone."""
    cells = np.array(cells, dtype="i2")
    if not (cells > 0).any():
        return
    rx = read(write_geotiff(tmp_path / "f.tif", cells, corner=CORNER, nodata="0"), rate_column="band 1")
    count = sum(ndimage.label(cells == value)[1] for value in (1, 2, 3))
    assert len(rx.row) == count and rx.table.geometry.is_valid.all()
    row, column = np.nonzero(cells)
    x, y = EAST + 10 * column + 5, NORTH - 10 * row - 5
    inside = shapely.contains_xy(rx.table.geometry.to_numpy()[:, None], x, y)
    assert (inside.sum(axis=0) == 1).all()
    assert (rx.rate[inside.argmax(axis=0)] == cells[row, column]).all()
    assert rx.table.geometry.area.sum() == pytest.approx(100 * len(row), rel=1e-12)
    assert raster._least_zones(cells.astype("i4")) <= count


# Refusals


def test_too_many_cells_or_zones_are_refused_politely(tmp_path, monkeypatch):
    path = write_geotiff(tmp_path / "f.tif", np.arange(100.0).reshape(10, 10), corner=CORNER)
    monkeypatch.setattr(raster, "MOST_ZONES", 99)
    refused(path, "at least 100 zones, and at most 99", "fewer classes")
    refused(path, "100 zones, and at most 99", "--zones class", zones="cell")
    monkeypatch.setattr(raster, "MOST_CELLS", 99)
    refused(path, "100 cells, and at most 99", "cut it to the field")


def test_islands_in_a_zone_do_not_hide_how_many_there_are(tmp_path, monkeypatch):
    cells = np.full((21, 21), 50.0)
    cells[1::2, 1::2] = 60.0
    monkeypatch.setattr(raster, "MOST_ZONES", 50)
    refused(write_geotiff(tmp_path / "f.tif", cells, corner=CORNER), "at least 100 zones")


def test_files_that_are_no_geotiff(tmp_path):
    path = tmp_path / "f.tif"
    refused(path, "no such file")
    path.write_bytes(b"")
    refused(path, "the file is empty")
    path.write_bytes(b"<!DOCTYPE html>")
    refused(path, "this is no TIFF", "DOCTYPE")
    whole = write_geotiff(path, np.random.default_rng(0).random((50, 50)), corner=CORNER).read_bytes()
    for cut in (4, 5_000, len(whole) - 2_000, len(whole) - 40):
        path.write_bytes(whole[:cut])
        refused(path)
    refused(write_geotiff(path, CELLS, matrix=[0, 0, EAST, 0, 0, NORTH]), "does not say where it lies")


def test_single_points_and_several_images(tmp_path):
    path = tmp_path / "g.tif"
    with rasterio.open(path, "w", driver="GTiff", width=3, height=2, count=1, dtype="float64") as file:
        file.write(CELLS[None])
        points = [rasterio.control.GroundControlPoint(r, c, EAST + c, NORTH - r) for r in (0, 2) for c in (0, 3)]
        file.gcps = points, rasterio.CRS.from_string(UTM)
    refused(path, "single points only", "warp it")
    # Two pages: the second directory of the TIFF is linked from the first (TIFF 6.0, section 2).
    one = write_geotiff(tmp_path / "p.tif", CELLS, corner=CORNER).read_bytes()
    start = struct.unpack_from("<I", one, 4)[0]
    count = struct.unpack_from("<H", one, start)[0]
    link = start + 2 + 12 * count
    entries = bytearray(one[start : link + 4])
    two = bytearray(one)
    struct.pack_into("<I", two, link, len(one))
    (tmp_path / "p.tif").write_bytes(bytes(two) + bytes(entries))
    refused(tmp_path / "p.tif", "2 images")


def test_zones_option_is_for_rasters(tmp_path):
    frame = geopandas.GeoDataFrame({"rate": [100.0]}, geometry=[shapely.box(EAST, NORTH, EAST + 9, NORTH + 9)], crs=UTM)
    for name in ("f.gpkg", "f.parquet"):
        frame.to_parquet(tmp_path / name) if "par" in name else frame.to_file(tmp_path / name)
        refused(tmp_path / name, "--zones", "leave --zones out", zones="cell")


# Writing


def field(path, crs=UTM, turn=20.0):
    """Three strips and a ring around an island, turned so that no edge follows a grid."""
    strips = [shapely.box(EAST + 90 * i, NORTH, EAST + 90 * (i + 1), NORTH + 350) for i in range(3)]
    island = shapely.box(EAST + 20, NORTH + 100, EAST + 70, NORTH + 160)
    shapes = shapely.affinity.rotate(
        shapely.geometrycollections([strips[0].difference(island), island, *strips[1:]]), turn, origin=CORNER
    )
    frame = geopandas.GeoDataFrame({"rate_lb_n_ac": [120.1, 0.0, 150.3, 99.95]}, geometry=list(shapes.geoms), crs=UTM)
    frame.to_crs(crs).to_file(path)
    return read_prescription(path)


@pytest.mark.parametrize("crs", [UTM, "EPSG:4326", "EPSG:3417", "EPSG:3857", "EPSG:5070"])
def test_a_cell_has_the_rate_of_the_zone_at_its_centre(tmp_path, crs):
    rx = field(tmp_path / "f.gpkg", crs)
    done = write_prescription(rx, UnitRates(rx.rate, LB), tmp_path / "f.tif", form=NewForm(cell=7.0), replace=False)
    with rasterio.open(tmp_path / "f.tif") as file:
        band, crs_out, nodata = file.read(1), file.crs, file.nodata
        assert file.tags()["AREA_OR_POINT"] == "Area" and file.dtypes == ("float32",)
        assert (file.descriptions, file.units, file.count) == (("rate_lb_n_ac",), ("lb N/ac",), 1)
        rows, columns = np.indices(band.shape)
        x, y = file.xy(rows.ravel(), columns.ravel())  # the centres, as rasterio has them
        unit = pyproj.CRS(crs_out.to_wkt()).axis_info[0].unit_conversion_factor
        assert np.array(file.res) * unit == pytest.approx([7.0, 7.0], rel=1e-9)
    # By shapely, in the input's system: which zone covers the centre.
    back = pyproj.Transformer.from_crs(crs_out.to_wkt(), rx.crs, always_xy=True)
    points = np.column_stack(back.transform(np.asarray(x), np.asarray(y)))
    found = np.full(band.size, nodata)
    edge = np.zeros(band.size, dtype=bool)
    for shape, rate in zip(rx.table.geometry, rx.rate, strict=True):
        found[shapely.contains_xy(shape, points)] = rate
        edge |= shapely.distance(shapely.boundary(shape), shapely.points(points)) < 1e-3 * shape.length / 1000
    assert (band.ravel()[~edge] == found.astype("f4")[~edge]).all() and edge.mean() < 0.01
    assert (found[~edge] != nodata).sum() * 49 == pytest.approx(rx.area.sum(), rel=0.03)
    # The stated share of the total is that of the cells, whose ground pyproj measures.
    again = read_prescription(tmp_path / "f.tif")
    total = (again.rate * again.area).sum() / (rx.rate * rx.area).sum()
    assert done.kept == pytest.approx(total, abs=2e-5) and done.lost == ()


def test_the_size_of_the_cells_is_chosen_for_the_total(tmp_path):
    rx = field(tmp_path / "f.gpkg")
    done = write_prescription(rx, UnitRates(rx.rate, LB), tmp_path / "f.tif", replace=False)
    assert done.cell in raster_out.CELLS_TRIED and abs(done.kept - 1) <= 1e-3 and done.warnings() == []
    coarse = write_prescription(rx, UnitRates(rx.rate, LB), tmp_path / "c.tif", form=NewForm(cell=120.0), replace=False)
    assert (
        coarse.lost == (1,)
        and "1 zone covers no cell's centre and IS NOT IN THE RASTER (row 2)" in coarse.warnings()[0]
    )
    assert coarse.zones == 3 and abs(coarse.kept - 1) > 1e-3 and "% off" in coarse.warnings()[1]
    with pytest.raises(OutputError, match="no zone covers the centre"):
        write_prescription(rx, UnitRates(rx.rate, LB), tmp_path / "n.tif", form=NewForm(cell=5000.0), replace=False)
    with pytest.raises(OutputError, match="at most 25,000,000"):
        write_prescription(rx, UnitRates(rx.rate, LB), tmp_path / "n.tif", form=NewForm(cell=0.05), replace=False)
    assert not (tmp_path / "n.tif").exists()


def test_rates_beyond_four_bytes_get_eight(tmp_path):
    rx = field(tmp_path / "f.gpkg")
    rates = rx.rate + 1 / 3
    write_prescription(rx, UnitRates(rates, LB), tmp_path / "f.tif", form=NewForm(cell=10.0), replace=False)
    with rasterio.open(tmp_path / "f.tif") as file:
        assert file.dtypes == ("float64",) and set(np.unique(file.read(1))) == {*rates, -9999.0}


@pytest.mark.parametrize(
    "matrix", [[10, 0, EAST, 0, -10, NORTH], [10, 0, EAST, 0, 10, NORTH], [6, 8, EAST, 8, -6, NORTH]]
)
@pytest.mark.parametrize("zones", ["class", "cell"])
def test_a_raster_written_from_a_raster_keeps_its_cells(tmp_path, matrix, zones):
    cells = np.array([[100.0, 100, 120, 7], [100, 140, 120, -1], [9, 140, 100, 120]])
    rx = read(write_geotiff(tmp_path / "f.tif", cells, matrix=matrix, nodata="-1"), zones=zones)
    done = write_prescription(rx, UnitRates(rx.rate * 2, LB), tmp_path / "out.tif", replace=False)
    with rasterio.open(tmp_path / "out.tif") as file:
        assert np.array_equal(file.read(1), np.where(cells < 0, -9999, cells * 2))
        assert list(file.transform[:6]) == matrix and file.crs.to_epsg() == 26915
    assert done.kept == pytest.approx(1.0, abs=1e-5) and done.cell is None
    assert sorted(p.name for p in tmp_path.iterdir()) == ["f.tif", "out.tif"]


def test_raster_of_a_field_in_degrees_keeps_its_degrees(tmp_path):
    path = write_geotiff(tmp_path / "f.tif", CELLS, epsg=4326, geographic=True, corner=(-93.5, 42.0), size=(1e-4, 1e-4))
    rx = read(path)
    done = write_prescription(rx, UnitRates(rx.rate, LB), tmp_path / "o.tif", replace=False)
    with rasterio.open(tmp_path / "o.tif") as file:
        assert np.array_equal(file.read(1), CELLS) and file.crs.to_epsg() == 4326
    assert done.kept == pytest.approx(1.0, abs=1e-5)


@pytest.mark.parametrize(
    ("lon", "lat", "epsg"),
    [
        (-93.2, 42.1, 32615),
        (-90.001, 42.0, 32615),
        (-89.999, 42.0, 32616),
        (149.0, -35.0, 32755),
        (179.99, 40.0, 32660),
        (-179.99, 40.0, 32601),
    ],
)
def test_degrees_go_into_their_utm_zone(lon, lat, epsg):
    # UTM zone n covers 6 n - 186 to 6 n - 180 degrees east; EPSG 326nn north, 327nn south.
    assert raster_out.raster_crs(pyproj.CRS(4326), (lon, lat)).to_epsg() == epsg
    assert raster_out.raster_crs(pyproj.CRS(3857), (lon, lat)).to_epsg() == epsg
    assert raster_out.raster_crs(pyproj.CRS(UTM), (-93.0, 42.0)).to_epsg() == 26915

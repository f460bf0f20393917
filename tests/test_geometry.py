"""Areas against geodesic ones and published polygons; repair and coverage against shapes whose answer is plain."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
import shapely
from published import Row, params, rows, si
from shapely import Polygon, box, from_wkt

from geoflow.ground.geometry import areas, coverage_faults, duplicates, local_frame, mean_widths, repair

GEOD = pyproj.Geod(ellps="WGS84")


def _corners(row: Row) -> tuple[list[float], list[float]]:
    """Longitudes and latitudes."""
    points = [corner.split() for corner in row.text("corners").split(";")]
    return [float(p[1]) for p in points], [float(p[0]) for p in points]


def _geodesic_square(longitude: float, latitude: float, side: float) -> list[tuple[float, float]]:
    """Corners of a square of geodesic edges around a point."""
    half = side / 2
    west, south = GEOD.fwd(*GEOD.fwd(longitude, latitude, 180, half)[:2], 270, half)[:2]
    corners = [(west, south)]
    for bearing in (90, 0, 270):
        corners.append(GEOD.fwd(*corners[-1], bearing, side)[:2])
    return corners


@params("geodesic_polygons")
def test_reference_reproduces_the_published_polygons(row):
    # The yardstick of the tests below is itself held to the test suite of the geodesic library.
    area, perimeter = GEOD.polygon_area_perimeter(*_corners(row))
    assert (abs(area) if row.text("quantity") == "area" else perimeter) == row.expected


@pytest.mark.parametrize("row", [row for row in rows("geodesic_polygons") if row.text("quantity") == "area"])
def test_local_frame_keeps_published_areas(row):
    # Equal-area holds at any size: geodesic edges, cut into 2,000 pieces, enclose the published area in our frame too.
    longitude, latitude = _corners(row)
    corners = list(zip(longitude, latitude, strict=True))
    ring = [p for at in range(len(corners)) for p in _edge(corners[at - 1], corners[at], 2000)]
    centre = (0.0, 90.0) if row.text("polygon") == "cap" else (float(np.mean(longitude)), float(np.mean(latitude)))
    onward = pyproj.Transformer.from_crs(4326, local_frame(*centre), always_xy=True)
    area = areas([Polygon(np.column_stack(onward.transform(*np.array(ring).T)))])[0]
    assert area == pytest.approx(si(f"{row.text('value')} m2"), rel=1e-9)


def _edge(start: tuple[float, float], end: tuple[float, float], pieces: int) -> list[tuple[float, float]]:
    return [start, *GEOD.npts(*start, *end, pieces)]


@pytest.mark.parametrize("latitude", [33.0, 42.0, 49.0, 54.0])
def test_field_area_is_geodesic_to_a_hundredth_ppm_and_utm_is_not(latitude):
    # Geodesic area: pyproj.Geod (GeographicLib). UTM: scale 0.9996 at the central meridian by definition (k0), so
    # areas are off by 0.9996^2 - 1 = -799.84 ppm there; the field is 806 m wide, which moves that by 0.1 ppm at most.
    longitude, side = -93.0, np.sqrt(65e4)
    corners = _geodesic_square(longitude, latitude, side)
    geodesic = abs(GEOD.polygon_area_perimeter(*np.array(corners).T)[0])
    fine = [p for at in range(4) for p in _edge(corners[at - 1], corners[at], 50)]

    def area_in(crs: object) -> float:
        onward = pyproj.Transformer.from_crs(4326, crs, always_xy=True)
        return float(areas([Polygon(np.column_stack(onward.transform(*np.array(fine).T)))])[0])

    assert area_in(local_frame(longitude, latitude)) / geodesic - 1 == pytest.approx(0.0, abs=0.01e-6)
    assert area_in("EPSG:32615") / geodesic - 1 == pytest.approx(-799.84e-6, abs=0.1e-6)


def test_local_frame_puts_its_centre_at_zero_in_metres():
    onward = pyproj.Transformer.from_crs(4326, local_frame(-93.5, 42.25), always_xy=True)
    assert onward.transform(-93.5, 42.25) == pytest.approx((0.0, 0.0), abs=1e-6)
    # 100 m due north by the geodesic is 100 m up.
    assert onward.transform(*GEOD.fwd(-93.5, 42.25, 0, 100)[:2]) == pytest.approx((0.0, 100.0), abs=1e-5)


# Areas below follow from the drawings by counting squares.
MENDED = {
    "bow-tie": ("POLYGON((0 0,10 10,10 0,0 10,0 0))", 50.0, (2, 5), (5, 8)),
    "overlapping parts": ("MULTIPOLYGON(((0 0,4 0,4 4,0 4,0 0)),((2 2,6 2,6 6,2 6,2 2)))", 28.0, (3, 3), (5, 1)),
    "overlapping holes": (
        "POLYGON((0 0,10 0,10 10,0 10,0 0),(1 1,5 1,5 5,1 5,1 1),(3 3,7 3,7 7,3 7,3 3))",
        72.0,
        (8, 8),
        (4, 4),
    ),
    "hole outside": ("POLYGON((0 0,4 0,4 4,0 4,0 0),(10 10,11 10,11 11,10 11,10 10))", 16.0, (2, 2), (10.5, 10.5)),
    "hole half outside": ("POLYGON((0 0,4 0,4 4,0 4,0 0),(3 1,6 1,6 2,3 2,3 1))", 15.0, (2, 2), (5, 1.5)),
    "spike": ("POLYGON((0 0,4 0,4 4,2 4,2 9,2 4,0 4,0 0))", 16.0, (2, 2), (2, 6)),
}


@pytest.mark.parametrize("name", MENDED)
def test_mended_shape_covers_the_ground_it_encloses(name):
    text, area, inside, outside = MENDED[name]
    shapes, report = repair([from_wkt(text)])
    assert shapes[0].is_valid and areas(shapes)[0] == pytest.approx(area)
    assert shapes[0].covers(shapely.Point(inside)) and not shapes[0].covers(shapely.Point(outside))
    assert report.mended.tolist() == [0] and report.area_after[0] == pytest.approx(area)
    assert report.stray_holes.tolist() == ([0] if name.startswith("hole") else [])


def test_sound_shapes_are_left_alone():
    holed = from_wkt("POLYGON((0 0,10 0,10 10,0 10,0 0),(4 4,6 4,6 6,4 6,4 4))")
    island = from_wkt(
        "MULTIPOLYGON(((0 0,10 0,10 10,0 10,0 0),(4 4,6 4,6 6,4 6,4 4)),((4.5 4.5,5.5 4.5,5.5 5.5,4.5 4.5)))"
    )
    repeated = from_wkt("POLYGON((0 0,4 0,4 0,4 4,0 4,0 4,0 0))")
    shapes, report = repair([holed, island, repeated])
    assert [shape.wkt for shape in shapes] == [holed.wkt, island.wkt, repeated.wkt]
    assert areas(shapes).tolist() == [96.0, 96.5, 16.0]
    assert not any(getattr(report, name).size for name in report.__slots__)


def test_heights_collections_points_and_nothing():
    shapes, report = repair(
        [
            from_wkt("POLYGON Z((0 0 1,4 0 2,4 4 3,0 4 4,0 0 1))"),
            from_wkt("GEOMETRYCOLLECTION(POINT(1 1),POLYGON((0 0,4 0,4 4,0 4,0 0)),LINESTRING(0 0,9 9))"),
            from_wkt("GEOMETRYCOLLECTION(POINT(1 1))"),
            from_wkt("POINT(1 1)"),
            None,
            from_wkt("POLYGON EMPTY"),
            from_wkt("POLYGON((0 0,4 0,8 0,0 0))"),
        ]
    )
    assert [None if shape is None else (shape.geom_type, shape.has_z) for shape in shapes] == [
        ("Polygon", False),
        ("Polygon", False),
        None,
        None,
        None,
        None,
        None,
    ]
    assert areas(shapes).tolist() == [16.0, 16.0, 0, 0, 0, 0, 0]
    assert report.mixed.tolist() == [1]
    assert report.not_polygon.tolist() == [2, 3] and report.empty.tolist() == [4, 5]
    assert report.collapsed.tolist() == [6]


def test_zones_that_fit_have_no_faults_even_with_t_vertices():
    faults = coverage_faults([box(0, 0, 100, 100), box(100, 0, 200, 50), box(100, 50, 200, 100)])
    assert faults.overlap_pairs.size == faults.hairline_overlaps == faults.gaps.size == faults.hairline_gaps == 0
    assert faults.slivers.size == 0 and faults.duplicate_of.tolist() == [-1, -1, -1]


def test_overlaps_give_pairs_and_ground_also_where_one_zone_lies_within_another():
    faults = coverage_faults([box(0, 0, 100, 100), box(90, 0, 200, 100), box(40, 40, 60, 60)])
    assert faults.overlap_pairs.tolist() == [[0, 1], [0, 2]]
    assert faults.overlap_areas.tolist() == pytest.approx([1000.0, 400.0])
    assert faults.hairline_overlaps == 0


def test_gap_in_the_middle_keeps_its_place_beside_hairlines():
    frame = [box(0, 0, 30, 90), box(30, 0, 60, 30), box(30, 60, 60, 90), box(60, 0, 90, 90)]
    for zones in (frame, [box(0, 0, 29.9, 90), *frame[1:]]):
        faults = coverage_faults(zones)
        assert faults.gaps.size == 1
        assert faults.gaps[0].centroid.coords[0] == pytest.approx((45.0, 45.0), abs=0.06)
        assert faults.gap_area == pytest.approx(900.0, rel=0.005)


def test_hairlines_are_told_from_real_faults():
    # 0.1 m x 100 m apart; a wedge 0 to 0.2 m wide; 0.2 m overlap.
    apart = coverage_faults([box(0, 0, 100, 100), box(100.1, 0, 200, 100)])
    assert (apart.hairline_gaps, apart.hairline_gap_area) == (2, pytest.approx(10.0))
    wedge = coverage_faults([box(0, 0, 100, 100), Polygon([(100, 0), (200, 0), (200, 100), (100.2, 100)])])
    assert (wedge.hairline_gaps, wedge.hairline_gap_area) == (2, pytest.approx(10.0, rel=1e-6))
    over = coverage_faults([box(0, 0, 100, 100), box(99.8, 0, 200, 100)])
    assert (over.hairline_overlaps, over.hairline_overlap_area) == (1, pytest.approx(20.0))
    assert apart.overlap_pairs.size == apart.gaps.size == wedge.gaps.size == over.overlap_pairs.size == 0
    wide = coverage_faults([box(0, 0, 100, 100), box(99, 0, 200, 100)])
    assert wide.hairline_overlaps == 0 and wide.overlap_areas.tolist() == pytest.approx([100.0])


def test_slivers_by_mean_width():
    strip = box(0, 100, 200, 100.05)
    # A strip of length L and width w has 2 A / P = 2 L w / (2 L + 2 w), close to w.
    assert mean_widths([strip])[0] == pytest.approx(200 * 0.05 / 200.05)
    assert coverage_faults([box(0, 0, 200, 100), strip]).slivers.tolist() == [1]


def test_duplicates_are_found_wherever_the_outline_starts():
    ring = [(0, 0), (4, 0), (4, 4), (0, 4)]
    again = Polygon(ring[2:] + ring[:2])
    backwards = Polygon(ring[::-1])
    other = Polygon([(0, 0), (4, 0), (4, 4), (0, 4), (1, 2)])  # same box, other shape
    assert duplicates([Polygon(ring), other, again, backwards]).tolist() == [-1, -1, 0, 0]


def test_no_zone_gives_no_fault():
    faults = coverage_faults([])
    assert faults.gap_area == 0.0 and faults.overlap_pairs.shape == (0, 2) and faults.duplicate_of.size == 0

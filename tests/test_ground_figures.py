"""Pictures of a reconciled log, checked on their pixels and for every eye."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
import shapely
from test_figures import SIGHT, contrast, is_colour, linear, luminance, pixels, rgb

from geoflow.diagnosis import AreaSeries
from geoflow.layers.ground_rasters import GroundGrid
from geoflow.reconciliation.agreement import spread
from geoflow.report.canvas import Heading
from geoflow.report.ground_figures import (
    _where_most_lies,
    cell_classes,
    orifice_figure,
    paint_cells,
    rates_figure,
    ratio_figure,
    spread_figure,
)
from geoflow.report.symbology import MISSED, RATIO_CLASSES

HEADING = Heading("A field", "All is well.", "Ammonia burns.")
LEFT_OF_KEY = 1150
BLUE, STRIPES_MISSED, GREY = "#7DB2DA", "#C0392B", "#D9D9D4"
# One of each class, in the order of RATIO_CLASSES.
RATIOS = (0.5, 0.85, 1.0, 1.15, 2.0)


def grid(
    ratio: np.ndarray, *, passes: np.ndarray | None = None, target: object = 0.01, cell: float = 2.0
) -> GroundGrid:
    """A field of cells with these ratios of applied over target, all of it field."""
    asked = np.broadcast_to(np.asarray(target, float), ratio.shape).copy()
    driven = np.ones(ratio.shape) if passes is None else passes
    applied = np.where(driven > 0, np.where(asked > 0, ratio * asked, ratio), np.nan)
    return GroundGrid(0.0, ratio.shape[0] * cell, cell, applied, asked, driven, np.ones(ratio.shape, dtype=bool))


def draw(path: Path, what: GroundGrid, **more: object) -> np.ndarray:
    rows, columns = what.passes.shape
    outline = np.array([shapely.box(0, 0, columns * what.cell, rows * what.cell)], dtype=object)
    given = {"marked": np.zeros((rows, columns), bool), "areas": np.full(7, 1e4), "mark": None} | more
    marked = given.pop("marked")
    png, _ = ratio_figure(what, outline, marked, system="us", heading=HEADING, **given)  # type: ignore[arg-type]
    path.write_bytes(png)
    image = pixels(path)
    assert image.shape == (1200, 1600, 3)
    return image


# Colours


def patch(kind: int) -> np.ndarray:
    """A piece of ground of one class as it is painted, stripes and all."""
    down, across = np.mgrid[0:144, 0:144]
    return np.asarray(paint_cells(np.full((144, 144), kind), np.zeros((144, 144), dtype=bool), across, down))


def seen(kind: int, sight: object) -> np.ndarray:
    """Mean linear colour of a class's ground to an eye, as from further away."""
    part = patch(kind) / 255
    light = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
    return np.clip(np.asarray(sight) @ light.reshape(-1, 3).mean(axis=0), 0, 1)


def lab(light: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* of linear sRGB under D65 (IEC 61966-2-1 and CIE 15; matrix from memory)."""
    xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]) @ light
    ratio = xyz / [0.9505, 1.0, 1.089]
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_lab_of_known_colours() -> None:
    # White, and sRGB red as widely tabulated: 53.2, 80.1, 67.2 (from memory).
    assert lab(np.ones(3)) == pytest.approx([100.0, 0.0, 0.0], abs=0.05)
    assert lab(linear("#FF0000")) == pytest.approx([53.24, 80.09, 67.20], abs=0.1)


@pytest.mark.parametrize("sight", SIGHT)
def test_the_more_went_down_the_darker(sight: str) -> None:
    """In a grey print, and to every eye, the five classes keep their order, a step of 1.1 (ours) at the least."""
    grey = [luminance(seen(kind, SIGHT[sight])) for kind in range(len(RATIO_CLASSES))]
    assert grey == sorted(grey, reverse=True)
    for lighter, darker in itertools.pairwise(grey):
        assert contrast(lighter, darker) > 1.1


@pytest.mark.parametrize("sight", SIGHT)
def test_classes_differ_in_colour_for_every_eye(sight: str) -> None:
    """Difference (CIE 1976) of any two classes, missed and unknown ground too: 10 is our own floor, 2.3 just shows."""
    missed, unknown = len(RATIO_CLASSES), len(RATIO_CLASSES) + 1
    colours = [lab(seen(kind, SIGHT[sight])) for kind in range(unknown + 1)]
    for one, other in itertools.combinations(range(len(colours)), 2):
        # From afar missed ground is as grey as ground not compared, and without blue as light as ground far too short;
        # its stripes, the only ones that fall to the right, tell them apart.
        if (one, other) not in {(missed, unknown), (0, missed)}:
            assert np.linalg.norm(colours[one] - colours[other]) > 10.0, (one, other)
    for look in (*RATIO_CLASSES[:2], MISSED):
        stripe, fill = (np.clip(np.asarray(SIGHT[sight]) @ linear(one), 0, 1) for one in (look.stripe, look.fill))
        assert np.linalg.norm(lab(stripe) - lab(fill)) > 25.0, look.name


def test_short_ground_is_striped_and_long_ground_is_not() -> None:
    for kind, look in enumerate(RATIO_CLASSES):
        stripes = is_colour(patch(kind), look.stripe).mean() if look.stripe else 0.0
        assert (stripes > 0.05) == (look.high <= 0.9), look.name
    missed = patch(len(RATIO_CLASSES))
    for image, slope in ((missed, 1), (patch(0), -1), (patch(1), -1)):
        line = ~is_colour(image, "#FFFFFF") if slope == 1 else is_colour(image, "#9A6A00")
        assert (line[:-1, :-1] == line[1:, 1:]).all() == (slope == 1)
        assert (line[:-1, 1:] == line[1:, :-1]).all() == (slope == -1)
    assert is_colour(missed, STRIPES_MISSED).mean() == pytest.approx(0.4, abs=0.02)


# The map


def test_classes_are_painted_where_they_belong(tmp_path: Path) -> None:
    """Five bands of a fifth each from west to east; what each class's pixels come to, and where."""
    image = draw(tmp_path / "map.png", grid(np.tile(np.repeat(RATIOS, 20), (60, 1))))[:, :LEFT_OF_KEY]
    counts, middles = [], []
    for kind, look in enumerate(RATIO_CLASSES):
        own = is_colour(image, look.fill)
        if look.stripe:
            share = is_colour(patch(kind), look.fill).mean()
            counts.append(own.sum() / share)
        else:
            counts.append(own.sum())
        middles.append(np.nonzero(own)[1].mean())
    # The outline takes a line of pixels off the bands at either end.
    assert np.array(counts) / sum(counts) == pytest.approx(0.2, abs=0.005)
    assert middles == sorted(middles)
    steps = np.diff(middles)
    assert steps == pytest.approx(steps.mean(), rel=0.05)


def test_north_is_up(tmp_path: Path) -> None:
    ratio = np.ones((40, 60))
    ratio[:5, 50:] = 2.0  # rows run from the north
    image = draw(tmp_path / "map.png", grid(ratio))[:, :LEFT_OF_KEY]
    dark, field = is_colour(image, RATIO_CLASSES[4].fill), is_colour(image, BLUE)
    top, bottom = np.nonzero(field.any(axis=1))[0][[0, -1]]
    left, right = np.nonzero(field.any(axis=0))[0][[0, -1]]
    down, across = np.nonzero(dark)
    assert (down.mean() - top) / (bottom - top) < 0.1
    assert (across.mean() - left) / (right - left) > 0.85
    assert dark.sum() / (dark.sum() + field.sum()) == pytest.approx(50 / 2400, rel=0.05)


def test_missed_unknown_and_marked_ground(tmp_path: Path) -> None:
    ratio, passes = np.ones((40, 60)), np.ones((40, 60))
    passes[:, :15] = 0.0
    ratio[:, 45:] = np.nan
    marked = np.zeros((40, 60), dtype=bool)
    marked[:, 20:30] = True
    image = draw(tmp_path / "map.png", grid(ratio, passes=passes), marked=marked, mark=("margin", 1600.0))[
        :, :LEFT_OF_KEY
    ]
    red, grey, black = (is_colour(image, colour) for colour in (STRIPES_MISSED, GREY, "#000000"))
    blue = is_colour(image, BLUE)
    assert np.nonzero(red)[1].max() < np.nonzero(blue)[1].min() < np.nonzero(grey)[1].min()
    assert red.sum() / 0.4 == pytest.approx(grey.sum(), rel=0.03)
    assert black.sum() > 500
    across = np.nonzero(black)[1]
    left, right = np.nonzero(blue)[1].min(), np.nonzero(grey)[1].max()
    # Marks stand in columns 20 to 30 of 15 to 60.
    assert (across.min() - left) / (right - left) == pytest.approx(5 / 45, abs=0.03)
    assert (across.max() - left) / (right - left) == pytest.approx(15 / 45, abs=0.03)


@pytest.mark.parametrize(
    ("ratio", "kind"),
    [(0.0, 0), (0.7999, 0), (0.8, 1), (0.8999, 1), (0.9, 2), (1.1, 2), (1.1001, 3), (1.2, 3), (1.2001, 4), (9.0, 4)],
)
def test_where_a_class_begins(ratio: float, kind: int) -> None:
    assert cell_classes(grid(np.full((1, 1), ratio))).item() == kind


def test_ground_for_which_nothing_was_asked() -> None:
    """Nothing on it is right, anything too much; no pass there is no missed ground; no rate is not compared."""
    rate = np.array([[0.0, 0.001, 0.0, np.nan]])
    passes = np.array([[1.0, 1.0, 0.0, 1.0]])
    what = grid(rate, passes=passes, target=0.0)
    assert cell_classes(what).tolist() == [[2, 4, -1, len(RATIO_CLASSES) + 1]]


@pytest.mark.parametrize("shape", [(6, 300), (300, 6), (1, 1)])
def test_odd_fields_fit(shape: tuple[int, int], tmp_path: Path) -> None:
    image = draw(tmp_path / "map.png", grid(np.ones(shape)))[:, :LEFT_OF_KEY]
    assert is_colour(image, BLUE).sum() > 500


# The charts


def test_how_the_ground_came_out(tmp_path: Path) -> None:
    """A third of the ground at 1.0, two thirds where nothing was asked: the last bar is twice as high."""
    ratio, area = np.array([1.01, np.inf, np.nan]), np.array([4e4, 8e4, 1e4])
    (tmp_path / "c.png").write_bytes(spread_figure(ratio, area, {"rate step": 8e4}, "us", HEADING)[0])
    image = pixels(tmp_path / "c.png")
    bars = is_colour(image, "#3C6E97")[:, :880]
    columns = bars.sum(axis=0)
    left, right = columns[:600].max(), columns[700:].max()
    assert right == pytest.approx(2 * left, rel=0.02)
    assert is_colour(image, "#5A5A5A")[:, 900:].sum() > 10_000
    (tmp_path / "n.png").write_bytes(spread_figure(np.ones(1), np.ones(1), {"rate step": 0.0}, "metric", HEADING)[0])
    assert not is_colour(pixels(tmp_path / "n.png"), "#5A5A5A")[:, 1100:1400].sum() > 10_000


def test_orifices_over_the_log(tmp_path: Path) -> None:
    """Area falls by a tenth halfway: the dots on the right stand lower."""
    time = np.linspace(0.0, 6000.0, 400)
    ratio = np.where(time < 3000.0, 1.02, 0.92)
    series = AreaSeries(np.arange(400), time, ratio, 0.96 * ratio, 1.04 * ratio)
    (tmp_path / "o.png").write_bytes(orifice_figure(series, HEADING)[0])
    image = pixels(tmp_path / "o.png")
    dots = is_colour(image, "#3C6E97")
    down, across = np.nonzero(dots)
    middle = across.mean()
    assert down[across > middle + 100].mean() > down[across < middle - 100].mean() + 50
    band = is_colour(image, GREY)
    assert band.sum() > 20_000
    assert not (rgb(GREY) == rgb("#3C6E97")).all()


def test_rates_asked_and_given_stand_as_areas(tmp_path: Path) -> None:
    """Three parts of the field were to get 100, one 200: the filled bars are as three to one."""
    unit = 0.45359237 / 4046.8564224
    asked, area = unit * np.array([100.0, 200.0]), np.array([3e4, 1e4])
    binned = spread(np.full(2, 100.0 * unit), asked, area, unit=unit)
    assert binned is not None
    (tmp_path / "r.png").write_bytes(rates_figure(binned, unit, "us", HEADING)[0])
    filled = is_colour(pixels(tmp_path / "r.png"), "#3C6E97")
    tall = filled.sum(axis=0)
    there = np.flatnonzero(tall > 40)
    left, right = tall[there[there < there.mean()]], tall[there[there > there.mean()]]
    assert np.median(left) == pytest.approx(3 * np.median(right), rel=0.03)
    assert there.max() - there.min() > 300


def test_a_sliver_far_off_leaves_no_empty_paper(tmp_path: Path) -> None:
    """A thousandth of the ground got six times its rate: the bars fill the chart, and what lies beyond is told."""
    unit = 0.45359237 / 4046.8564224
    asked = unit * np.array([100.0, 120.0, 100.0])
    given, area = asked * [1.0, 1.0, 6.0], np.array([3e4, 3e4, 60.0])
    binned = spread(given, asked, area, unit=unit)
    assert binned is not None
    first, last, left = _where_most_lies(binned.asked + binned.given)
    assert binned.edges[first] <= 100.0 * unit and binned.edges[last + 1] < 160.0 * unit
    assert left == pytest.approx(60.0 / (2 * area.sum()), rel=1e-6)
    (tmp_path / "r.png").write_bytes(rates_figure(binned, unit, "us", HEADING)[0])
    filled = np.flatnonzero(is_colour(pixels(tmp_path / "r.png"), "#3C6E97").sum(axis=0) > 40)
    assert np.ptp(filled) > 400
    # Where nothing lies far off nothing is cut.
    assert _where_most_lies(np.array([0.0, 1.0, 0.0, 1.0, 0.0])) == (1, 3, 0.0)

"""The figures of a report: colours, patterns, letters, extents of texts, and bands that agree with the verdicts."""

from __future__ import annotations

import io
import itertools
import math
import re

import numpy as np
import pytest
import shapely
from bars import LB_PER_AC, MPH, bar, every_section, fahrenheit, full_bar, sharp_bar
from matplotlib.figure import Figure
from matplotlib.image import imread
from matplotlib.text import Text
from test_figures import SIGHT, contrast, grid, linear, luminance, rgb

from geoflow.base.schema import LIMITS, VERDICTS
from geoflow.decide.vet import Plan, solve, vet
from geoflow.report import window_panels as panels
from geoflow.report.ground_figures import spread_figure
from geoflow.report.maps import Panel, field_map
from geoflow.report.model import Table, plain
from geoflow.report.symbology import CHANGES, RATIO_CLASSES, VERDICT_SYMBOLS
from geoflow.report.window_bands import over_speed, over_temperature

NAMES = list(VERDICTS)


# --- colours ---------------------------------------------------------------------------------------------------------


def oklab(light: np.ndarray) -> np.ndarray:
    """OKLab (Ottosson 2020, "A perceptual color space for image processing"; matrices from memory) of linear sRGB."""
    cones = np.array(
        [
            [0.4122214708, 0.5363325363, 0.0514459929],
            [0.2119034982, 0.6806995451, 0.1073969566],
            [0.0883024619, 0.2817188376, 0.6299787005],
        ]
    )
    mixed = np.array(
        [
            [0.2104542553, 0.7936177850, -0.0040720468],
            [1.9779984951, -2.4285922050, 0.4505937099],
            [0.0259040371, 0.7827717662, -0.8086757660],
        ]
    )
    return mixed @ np.cbrt(cones @ np.clip(light, 0.0, 1.0))


def test_the_colour_space_gives_its_published_values() -> None:
    # CSS Color 4 (W3C), sample values of oklab(): white L = 1, red 62.8 % 0.2249 0.1258, blue 45.2 % -0.0325 -0.3115.
    assert oklab(linear("#FFFFFF")) == pytest.approx([1.0, 0.0, 0.0], abs=2e-4)
    assert oklab(linear("#FF0000")) == pytest.approx([0.628, 0.2249, 0.1258], abs=5e-4)
    assert oklab(linear("#0000FF")) == pytest.approx([0.452, -0.0325, -0.3115], abs=5e-4)


PALETTES = {
    "verdicts": {name: symbol.fill for name, symbol in VERDICT_SYMBOLS.items()},
    "changes": {name: symbol.fill for name, symbol in CHANGES.items()},
    "ratios": {one.name: one.fill for one in RATIO_CLASSES},
}


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize("palette", PALETTES)
def test_classes_stay_apart_for_every_eye(palette: str, sight: str) -> None:
    """Machado et al. 2009, severity 1; 0.09 is our own floor, four and a half times what is just noticeable (0.02)."""
    seen = {name: oklab(SIGHT[sight] @ linear(fill)) for name, fill in PALETTES[palette].items()}
    for one, other in itertools.combinations(seen, 2):
        assert np.linalg.norm(seen[one] - seen[other]) >= 0.09, (one, other)


@pytest.mark.parametrize("symbols", [VERDICT_SYMBOLS, CHANGES], ids=["verdicts", "changes"])
def test_letter_and_pattern_tell_without_colour(symbols: dict) -> None:
    assert len({symbol.letter for symbol in symbols.values()}) == len(symbols)
    assert len({symbol.hatch for symbol in symbols.values()}) == len(symbols)
    for symbol in symbols.values():
        shown = contrast(luminance(linear(symbol.fill)), luminance(linear(symbol.hatch_colour)))
        assert shown >= 2 or not symbol.hatch


# --- maps ------------------------------------------------------------------------------------------------------------


@pytest.fixture
def texts(monkeypatch: pytest.MonkeyPatch) -> list:
    """Every text of the last figure: what it says, and its box in pixels."""
    found: list = []
    save, write = Figure.savefig, Text.draw

    def saving(self: Figure, *args: object, **kwargs: object) -> None:
        found.clear()
        save(self, *args, **kwargs)

    def writing(self: Text, renderer: object, *args: object, **kwargs: object) -> None:
        write(self, renderer, *args, **kwargs)
        if self.get_visible() and self.get_text().strip():
            found.append((self.get_text(), Text.get_window_extent(self, renderer), self.get_fontsize()))

    monkeypatch.setattr(Figure, "savefig", saving)
    monkeypatch.setattr(Text, "draw", writing)
    return found


def pixels(png: bytes) -> np.ndarray:
    return np.round(imread(io.BytesIO(png))[:, :, :3] * 255).astype(int)


def clear_and_readable(found: list, size: tuple[float, float], apart: bool = True) -> None:
    for text, box, points in found:
        assert box.x0 >= 0 and box.x1 <= size[0] * 200 and box.y0 >= 0 and box.y1 <= size[1] * 200, text
        assert points >= 6.5, text
    for (one, box, _), (other, beside, _) in itertools.combinations(found, 2):
        assert not apart or not box.overlaps(beside), (one, other)


FIELDS = {
    "one": (grid(1, 90.0), ["fails"]),
    "four": (grid(2, 90.0), NAMES),
    "wide": ([shapely.box(0, 0, 3000, 9)], ["holds"]),
    "tall": ([shapely.box(0, 0, 9, 3000)], ["doubtful"]),
    "no shape": ([None, shapely.Polygon()], ["off", "holds"]),
    "nothing": ([], []),
    "many": (grid(71, 30.0)[:5000], [NAMES[at % 4] for at in range(5000)]),
}


@pytest.mark.parametrize(("count", "system"), [(1, "us"), (2, "metric")])
@pytest.mark.parametrize("name", FIELDS)
def test_no_text_of_a_map_is_cut_small_or_meets_another(texts: list, name: str, count: int, system: str) -> None:
    zones, kind = FIELDS[name]
    shown = [Panel(title, kind) for title in (["before", "after"] if count == 2 else [""])]
    label = [str(at) for at in range(len(kind))]
    png, size = field_map(np.asarray(zones, dtype=object), shown, VERDICT_SYMBOLS, label=label, system=system)
    clear_and_readable(texts, size)
    assert pixels(png).shape[:2] == (round(size[1] * 200), 1420) and size[1] < 6.5


def test_pixels_share_as_areas_do() -> None:
    zones = grid(40, 10.0)
    x, y = shapely.get_coordinates(shapely.centroid(zones)).T
    kind = np.where(x < 200, "kept", np.where(y < 200, "raised", "lowered"))
    png, _ = field_map(zones, [Panel("", kind.tolist())], CHANGES, label=[""] * len(zones), system="us")
    plain_png, _ = field_map(zones, [Panel("", ["kept"] * 1600)], CHANGES, label=[""] * 1600, system="us")

    def share(image: np.ndarray, name: str) -> int:
        return int((image[:640] == rgb(CHANGES[name].fill)).all(axis=2).sum())

    assert share(pixels(png), "kept") / share(pixels(plain_png), "kept") == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize(("system", "unit"), [("us", 0.3048), ("metric", 1.0)])
def test_the_scale_bar_is_round_and_true(texts: list, system: str, unit: float) -> None:
    png, _ = field_map(
        np.array([shapely.box(0, 0, 700, 700)]), [Panel("", ["holds"])], VERDICT_SYMBOLS, label=[""], system=system
    )
    image = pixels(png)
    field = (image[:640] == rgb(VERDICT_SYMBOLS["holds"].fill)).all(axis=2)
    across = np.flatnonzero(field.any(axis=0))
    metre = (across[-1] - across[0] + 1) / 700
    said = next((text, box) for text, box, _ in texts if re.fullmatch(r"[\d,]+ (ft|m)", text))
    middle = image.shape[0] - round(said[1].y1) - 12  # the bar stands above its length
    dark = np.flatnonzero((image[middle] == rgb("#1A1A1A")).all(axis=1)[:700])
    solid = dark[: np.flatnonzero(np.diff(dark) > 1)[0] + 1] if (np.diff(dark) > 1).any() else dark
    number = float(said[0].split()[0].replace(",", ""))
    assert 2 * len(solid) / metre / unit == pytest.approx(number, rel=0.03)
    assert number / 10 ** math.floor(math.log10(number)) in (1, 2, 5)
    assert any(text == "N" for text, _, _ in texts)


# --- the window ------------------------------------------------------------------------------------------------------


def solved(machine, temperature, speed):
    plan = Plan(tuple(map(fahrenheit, temperature)), tuple(one * MPH for one in speed), every_section(machine))
    return solve(machine, plan)


@pytest.mark.parametrize("machine", [bar(), full_bar(), sharp_bar(bar(), 0.0)], ids=["plain", "full", "sharp"])
@pytest.mark.parametrize("speed", [(4.0, 6.0), (5.0, 5.0)])
def test_the_box_lies_in_both_windows_just_where_every_zone_holds(machine, speed) -> None:
    """The charts say what the verdicts say: a rate holds where it lies in the certain band all over the plan."""
    solution = solved(machine, (35.0, 55.0), speed)
    rates = np.linspace(20.0, 320.0, 121)
    verdict = vet(rates * LB_PER_AC, solution).verdict
    warm, quick = over_temperature(solution), over_speed(solution)
    for word, edges in (("holds", ("certain",)), ("not failing", ("certain", "possible"))):
        good = verdict == "holds" if word == "holds" else verdict != "fails"
        planned = (fahrenheit(35.0), fahrenheit(55.0)), (speed[0] * MPH, speed[1] * MPH)
        for band, (first, last) in ((warm, planned[0]), (quick, planned[1])):
            low, high = (edge / LB_PER_AC for edge in getattr(band, edges[-1]))
            ends = [
                np.interp([first, last], band.x, np.nan_to_num(edge, nan=nan))
                for edge, nan in ((low, 1e9), (high, -1e9))
            ]
            inside = (band.x >= first) & (band.x <= last)
            least = max([*ends[0], *np.nan_to_num(low, nan=1e9)[inside]])
            most = min([*ends[1], *np.nan_to_num(high, nan=-1e9)[inside]])
            drawn = (rates >= least) & (rates <= most)
            # Half a step of rate: the drawn edge is a chain of straight lines.
            sure = (np.abs(rates - least) > 1.3) & (np.abs(rates - most) > 1.3)
            if word == "holds" or band is quick:
                assert np.array_equal(drawn[sure], good[sure]), (word, least, most)
            else:  # a zone may be possible at each temperature and yet in no one case at all of them
                assert (drawn | ~good)[sure].all()


CHARTS = {
    "plain": (bar(), (35.0, 55.0), (4.0, 6.0)),
    "full": (full_bar(), (35.0, 55.0), (5.0, 5.0)),
    "one temperature": (bar(), (45.0, 45.0), (5.0, 5.0)),
    "no window": (bar(), (100.0, 105.0), (5.0, 5.0)),
    "cold": (full_bar(), (-20.0, 60.0), (3.5, 7.5)),
}


@pytest.fixture(scope="module")
def charted() -> dict:
    return {name: solved(*how) for name, how in CHARTS.items()}


@pytest.mark.parametrize(
    ("asks", "system"),
    [([], "us"), ([0.0, 150.0], "metric"), ([60.0, 150.0, 320.0], "us"), (list(np.linspace(60, 320, 3000)), "metric")],
    ids=["none", "one", "three", "many"],
)
@pytest.mark.parametrize("name", CHARTS)
def test_no_text_of_the_window_is_cut_or_small(texts: list, charted: dict, name: str, asks: list, system: str) -> None:
    solution = charted[name]
    rate = np.array(asks) * LB_PER_AC
    slow, fast = (np.full(rate.shape, speed) for speed in solution.plan.speed)
    asked = panels.PlannedRates(rate, np.full(rate.shape, 4046.86), vet(rate, solution).verdict, slow, fast)
    png, size = panels.window_panels(solution, asked, system)
    clear_and_readable(texts, size, apart=False)
    named = [(text, box) for text, box, _ in texts if not re.fullmatch(r"[−\d.,]+", text)]
    for (one, box), (other, beside) in itertools.combinations(named, 2):
        # The upright boxes of two slanting names of limits overlap where the names themselves do not.
        assert not box.overlaps(beside) or {one, other} <= set(LIMITS), (one, other)
    assert pixels(png).shape[1] == 1420


def test_the_bars_are_as_long_as_the_acres(texts: list) -> None:
    png, size = spread_figure(
        np.array([0.5, 1.0, 1.0]), np.array([1.0, 2.0, 2.0]) * 4046.8564224, {"speed": 4046.8564224, "lag": 0.0}, "us"
    )
    clear_and_readable(texts, size)
    assert any(text == " 1.00" for text, _, _ in texts) and not any(text == "lag" for text, _, _ in texts)
    blue = (pixels(png) == rgb("#3C6E97")).all(axis=2).sum(axis=0)
    tall = sorted(set(blue[blue > 50]))
    assert tall[-1] / tall[0] == pytest.approx(4.0, rel=0.05)  # 4 ac against 1 ac


# --- the model -------------------------------------------------------------------------------------------------------


def test_a_table_whose_columns_disagree_is_refused() -> None:
    with pytest.raises(ValueError, match="do not agree"):
        Table("x", ("a", "b"), (("1",),), "<<", (1.0, 1.0))


def test_what_cannot_be_seen_is_shown_as_such() -> None:
    assert plain("a\u202eb\x00c\udcff") == "a�b�c�"
    assert plain("  two\n words ") == "two words"

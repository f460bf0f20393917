"""What the pictures show is checked on their pixels, and on the extents of their texts."""

from __future__ import annotations

import itertools
import math
import re
from pathlib import Path

import numpy as np
import pytest
import shapely
from matplotlib.figure import Figure
from matplotlib.image import imread
from matplotlib.text import Text

from geoflow.base.schema import VERDICTS
from geoflow.report import symbology
from geoflow.report.canvas import Heading
from geoflow.report.maps import Panel, field_map
from geoflow.report.symbology import VERDICT_SYMBOLS
from geoflow.report.window_bands import Band
from geoflow.report.window_panels import PlannedRates, draw_windows

NAMES = list(VERDICTS)
WORDS = {"title": "A field", "subtitle": "All is well.", "footer": "Ammonia burns.", "label": None, "system": "us"}
LONG = {
    "title": "A title with $dollars$, _under_scores_ and no end: " + "x" * 300,
    "subtitle": "A sentence that goes on and on. " * 30,
    "footer": "A line on safety that is long and must be there in full. " * 6,
}
POUND_PER_ACRE = 1.120851156194456e-4  # kg/m2; exact definitions


def rgb(colour: str) -> np.ndarray:
    return np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)])


def pixels(path) -> np.ndarray:
    return np.round(imread(path)[:, :, :3] * 255).astype(int)


def is_colour(image: np.ndarray, colour: str) -> np.ndarray:
    return (image == rgb(colour)).all(axis=2)


def is_fill(image: np.ndarray, verdict: str) -> np.ndarray:
    """Pixels of the map, left of the key, in the fill of a verdict."""
    return is_colour(image, VERDICT_SYMBOLS[verdict].fill)[:, :1140]


def grid(count: int, side: float) -> np.ndarray:
    x, y = (v.ravel() * side for v in np.meshgrid(np.arange(count), np.arange(count)))
    return shapely.box(x, y, x + side, y + side)


def draw(path, zones, verdict, **words) -> np.ndarray:
    zones = np.asarray(zones, dtype=object)
    said = {**WORDS, **words}
    heading = Heading(said["title"], said["subtitle"], said["footer"])
    how = {"label": said["label"], "system": said["system"], "heading": heading}
    png, size = field_map(zones, [Panel("", verdict)], VERDICT_SYMBOLS, **how)
    assert size == (8.0, 6.0)
    path.write_bytes(png)
    return pixels(path)


@pytest.fixture
def texts(monkeypatch):
    """Every text of the last figure: what it says, and its box in pixels."""
    found: list[tuple[str, object]] = []
    save, write = Figure.savefig, Text.draw

    def saving(self, *args, **kwargs):
        found.clear()
        save(self, *args, **kwargs)

    def writing(self, renderer, *args, **kwargs):
        write(self, renderer, *args, **kwargs)
        if self.get_visible() and self.get_text().strip():
            found.append((self.get_text(), Text.get_window_extent(self, renderer)))

    monkeypatch.setattr(Figure, "savefig", saving)
    monkeypatch.setattr(Text, "draw", writing)
    return found


# --- colours ---------------------------------------------------------------------------------------------------------


def luminance(linear: np.ndarray) -> float:
    return float(np.clip(linear, 0, 1) @ [0.2126, 0.7152, 0.0722])


def linear(colour: str) -> np.ndarray:
    part = rgb(colour) / 255
    return np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)


def contrast(one: float, other: float) -> float:
    """Contrast ratio and relative luminance as WCAG 2.2 defines them (W3C, "relative luminance")."""
    return (max(one, other) + 0.05) / (min(one, other) + 0.05)


# Machado, Oliveira, Fernandes 2009, severity 1.0; values from memory (their rows add up to one).
SIGHT = {
    "full": np.eye(3),
    "no red": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "no green": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "no blue": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


def test_the_contrast_formula_gives_the_known_ends():
    # WCAG 2.2: white on black is 21:1, #777777 on white is just short of 4.5:1 (4.48, widely quoted).
    assert contrast(luminance(linear("#FFFFFF")), luminance(linear("#000000"))) == pytest.approx(21)
    assert contrast(luminance(linear("#777777")), 1.0) == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("sight", SIGHT)
def test_verdicts_differ_in_grey_for_every_eye(sight):
    """1.6 is our own floor: WCAG's 3:1 between four steps would need 27:1 in all. Pattern and letter do the rest."""
    assert np.sum(SIGHT[sight], axis=1) == pytest.approx([1, 1, 1], abs=1e-5)
    grey = {name: luminance(SIGHT[sight] @ linear(style.fill)) for name, style in VERDICT_SYMBOLS.items()}
    assert grey["off"] > grey["holds"] > grey["doubtful"] > grey["fails"]  # the worse, the darker
    for one, other in itertools.combinations(NAMES, 2):
        assert contrast(grey[one], grey[other]) >= 1.6, (one, other)


def test_every_verdict_has_its_own_pattern_that_shows():
    assert set(VERDICT_SYMBOLS) == set(VERDICTS)
    assert len({style.hatch for style in VERDICT_SYMBOLS.values()}) == len(VERDICT_SYMBOLS)
    for style in VERDICT_SYMBOLS.values():
        ratio = contrast(luminance(linear(style.fill)), luminance(linear(style.hatch_colour)))
        assert ratio >= 2 or not style.hatch


# What style sheets and scripts of page, report and card have besides those of the symbology, light and dark.
PAGES = {
    "faint": "#4A4A4A", "ground": "#F1F1EC", "line": "#8A8A84", "deep": "#14395B", "on-deep": symbology.PAPER,
    "band": "#14395B", "on-band": symbology.PAPER, "alarm": symbology.VERDICT_SYMBOLS["fails"].fill,
    "caution": "#FFF3C4", "note": "#E6EFF7",
    "chosen": "#DBE8F3", "trouble": "#FDEEF2", "trouble-ink": "#40061A", "focus": "#D97706", "track": "#B9B9B2",
    "rule": "#D5D5CE", "entry": "#FAFAF7", "ring": "#000000", "soft": "#555555", "report's line": "#999999",
    "dark sheet": "#141414", "ink on dark": "#F2F2F2", "soft on dark": "#BBBBBB", "line on dark": "#777777",
    "beside the sheet": "#ECEAE4", "frame": "#B8B8B2",
}  # fmt: skip
DARK_PAGE = {
    "ink": "#F2F2F2", "faint": "#BBBBBB", "paper": "#1F2327", "ground": "#141414", "line": "#777777", "rule": "#3A4046",
    "entry": "#262B30", "deep": "#8FC1E6", "on-deep": "#141414", "band": "#0F2A44", "on-band": "#F2F2F2",
    "alarm": "#E8A9BC", "trouble": "#3A1420", "trouble-ink": "#FDEEF2", "caution": "#453A10", "note": "#1C3044",
    "chosen": "#24425C", "focus": "#FFB84D", "track": "#555555",
}  # fmt: skip
HEX = re.compile(r"#[0-9a-fA-F]{6}\b|#[0-9a-fA-F]{3}\b")


def full(colour: str) -> str:
    digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
    return f"#{digits.upper()}"


def test_every_colour_is_a_known_one() -> None:
    """Pictures take theirs from the symbology; style sheets and scripts hold no other but those named here."""
    package = Path(symbology.__file__).parent.parent
    known = {full(one) for one in HEX.findall(Path(symbology.__file__).read_text(encoding="utf-8"))}
    known |= {full(one) for one in (*PAGES.values(), *DARK_PAGE.values())}
    assert len(known) > 30
    for path in sorted(each for each in package.rglob("*") if each.suffix in {".py", ".css", ".js", ".html"}):
        text = path.read_text(encoding="utf-8")
        if path.suffix != ".py" or "<style" in text:
            assert {full(one) for one in HEX.findall(text)} <= known, path.name
        elif path.stem != "symbology":
            assert not HEX.findall(text), path.name


def test_the_page_calls_its_colours_by_name() -> None:
    package = Path(symbology.__file__).parent.parent
    page = (package / "web" / "static" / "page.css").read_text(encoding="utf-8")
    light, dark = page.split("prefers-color-scheme: dark", 1)
    own = {"ink": symbology.INK, "paper": symbology.PAPER, **PAGES}
    for text, known in ((light, own), (dark, DARK_PAGE)):
        said = {name: full(colour) for name, colour in re.findall(r"--([\w-]+): (#\w+);", text)}
        assert len(said) > 5 and said == {name: known[name] for name in said}
    # Every name has its dark value.
    assert set(said) == set(DARK_PAGE)


# --- map -------------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_pixels_share_as_areas_do(tmp_path):
    """A square of 200 x 200 zones cut in a half, a quarter and two eighths: the pixels must divide the same way."""
    zones = grid(200, 4.0)
    x, y = shapely.get_coordinates(shapely.centroid(zones)).T
    verdict = np.where(x < 400, "holds", np.where(y < 400, "fails", np.where(x < 600, "doubtful", "off")))
    image = draw(tmp_path / "map.png", zones, verdict)
    for name, share in {"holds": 1 / 2, "fails": 1 / 4, "doubtful": 1 / 8, "off": 1 / 8}.items():
        whole = draw(tmp_path / "whole.png", zones, [name] * len(zones))
        assert is_fill(image, name).sum() / is_fill(whole, name).sum() == pytest.approx(share, abs=0.01), name
    columns = np.flatnonzero(is_fill(image, "holds").any(axis=0))
    assert columns.max() < np.flatnonzero(is_fill(image, "fails").any(axis=0)).min()  # east is right
    lowest = np.flatnonzero(is_fill(image, "doubtful").any(axis=1)).max()
    assert lowest < np.flatnonzero(is_fill(image, "fails").any(axis=1)).min()  # north is up


def test_holes_stay_open_and_all_parts_are_drawn(tmp_path):
    square = shapely.box(0, 0, 900, 900)
    hole, island, far = shapely.box(300, 300, 600, 600), shapely.box(400, 400, 500, 500), shapely.box(950, 0, 1000, 900)
    zone = shapely.MultiPolygon([square.difference(hole), island, far])
    image = draw(tmp_path / "map.png", [zone, None], ["holds", "off"])
    blue = is_fill(image, "holds")
    rows, columns = np.flatnonzero(blue.any(axis=1)), np.flatnonzero(blue.any(axis=0))

    def at(x: float, y: float) -> bool:
        column = columns[0] + (columns[-1] - columns[0]) * x / 1000
        return bool(blue[round(rows[-1] - (rows[-1] - rows[0]) * y / 900), round(column)])

    assert at(150, 450) and at(410, 410) and at(975, 100)
    assert not at(350, 450) and not at(550, 350) and not at(925, 450)


@pytest.mark.parametrize("orient", [True, False])
def test_ring_order_does_not_matter(tmp_path, orient):
    ring = shapely.box(0, 0, 90, 90).difference(shapely.box(30, 30, 60, 60))
    zone = shapely.orient_polygons(ring, exterior_cw=orient)
    image = draw(tmp_path / "map.png", [zone], ["holds"])
    rows, columns = (np.flatnonzero(is_fill(image, "holds").any(axis=a)) for a in (1, 0))
    inner = is_fill(image, "holds")[rows[0] : rows[-1], columns[0] : columns[-1]]
    assert inner.mean() == pytest.approx(8 / 9, abs=0.02)  # less the letter


@pytest.mark.parametrize(("system", "unit"), [("us", 0.3048), ("metric", 1.0)])
def test_the_scale_bar_is_round_and_true(tmp_path, texts, system, unit):
    image = draw(tmp_path / "map.png", [shapely.box(0, 0, 700, 700)], ["holds"], system=system)
    across = np.flatnonzero(is_fill(image, "holds").any(axis=0))
    metre = (across[-1] - across[0] + 1) / 700  # px
    said, box = next((text, box) for text, box in texts if text.endswith((" ft", " m")))
    bar = np.flatnonzero(is_colour(image, "#1A1A1A")[1200 - round(box.y1) - 12, 1180:1500])  # above its length
    half = bar[: np.flatnonzero(np.diff(bar, append=9999) > 1)[0] + 1]  # the left half is solid
    number = float(said.split()[0].replace(",", ""))
    assert 2 * (half[-1] - half[0]) / metre / unit == pytest.approx(number, rel=0.02)
    assert number / 10 ** math.floor(math.log10(number)) in (1, 2, 5)


def test_letters_and_labels_stand_in_zones_with_room(tmp_path, texts):
    draw(tmp_path / "map.png", grid(2, 100.0), NAMES, label=["150", "160", "170", "0"])
    found = [text for text, _ in texts]
    for text in ("H  150", "D  160", "F  170", "Z  0"):
        assert text in found
    draw(tmp_path / "map.png", grid(100, 4.0), ["fails"] * 10_000, label=["150"] * 10_000)
    assert not any("150" in text for text, _ in texts)


def test_a_field_too_thin_for_letters_has_them_beside_it(tmp_path, texts):
    strip = [shapely.box(i * 200, 0, i * 200 + 200, 8) for i in range(4)]
    draw(tmp_path / "map.png", strip, NAMES)
    letters = [VERDICTS[name].letter for name in NAMES]
    assert sorted(text for text, _ in texts if text in letters) == sorted(letters * 2)  # key and map


def test_the_key_counts_zones_and_area(tmp_path, texts):
    acre = math.sqrt(4046.8564224)
    draw(tmp_path / "map.png", [*grid(3, acre), None], ["holds"] * 4 + ["fails"] * 5 + ["off"])
    found = [text for text, _ in texts]
    for text in ("4 zones, 4.0 ac", "5 zones, 5.0 ac", "1 zone, 0.0 ac", "none", "All: 10 zones, 9.0 ac"):
        assert text in found


CASES = {
    "one": ([shapely.box(0, 0, 50, 50)], ["fails"]),
    "all off": (grid(3, 9.0), ["off"] * 9),
    "wide": ([shapely.box(0, 0, 3000, 9)], ["holds"]),
    "tall": ([shapely.box(0, 0, 9, 3000)], ["doubtful"]),
    "no shape": ([None, shapely.Polygon()], ["off", "holds"]),
    "nothing": ([], []),
}


@pytest.mark.parametrize("words", [{}, LONG], ids=["short", "long"])
@pytest.mark.parametrize("case", CASES)
def test_no_text_is_cut_or_touches_the_map(tmp_path, texts, case, words):
    image = draw(tmp_path / "map.png", *CASES[case], **words)
    assert image.shape == (1200, 1600, 3)
    for text, box in texts:
        assert box.x0 > 20 and box.x1 < 1580 and box.y0 > 10 and box.y1 < 1190, text
    for (one, box), (other, apart) in itertools.combinations(texts, 2):
        assert not box.overlaps(apart), (one, other)
    painted = np.zeros(image.shape[:2], dtype=bool)
    for style in VERDICT_SYMBOLS.values():
        painted |= is_colour(image, style.fill) | (is_colour(image, style.hatch_colour) if style.hatch else False)
    rows, columns = np.nonzero(painted[:, :1140])
    letters = {word.letter for word in VERDICTS.values()}
    for text, box in texts:
        if len(rows) and text not in letters:
            inside = (columns > box.x0) & (columns < box.x1) & (1200 - rows > box.y0) & (1200 - rows < box.y1)
            assert not inside.any(), text
    said = " ".join(text for text, _ in texts)
    assert ({**WORDS, **words}["footer"].strip()) in said  # the safety line is never shortened


@pytest.mark.filterwarnings("error")
def test_letters_the_font_lacks_bring_no_warning(tmp_path, capfd):
    draw(tmp_path / "map.png", grid(1, 90.0), ["holds"], title="地図 \x07 tab\there", label=["地"])
    assert capfd.readouterr() == ("", "")


# --- window ----------------------------------------------------------------------------------------------------------


SLOW = FAST = 2.0  # m/s; every zone is driven as planned


def bands(low, high, margin, count, limits) -> tuple[Band, Band]:
    """The same window over 270 to 300 K and over 1 to 3 m/s; all rates in [lb/ac]."""
    kelvin = np.linspace(270.0, 300.0, count) if count > 1 else np.array([285.0])
    low, high = np.broadcast_to(low, count).astype(float), np.broadcast_to(high, count).astype(float)
    certain = (low * POUND_PER_ACRE, high * POUND_PER_ACRE)
    possible = ((low - margin) * POUND_PER_ACRE, (high + margin) * POUND_PER_ACRE)
    speed = np.linspace(1.0, 3.0, count) if count > 1 else np.array([2.0])
    return (
        Band("temperature", kelvin, certain, possible, limits, (275.0, 280.0)),
        Band("speed", speed, certain, possible, limits, (SLOW, FAST)),
    )


def chart(path, low, high, *, margin=0.0, count=101, planned=(), area=None, limits_high=None, **changes) -> np.ndarray:
    limits = (["meter minimum"] * count, limits_high or ["pump flow"] * count)
    rate = np.asarray(planned, dtype=float) * POUND_PER_ACRE
    size = np.full(rate.shape, 4046.8564224) if area is None else np.asarray(area) * 4046.8564224
    verdict = np.full(rate.shape, "holds")
    asked = PlannedRates(rate, size, verdict, np.full(rate.shape, SLOW), np.full(rate.shape, FAST))
    heading = Heading(changes.get("title", "A window"))
    png, _ = draw_windows(*bands(low, high, margin, count, limits), asked, changes.get("system", "us"), heading)
    path.write_bytes(png)
    return pixels(path)


def frame(image: np.ndarray) -> tuple[int, int, int, int]:
    """Left, right, top and bottom of the box the window over temperature is drawn in."""
    dark = image.max(axis=2) < 60
    columns = np.flatnonzero(dark.sum(axis=0) > 600)
    left = columns[0]
    right = columns[np.flatnonzero(np.diff(columns) > 300)[-2 if np.sum(np.diff(columns) > 300) > 1 else 0] + 1]
    rows = np.flatnonzero(dark[:, left:right].mean(axis=1) > 0.98)
    return left, right, rows[0], rows[-1]


def test_the_bands_stand_where_the_scale_says(tmp_path):
    image = chart(tmp_path / "w.png", 100.0, 200.0, margin=20.0)
    left, right, top, bottom = frame(image)
    column = image[top:bottom, left + round(0.85 * (right - left))][:, None]
    blue = np.flatnonzero(is_colour(column, VERDICT_SYMBOLS["holds"].fill))
    scale = 220.0 * 1.12 / (bottom - top)  # the axis ends 12 % above the highest edge
    assert (bottom - top - blue[0]) * scale == pytest.approx(200, abs=2)
    assert (bottom - top - blue[-1]) * scale == pytest.approx(100, abs=2)
    around = is_colour(image[top:bottom, left:right], VERDICT_SYMBOLS["doubtful"].fill).any(axis=1)
    assert (bottom - top - np.flatnonzero(around)[0]) * scale == pytest.approx(220, abs=2)
    assert (bottom - top - np.flatnonzero(around)[-1]) * scale == pytest.approx(80, abs=2)


def test_no_certain_window_shows_no_blue(tmp_path, texts):
    nan, edge = np.full(101, np.nan), np.full(101, 100.0) * POUND_PER_ACRE
    nothing = PlannedRates(*(np.zeros(0) for _ in range(5)))

    def draw_only(possible) -> np.ndarray:
        limits = ([""] * 101, [""] * 101)
        warm = Band("temperature", np.linspace(270, 300, 101), (nan, nan), possible, limits, (275.0, 280.0))
        quick = Band("speed", np.linspace(1, 3, 101), (nan, nan), possible, limits, (2.0, 2.0))
        png, _ = draw_windows(warm, quick, nothing, "metric", Heading("x"))
        (tmp_path / "w.png").write_bytes(png)
        return pixels(tmp_path / "w.png")[100:900]  # without the key

    image = draw_only((edge, 2 * edge))
    holds, doubtful = (VERDICT_SYMBOLS[name].fill for name in ("holds", "doubtful"))
    assert not is_colour(image, holds).any() and is_colour(image, doubtful).sum() > 50_000
    assert [text for text, _ in texts if "window here" in text] == ["no certain window here"] * 2
    image = draw_only((nan, nan))
    assert not is_colour(image, doubtful).any()
    assert [text for text, _ in texts if "window here" in text] == ["no window here"] * 2


def test_every_limit_is_named_on_the_edge_or_below(tmp_path, texts):
    names = ["suction"] * 50 + ["pump flow"] * 47 + ["rated pressure"] * 4
    chart(tmp_path / "w.png", 100.0, 200.0, limits_high=names)
    found = [text for text, _ in texts]
    assert {"suction", "pump flow", "meter minimum"} <= set(found) and "rated pressure" not in found
    # 299.1 K is 78.7 degF and 300 K is 80.3 degF by definition of the scales.
    assert any("rated pressure (upper end, 79 to 80 °F)" in text for text in found)


@pytest.mark.parametrize("count", [1, 2, 101])
@pytest.mark.parametrize("planned", [[], [150.0], [0.0, 120.0, 120.0, 400.0, np.nan], list(np.linspace(90, 260, 3000))])
@pytest.mark.parametrize("title", ["A window", LONG["title"]])
def test_no_text_is_cut_or_meets_another(tmp_path, texts, count, planned, title):
    high = np.linspace(150, 230, count)
    chart(tmp_path / "w.png", 100.0, high, margin=15.0, count=count, planned=planned, title=title)
    for text, box in texts:
        assert box.x0 > 20 and box.x1 < 1590 and box.y0 > 10 and box.y1 < 1190, text
    for (one, box), (other, apart) in itertools.combinations(texts, 2):
        assert not box.overlaps(apart), (one, other)
    assert any("2 zones" in text for text, _ in texts) == (len(planned) == 5)  # zero and unknown rates are told


def test_bars_are_as_long_as_the_acres_they_stand_for(tmp_path):
    image = chart(tmp_path / "w.png", 100.0, 200.0, planned=[120.0, 160.0], area=[10.0, 30.0])
    bars = is_colour(image, VERDICT_SYMBOLS["holds"].fill)[100:900, 1350:].sum(axis=1)
    tall = bars[bars > 20]
    assert sorted(set(np.round(tall / tall.max(), 1))) == pytest.approx([0.3, 1.0])  # a third, as 10 to 30 acres

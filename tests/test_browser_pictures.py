"""The pictures of the page in a real browser: charts that follow, layers, lit zones, before and after, ground."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import LOG, NAMES, WAIT, go, held, opened, read_lantern, set_plan, settled, type_plan, watched

pytestmark = pytest.mark.slow

COOL = {"coldest": "45", "warmest": "52", "slowest": "5", "fastest": "5.5"}
# What is fainter than this nobody takes for an answer.
FAINT = 0.5


@pytest.fixture(scope="module")
def tab(chromium: Any, address: str, complained: list[str]) -> Iterator[Any]:
    """One tab with a map of five rates, which the tests below go on with."""
    with watched(chromium, address, complained, viewport={"width": 1440, "height": 900}) as context:
        page = opened(context, address, complained)
        read_lantern(page, **COOL)
        yield page


def colours(page: Any, box: str = "#map") -> set[str]:
    """Colours of more than a hundred pixels of a canvas of Leaflet."""
    found = page.evaluate(
        """(box) => { const canvas = document.querySelector(`${box} canvas`);
           const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
           const times = new Map();
           for (let at = 0; at < data.length; at += 4) if (data[at + 3] === 255) {
             const key = (data[at] << 16) | (data[at + 1] << 8) | data[at + 2];
             times.set(key, (times.get(key) ?? 0) + 1);
           }
           return [...times].filter(([, number]) => number > 100).map(([key]) => key); }""",
        box,
    )
    return {f"#{key:06x}" for key in found}


def drawn(page: Any) -> None:
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")


def show(page: Any, layer: str) -> list[str]:
    """Let the map show a layer and return the words of its key."""
    page.select_option("#map-shows", layer)
    page.locator("#map:not(.waits)").wait_for()
    settled(page)
    drawn(page)
    return [str(text) for text in page.locator("#layer-classes button b").all_inner_texts()]


def chart(page: Any, place: int, what: str) -> str:
    return str(page.locator("#chart-box svg.chart").nth(place).locator(what).get_attribute("d"))


def test_the_charts_follow_a_slider_and_stand_as_tables_too(tab: Any, shots: Path) -> None:
    go(tab, "day")
    over_speed = chart(tab, 1, ".certain")
    assert tab.locator("#chart-box h3").first.inner_text() == "Over liquid temperature, at 5.0 to 5.5 mph"
    assert "liquid margin" in tab.locator("#chart-box svg.chart").first.text_content()
    slider = tab.get_by_label(NAMES["warmest"], exact=True)
    slider.focus()
    shown = tab.locator("body").get_attribute("data-shown")
    tab.keyboard.press("ArrowRight")
    tab.locator(f"body:not([data-shown='{shown}'])").wait_for()
    # Rates over speed depend on the liquid; those over temperature only on the speed.
    assert chart(tab, 1, ".certain") != over_speed
    assert tab.locator("#chart-box h3").nth(1).inner_text() == "Over ground speed, liquid 45 to 53 °F"
    settled(tab)
    tab.screenshot(path=shots / "40_charts.png")
    tab.locator("#chart-table summary").click()
    row = tab.locator("#chart-table tr", has_text="53 °F (plan)")
    assert "liquid margin" in row.inner_text()
    assert tab.locator("#chart-table button").count() == 5
    tab.locator("#chart-table button").first.click()
    assert tab.locator("#lit").inner_text().startswith("Lit: 152 lb N/ac, 5 zones, ")
    tab.locator("#chart-table summary").click()
    tab.keyboard.press("Escape")
    assert tab.locator("#lit").is_hidden()
    set_plan(tab, **COOL)


def test_a_bar_of_the_chart_lights_its_zones(tab: Any, shots: Path) -> None:
    go(tab, "day")
    show(tab, "verdict")
    before = colours(tab)
    bars = tab.locator("#chart-box .catch").first
    bars.focus()
    tab.keyboard.press("Home")
    drawn(tab)
    assert bars.get_attribute("aria-valuetext") == "152 lb N/ac, 5 zones, 20.1 ac doubtful"
    assert tab.locator("#lit p").inner_text() == "Lit: 152 lb N/ac, 5 zones, 20.1 ac doubtful."
    # The 21 zones that hold are no longer in their colour, the doubtful ones are.
    assert "#8fc1e6" in before - colours(tab) and "#cc6f14" in before & colours(tab)
    tab.screenshot(path=shots / "41_lit.png")
    tab.keyboard.press("ArrowUp")
    drawn(tab)
    assert "160 lb N/ac" in tab.locator("#lit p").inner_text()
    assert "#cc6f14" not in colours(tab)
    tab.locator("#lit button").click()
    drawn(tab)
    assert tab.locator("#lit").is_hidden() and colours(tab) == before
    # A click takes the bar nearest to it.
    box = bars.bounding_box()
    middle = tab.locator("#chart-box .chart").first.locator(".bar").first.bounding_box()
    tab.mouse.click(box["x"] + 30, middle["y"] + 1)
    assert "152 lb N/ac" in tab.locator("#lit p").inner_text()
    tab.keyboard.press("Escape")


@pytest.mark.parametrize(
    ("layer", "word"),
    [
        ("asked", "178 lb N/ac"),
        ("given", "raised to 155 lb N/ac"),
        ("margin", "0 to 5.0 psi"),
        ("limit", "doubtful, too slow for the rate: liquid margin"),
    ],
)
def test_the_map_shows_a_layer_with_its_key(tab: Any, layer: str, word: str, shots: Path) -> None:
    words = show(tab, layer)
    assert word in words
    tab.screenshot(path=shots / f"42_{layer}.png")
    fills = {
        tab.evaluate(
            """(canvas) => { const { data } = canvas.getContext("2d").getImageData(3, 3, 1, 1);
               return "#" + [...data].slice(0, 3).map((part) => part.toString(16).padStart(2, "0")).join(""); }""",
            swatch.element_handle(),
        )
        for swatch in tab.locator("#layer-classes canvas").all()
    }
    assert fills & colours(tab), "the map is not in the colours of its key"
    button = tab.locator("#layer-classes button", has_text=word)
    button.click()
    assert button.get_attribute("aria-pressed") == "true" and word in tab.locator("#lit p").inner_text()
    tab.keyboard.press("Escape")
    assert button.get_attribute("aria-pressed") == "false"


def test_pictures_of_an_earlier_plan_are_faint_and_not_to_be_clicked(tab: Any, shots: Path) -> None:
    show(tab, "limit")
    with held(tab, "**/do/vet"):
        type_plan(tab, warmest="60")
        tab.locator("body.old").wait_for()
        for what in ("#chart-box", "#layer-classes", "#map"):
            assert float(tab.locator(what).evaluate("(node) => getComputedStyle(node).opacity")) < FAINT, what
        assert tab.locator("#layer-classes button").first.is_disabled()
        assert tab.locator("#chart-box").evaluate("(node) => getComputedStyle(node).pointerEvents") == "none"
        tab.locator("#chart-box .catch").first.focus()
        tab.keyboard.press("Home")
        assert tab.locator("#lit").is_hidden()
        tab.screenshot(path=shots / "43_old.png")
    settled(tab)
    assert tab.locator("#layer-classes button").first.is_enabled()
    set_plan(tab, **COOL)
    show(tab, "verdict")


def test_the_speed_of_a_cure_becomes_the_plans(tab: Any) -> None:
    show(tab, "verdict")
    go(tab, "zones")
    tab.select_option("#shown", "doubtful")
    tab.locator("#zone-list li", has_text="doubtful").first.click()
    tab.locator("#zone h3", has_text="doubtful").wait_for()
    button = tab.get_by_role("button", name="Use this speed: 5.1 to 7.0 mph")
    assert "Drive 5.1 to 7.0 mph" in tab.locator("#zone").inner_text()
    title = tab.locator("#zone h3").inner_text().split(":")[0].removeprefix("D")
    button.click()
    settled(tab)
    for name, number in (("slowest", "5.1"), ("fastest", "7.0")):
        assert tab.get_by_label(f"{NAMES[name]}, typed", exact=True).input_value() == number
    tab.locator("#zone h3", has_text="holds").wait_for()
    assert title in tab.locator("#zone h3").inner_text() and tab.locator("#zone .use-speed").count() == 0
    set_plan(tab, **COOL)


def test_before_and_after_a_rewriting_by_keyboard(tab: Any, shots: Path) -> None:
    go(tab, "rewrite")
    tab.locator("#allow-raise").check()
    tab.click("#rewrite-go")
    tab.locator("#rewritten").wait_for(timeout=WAIT)
    assert tab.locator("#map-shows").input_value() == "rewritten:given"
    assert tab.locator("#swipe").is_visible()
    slide = tab.locator("#swipe input")
    slide.focus()
    seam = tab.locator("#swipe .seam").bounding_box()["x"]
    tab.keyboard.press("ArrowLeft")
    assert tab.locator("#swipe .seam").bounding_box()["x"] < seam
    assert slide.get_attribute("aria-valuetext") == "49 % before"
    tab.screenshot(path=shots / "44_swipe.png")
    tab.select_option("#map-shows", "rewritten:verdict")
    slide.focus()
    tab.keyboard.press("Home")
    drawn(tab)
    assert slide.get_attribute("aria-valuetext") == "all after" and "#cc6f14" not in colours(tab)
    tab.keyboard.press("End")
    drawn(tab)
    assert "#cc6f14" in colours(tab)
    assert "RAISED" in tab.locator("#rewritten-shown").inner_text()
    tab.select_option("#map-shows", "rewritten:change")
    assert "raised" in " ".join(tab.locator("#layer-classes").all_inner_texts())
    # Another choice, and the layers of that rewriting are gone; the same again, and they are offered.
    tab.locator("#allow-raise").uncheck()
    assert tab.locator("#map-shows").input_value() == "verdict"
    assert tab.locator("#map-shows option[value^=rewritten]").count() == 0 and tab.locator("#swipe").is_hidden()
    tab.locator("#allow-raise").check()
    assert tab.locator("#map-shows option[value^=rewritten]").count() == 3


def test_the_ground_of_a_log_and_its_histogram(tab: Any, shots: Path) -> None:
    go(tab, "log")
    tab.set_input_files("#log-file", LOG)
    tab.click("#log-go")
    tab.locator("#reconciled").wait_for(timeout=WAIT)
    ground = tab.locator("#ground")
    ground.scroll_into_view_if_needed()
    select = ground.locator("select")
    assert select.locator("option").all_inner_texts() == ["Ratio", "Rate asked", "Rate given", "Cause", "Passes"]
    assert "within 10 %" in ground.locator(".ground-key").inner_text()
    picture = ground.locator(".leaflet-image-layer")
    whole = picture.get_attribute("src")
    bars = ground.locator(".catch")
    bars.focus()
    tab.keyboard.press("End")
    said = bars.get_attribute("aria-valuetext")
    assert said.startswith("1.95 of the target or more: ")
    assert ground.locator(".ground-lit p").inner_text().startswith("Lit: 1.95 of the target or more, ")
    assert picture.get_attribute("src") != whole
    tab.screenshot(path=shots / "45_ground.png")
    tab.keyboard.press("Escape")
    assert picture.get_attribute("src") == whole
    ground.locator(".ground-map").scroll_into_view_if_needed()
    box = ground.locator(".ground-map").bounding_box()
    tab.mouse.click(box["x"] + box["width"] * 0.45, box["y"] + box["height"] * 0.62)
    here = ground.locator(".ground-here").inner_text()
    assert here.startswith("Here, ratio: ") and "rate given: " in here and "passes: one pass" in here
    for layer in ("asked", "given", "cause", "passes"):
        select.select_option(layer)
        assert ground.locator(".ground-key button:visible").count() >= 2, layer
    tab.locator("#log-ticket").fill("11600 lb NH3")
    assert float(ground.evaluate("(node) => getComputedStyle(node).opacity")) < FAINT
    assert ground.evaluate("(node) => getComputedStyle(node).pointerEvents") == "none"
    tab.locator("#log-ticket").fill("")
    assert float(ground.evaluate("(node) => getComputedStyle(node).opacity")) == 1.0


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_everything_has_room_on_a_small_phone(tab: Any, scheme: Any, shots: Path) -> None:
    tab.emulate_media(color_scheme=scheme, reduced_motion="reduce")
    tab.set_viewport_size({"width": 320, "height": 640})
    tab.evaluate("document.body.dataset.sheet = 'full'")
    for work, box in (("day", "#chart-box"), ("log", "#ground")):
        go(tab, work)
        tab.locator(box).scroll_into_view_if_needed()
        drawn(tab)
        tab.screenshot(path=shots / f"46_{work}_{scheme}.png")
        wide = tab.evaluate("document.documentElement.scrollWidth - innerWidth")
        assert wide <= 0, work
        for chart_box in tab.locator(f"{box} svg.chart").all():
            if chart_box.is_visible():
                place = chart_box.bounding_box()
                assert place["x"] >= 0 and place["x"] + place["width"] <= 320, work
    tab.evaluate("document.body.dataset.sheet = 'low'")
    tab.select_option("#map-shows", "limit")
    settled(tab)
    tab.screenshot(path=shots / f"46_map_{scheme}.png")
    assert tab.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    for node in tab.locator("#layer-choice select, #layer-choice summary, #layer-choice button:visible").all():
        assert node.bounding_box()["height"] >= 44


def test_no_script_complained(tab: Any, complained: list[str]) -> None:
    assert complained == []

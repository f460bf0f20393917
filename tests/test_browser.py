"""The page in a real browser: what a person does with mouse, keyboard and thumb, and what they see."""

from __future__ import annotations

import csv
import io
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import (
    FIELDS,
    HERON,
    KETTLE,
    LANTERN,
    LANTERN_PARTS,
    LOG,
    NAMES,
    PLAN,
    WAIT,
    WREN,
    choose_bar,
    go,
    opened,
    policy,
    set_plan,
    settled,
    unpacked,
    watched,
)

pytestmark = pytest.mark.slow

# Targets for gloves; WCAG 2.2, success criterion 2.5.5 (enhanced), asks 44 by 44 CSS pixels.
SMALLEST_TARGET = 44.0
ZONE_NAMES = "\u201cColumn with the zones' own names\u201d"
OF_KETTLE = ("--rate-column", "target", "--rate-unit", "lb N/ac")
WORKS = ["day", "zones", "rewrite", "plan", "rehearse", "card", "sizes", "log"]
WORKS += ["learn", "convert", "bar", "reading", "keep"]
# How strong text has to stand out against what is behind it: WCAG 2.2, success criterion 1.4.3 (AA).
LEAST_CONTRAST = 4.5


def command_line(*arguments: object) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "geoflow.cli", *map(str, arguments)], capture_output=True, text=True, check=False
    )
    return done.stdout + done.stderr


@pytest.fixture(scope="module")
def tab(chromium: Any, address: str, complained: list[str]) -> Iterator[Any]:
    """One tab with the sample open, which the tests below go on with."""
    with watched(chromium, address, complained) as context:
        page = opened(context, address, complained)
        page.click("#sample")
        page.locator("#field").wait_for(timeout=WAIT)
        settled(page)
        yield page


@pytest.fixture
def page(tab: Any, complained: list[str]) -> Iterator[Any]:
    """That tab with the sample's plan set again."""
    if "kettle_rise.geojson with Wren" not in tab.locator("#of").inner_text():
        tab.click("#files-open")
        tab.click("#sample")
        tab.locator("#of", has_text="kettle_rise.geojson with Wren").wait_for(timeout=WAIT)
    set_plan(tab, **PLAN)
    yield tab
    assert complained == []


def test_the_sample_answers_with_one_click_and_as_the_command_line_does(page: Any, shots: Path) -> None:
    page.screenshot(path=shots / "03_answer.png")
    set_plan(page, coldest="45", warmest="52", slowest="5", fastest="5")
    said = command_line("vet", KETTLE, "--bar", WREN, "--temperature", "45..52 degF", "--speed", "5 mph", *OF_KETTLE)
    assert page.locator("#sentence").inner_text() == " ".join(said.split("\n\n")[0].split())
    go(page, "keep")
    page.click("#words")
    page.locator("#whole").wait_for(timeout=WAIT)
    shown = " ".join(page.locator("#whole").inner_text().split())
    said = " ".join(said.replace(str(KETTLE), KETTLE.name).split())
    # The page has the whole list and the files a click away, and names no option of the command line.
    hint = " --all-zones lists every one; the map layer that 'geoflow vet --out' writes holds them all."
    assert hint in said and shown == said.replace(hint, "")
    for caution in ("#caution", "#cautions"):
        assert "Ammonia blinds and kills" in page.locator(caution).inner_text()
    assert page.locator("#map canvas").count() == 1


def test_every_work_is_one_click_away_with_the_map_and_the_answer_in_view(page: Any, shots: Path) -> None:
    """At a desk the page itself never scrolls, and neither map nor answer moves when the work beside it changes."""
    assert [tab.get_attribute("id") for tab in page.locator("#works [role=tab]").all()] == [f"tab-{w}" for w in WORKS]
    for width, height in ((1000, 700), (1440, 900), (2560, 1440)):
        page.set_viewport_size({"width": width, "height": height})
        before = page.evaluate(_PLACES)
        assert before["map"][2] * before["map"][3] > 0.3 * width * (height - before["map"][1])
        for work in WORKS:
            go(page, work)
            assert page.locator(f"#work-{work}").is_visible() and page.locator(".work:visible").count() == 1
            now = page.evaluate(_PLACES)
            assert now["scrolled"] == [0, 0, 0] and now["map"] == before["map"] and now["strip"] == before["strip"]
    page.set_viewport_size({"width": 1280, "height": 900})
    go(page, "day")
    slider = page.get_by_label("Ground speed, slowest", exact=True)
    before = page.locator("#sentence").inner_text()
    slider.focus()
    for _ in range(15):
        page.keyboard.press("ArrowRight")
    settled(page)
    assert page.locator("#sentence").inner_text() != before
    assert slider.input_value() == "6.5"
    # Low never lies above high.
    assert page.get_by_label("Ground speed, fastest", exact=True).input_value() == "6.5"


_PLACES = """() => {
  const place = (id) => { const { x, y, width, height } = document.getElementById(id).getBoundingClientRect();
                          return [x, y, width, height].map(Math.round); };
  const root = document.documentElement;
  return { map: place("map"), strip: place("strip"),
           scrolled: [scrollX + scrollY, root.scrollWidth - innerWidth, root.scrollHeight - innerHeight] };
}"""


def test_a_zone_that_is_tapped_tells_its_limit_and_cure_and_words_are_explained(page: Any, shots: Path) -> None:
    box = page.locator("#map").bounding_box()
    for across, down in ((0.35, 0.35), (0.5, 0.5), (0.8, 0.35), (0.3, 0.6)):
        page.locator("#map").click(position={"x": box["width"] * across, "y": box["height"] * down})
        page.locator("#zone h3").wait_for()
        page.wait_for_timeout(300)
        if "Cure:" in page.locator("#zone").inner_text():
            break
    said = page.locator("#zone").inner_text()
    assert re.match(r"\w\s*Zone K\d+: (fails|doubtful)", said), said
    assert "Limit:" in said and "Cure:" in said and "lb N/ac" in said
    page.screenshot(path=shots / "05_zone.png")
    for button, meaning in (
        (page.locator("#counts button", has_text="doubtful"), "depends on how the orifices"),
        (page.locator("#zone button", has_text="liquid margin"), "at which the liquid boils"),
    ):
        button.focus()
        page.keyboard.press("Enter")
        assert meaning in page.locator("#term").inner_text()
        page.keyboard.press("Escape")
        assert page.locator("#term").is_hidden()


def test_a_plan_that_is_none_says_so_and_keeps_quiet_about_zones(page: Any, shots: Path) -> None:
    go(page, "day")
    page.get_by_label("Liquid in the tank, coldest, typed", exact=True).fill("900")
    page.locator("#day-trouble").wait_for()
    assert "cure:" in page.locator("#day-trouble").inner_text()
    assert page.locator("#sentence").inner_text() == "No answer for this plan."
    assert "earlier plan" in page.locator("#pending").inner_text()
    assert float(page.evaluate("getComputedStyle(document.getElementById('map')).opacity")) < 0.5
    page.screenshot(path=shots / "06_no_plan.png")


def test_rewritten_files_are_those_of_the_command_line(page: Any, shots: Path, tmp_path: Path, temporary: Path) -> None:
    set_plan(page, coldest="45", warmest="52", slowest="5", fastest="5")
    go(page, "rewrite")
    policy(page, "hold-total").check()
    page.click("#rules button[type=submit]")
    page.locator("#rewritten").wait_for(timeout=WAIT)
    page.screenshot(path=shots / "07_rewritten.png")
    assert "Ammonia blinds and kills" in page.locator("#rewritten-text").text_content()
    with page.expect_download() as download:
        page.click("#rewritten-save")
    out = tmp_path / "kettle_rise_for_bar.geojson"
    command_line(
        *("rewrite", KETTLE, "--bar", WREN, "--temperature", "45..52 degF", "--speed", "5 mph"),
        *(*OF_KETTLE, "--policy", "hold-total", "--out", out),
    )
    made = unpacked(download.value)
    assert made == {
        out.name: out.read_bytes(),
        "kettle_rise_for_bar_changes.csv": (tmp_path / "kettle_rise_for_bar_changes.csv").read_bytes(),
    }
    # The changes for a spreadsheet hold no formula.
    text = made["kettle_rise_for_bar_changes.csv"].decode()
    cells = [cell for row in csv.reader(io.StringIO(text)) for cell in row]
    assert cells and not [cell for cell in cells if cell[:1] in {"=", "+", "@"} or re.match(r"-[^\d.]", cell)]
    # What was written for one plan is not handed out as if it were for another.
    set_plan(page, fastest="6")
    go(page, "rewrite")
    assert page.locator("#rewritten-save").is_disabled()
    assert page.locator("#rewritten-old").is_visible()
    policy(page, "hold-speed").check()
    assert [entry.name for entry in temporary.iterdir() if entry.name.startswith("geoflow-page-")] == []


def test_the_bar_is_changed_in_the_form_with_the_errors_of_the_file(page: Any, shots: Path, tmp_path: Path) -> None:
    go(page, "bar")
    page.click("#bar-rest > summary")
    name = page.get_by_label("max rise needed")
    assert name.input_value()
    name.fill("90")
    page.click("#bar-use")
    page.locator("#bar-trouble").wait_for()
    page.screenshot(path=shots / "08_bar_form.png")
    wrong = tmp_path / "wren.toml"
    wrong.write_text(re.sub(r'max_rise = "[^"]*"', 'max_rise = "90"', WREN.read_text("utf-8")), encoding="utf-8")
    said = command_line("bar", "--check", wrong).removeprefix("geoflow: ").replace(str(wrong), wrong.name).strip()
    assert page.locator("#bar-trouble").inner_text().strip() == said
    name.fill("60 psi")
    before = page.locator("#sentence").inner_text()
    page.click("#bar-use")
    page.locator("#bar-state", has_text="in use").wait_for(timeout=WAIT)
    settled(page)
    assert page.locator("#sentence").inner_text() != before
    with page.expect_download() as download:
        page.click("#bar-save")
    again = tmp_path / "again.toml"
    again.write_bytes(Path(download.value.path()).read_bytes())
    assert 'max_rise = "60 psi"' in again.read_text("utf-8")
    assert "Wren" in command_line("bar", "--check", again)
    # The bar as it was, for what follows.
    choose_bar(page, WREN)
    settled(page)


def test_markup_in_a_file_is_text_on_the_page(page: Any, tmp_path: Path) -> None:
    evil = "<img src=x onerror=alert(1)><b>bold</b>"
    text = KETTLE.read_text("utf-8")
    path = tmp_path / "evil.geojson"
    path.write_text(text.replace('"properties": {', '"properties": {"' + evil + '": "=1+1' + evil + '", '), "utf-8")
    assert path.read_text("utf-8") != text
    asked: list[str] = []
    page.on("dialog", lambda dialog: asked.append(dialog.message))
    page.set_input_files("#map-file", path)
    page.locator("#choices-asked").wait_for(timeout=WAIT)
    page.select_option("#rate-column", "target")
    page.select_option("#rate-unit", "lb N/ac")
    page.click("#choices button[type=submit]")
    page.locator("#map-name", has_text="evil").wait_for(timeout=WAIT)
    settled(page)
    go(page, "zones")
    page.locator("#zone-list li").first.click()
    page.locator("#zone summary").click()
    assert f"=1+1{evil}" in page.locator("#zone").inner_text()
    assert page.locator("main img").count() == 0 and asked == []
    names = page.evaluate("[...document.querySelectorAll('[id]')].map((node) => node.id)")
    assert len(names) == len(set(names))


def test_a_shapefile_in_parts_is_dropped_and_the_day_is_done_with_it(
    page: Any, address: str, complained: list[str], shots: Path
) -> None:
    """In a second tab: everything downloaded, the log reconciled; the first tab knows nothing of it."""
    before = page.locator("#of").inner_text()
    other = opened(page.context, address, complained)
    assert other.locator("#field").is_hidden()
    choose_bar(other, HERON)
    # A drop as the browser makes it: files in the event's own list.
    handle = other.evaluate_handle("() => new DataTransfer()")
    for part in LANTERN_PARTS:
        other.evaluate(
            "([list, name, content]) => list.items.add(new File([new Uint8Array(content)], name))",
            [handle, part.name, list(part.read_bytes())],
        )
    other.dispatch_event("body", "drop", {"dataTransfer": handle})
    other.locator("#field").wait_for(timeout=WAIT)
    set_plan(other, **PLAN)
    assert "26" in other.locator("#sentence").inner_text()
    go(other, "keep")
    with other.expect_download(timeout=WAIT) as download:
        other.click("#vetted")
    assert {"zones.gpkg", "zones.shp", "map.png", "window.png", "vet.json"} <= set(unpacked(download.value))
    other.set_input_files("#log-file", LOG)
    other.click("#log-form button[type=submit]")
    other.locator("#reconciled").wait_for(timeout=WAIT)
    said = command_line("reconcile", LOG, "--target", LANTERN, "--bar", HERON)
    # The page names no option of the command line: its own field instead, and none where it has none.
    hint = r"Not listed: \d+ zones nearer to target\.\s+--all-zones\s+lists every one\."
    said = re.sub(hint, "", said.replace(str(FIELDS) + "/", ""))
    said = said.replace("--zone-id takes another", f"{ZONE_NAMES} takes another")
    assert "--" not in said and ZONE_NAMES in said
    assert other.locator("#reconciled-text").text_content().split() == said.split()
    other.wait_for_function("[...document.images].every((image) => image.naturalWidth > 0)")
    other.screenshot(path=shots / "15_log.png")
    with other.expect_download() as download:
        other.click("#reconciled-save")
    assert {"zones.csv", "applied.tif", "reconcile.json", "map.png"} <= set(unpacked(download.value))
    # With an outline in place of the map.
    other.locator("#log-map").uncheck()
    other.set_input_files("#log-boundary", [str(part) for part in LANTERN_PARTS])
    assert other.locator("#reconciled-old").is_visible()
    other.click("#log-form button[type=submit]")
    other.locator("#work").wait_for(state="hidden", timeout=WAIT)
    other.locator("#reconciled").wait_for(timeout=WAIT)
    said = command_line("reconcile", LOG, "--boundary", LANTERN, "--bar", HERON).replace(str(FIELDS) + "/", "")
    assert other.locator("#reconciled-text").text_content().split() == said.split()
    other.set_input_files("#log-boundary", [])
    assert other.locator("#reconciled-old").is_visible()
    other.close()
    assert page.locator("#of").inner_text() == before


def test_by_keyboard_alone(context: Any, address: str, complaints: list[str], shots: Path) -> None:
    """From the top of the page over a question to a zone's cure and a rewriting, with no mouse."""
    page = opened(context, address, complaints)
    page.screenshot(path=shots / "01_empty.png")
    with page.expect_file_chooser() as chooser:
        tab_to(page, "bar-file")
        page.keyboard.press("Enter")
    chooser.value.set_files(WREN)
    page.locator("#bar-name", has_text="Wren").wait_for()
    with page.expect_file_chooser() as chooser:
        tab_to(page, "map-file")
        page.keyboard.press("Enter")
    chooser.value.set_files(KETTLE)
    page.locator("#choices-asked").wait_for(timeout=WAIT)
    page.screenshot(path=shots / "02_question.png")
    # The reader's own words, with the fields of the page in place of options; a question is no error.
    said = command_line("vet", KETTLE, "--bar", WREN, "--temperature", "40..50 degF", "--speed", "5 mph")
    said = said.removeprefix("geoflow: ").replace(str(KETTLE), KETTLE.name).strip()
    assert "--rate-column" in said and page.locator("#trouble").is_hidden()
    assert page.locator("#choices-asked").inner_text().strip() == said.replace("--rate-column", "“Rate column”")
    # Columns say what they hold, units what that would be: 0 to 250 lb of ammonia hold 82 % nitrogen.
    assert "target: 0 to 250" in page.locator("#rate-column").inner_text().split("\n")
    sent: list[int] = []
    page.on(
        "request", lambda asked: sent.append(len(asked.post_data_buffer or b"")) if "do/read" in asked.url else None
    )
    tab_to(page, "rate-column")
    page.keyboard.type("target")
    tab_to(page, "rate-unit")
    assert "lb NH3/ac: would be 0 to 205 lb N/ac" in page.locator("#rate-unit").inner_text().split("\n")
    page.keyboard.type("lb N/ac")
    page.keyboard.press("Enter")
    if page.locator("#field").is_hidden():
        tab_to(page, "choices button")
        page.keyboard.press("Enter")
    page.locator("#field").wait_for(timeout=WAIT)
    # The file is not sent again with the answer.
    assert sent and max(sent) < KETTLE.stat().st_size / 2
    for name, number in zip(("coldest", "warmest", "slowest", "fastest"), ("40", "50", "5", "5"), strict=True):
        tab_to(page, f"{NAMES[name]}, typed")
        page.keyboard.type(number)
    settled(page)
    tab_to(page, "tab-day", back=True)
    page.keyboard.press("ArrowDown")
    assert page.evaluate("document.activeElement.id") == "tab-zones"
    tab_to(page, "zone-list")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    page.locator("#zone", has_text="Cure:").wait_for()
    assert page.locator("#zone-list [aria-selected=true]").count() == 1
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineWidth")
    assert float(outline.removesuffix("px")) >= 2.0
    page.screenshot(path=shots / "09_keyboard.png")
    tab_to(page, "tab-zones", back=True)
    page.keyboard.press("ArrowDown")
    tab_to(page, "max-rate")
    page.keyboard.press("Enter")
    page.locator("#rewritten").wait_for(timeout=WAIT)
    assert page.evaluate("document.activeElement.id") == "rewritten"


def tab_to(page: Any, wanted: str, *, back: bool = False) -> None:
    """Press Tab until an element has the focus, by id, by label, or by id of its form and its kind."""
    for _ in range(120):
        here = page.evaluate(
            "[document.activeElement.id, document.activeElement.getAttribute('aria-label'), "
            "`${document.activeElement.form?.id} ${document.activeElement.localName}`]"
        )
        if wanted in here:
            return
        page.keyboard.press("Shift+Tab" if back else "Tab")
    raise AssertionError(f"Tab never comes to {wanted}")


_SMALL = """(least) => [...document.querySelectorAll("button, select, summary, .tick, .button, #map a, #zone-list li, "
    + "input:not([type=checkbox]):not([type=radio]):not(.hidden-input), #systems span")]
    .filter((node) => node.checkVisibility())
    .map((node) => [node.outerHTML.slice(0, 80), node.getBoundingClientRect()])
    .filter(([, box]) => box.height < least || box.width < least)
    .map(([text, box]) => `${text} ${box.width} x ${box.height}`)"""
# Every piece of text against the nearest colour behind it; hidden, disabled and dimmed text apart.
_FAINT = """(least) => {
  const parts = (colour) => colour.match(/[\\d.]+/g).map(Number);
  const light = (colour) => parts(colour).slice(0, 3).map((v) => v / 255)
    .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
    .reduce((sum, v, at) => sum + v * [0.2126, 0.7152, 0.0722][at], 0);
  const found = [];
  const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (texts.nextNode()) {
    const node = texts.currentNode.parentElement;
    if (!texts.currentNode.textContent.trim() || !node.checkVisibility()) continue;
    if (node.closest("[disabled], .leaflet-control, option")) continue;
    let behind = node;
    while (behind && parts(getComputedStyle(behind).backgroundColor)[3] === 0) behind = behind.parentElement;
    const [a, b] = [getComputedStyle(node).color, getComputedStyle(behind ?? document.body).backgroundColor].map(light);
    const contrast = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (contrast < least) found.push(`${node.outerHTML.slice(0, 70)} ${contrast.toFixed(2)}`);
  }
  return found;
}"""
# The map has seen the size of its box, and moves no more.
_AT_REST = """async (height) => {
  const map = document.getElementById("map");
  map.style.height = height;
  for (let frames = 0; frames < 5; frames += 1) {
    await new Promise(requestAnimationFrame);
    if (map.querySelector(".leaflet-zoom-anim")) frames = 0;
  }
  return document.querySelector(".leaflet-control-scale-line").textContent;
}"""


def test_a_map_with_next_to_no_room_for_a_while_shows_the_whole_field_again(tab: Any) -> None:
    """As where a long progress stands above it on a phone."""
    before, small, after = (tab.evaluate(_AT_REST, height) for height in ("", "25px", ""))
    assert before == after != small


# Everything that can be used has a name, and every reference between elements meets one.
_NAMELESS = """() => [
  ...[...document.querySelectorAll("button, select, input:not([type=hidden]), textarea, [role=tab], [role=tabpanel]")]
    .filter((node) => node.checkVisibility())
    .filter((node) => !(node.textContent.trim() || node.ariaLabel || node.labels?.length))
    .filter((node) => !node.hasAttribute("aria-labelledby")),
  ...[...document.querySelectorAll("[aria-labelledby], [aria-controls], [aria-describedby]")].filter((node) =>
    ["aria-labelledby", "aria-controls", "aria-describedby"].some((name) =>
      node.hasAttribute(name) && node.getAttribute(name).split(" ").some((id) => !document.getElementById(id)))),
].map((node) => node.outerHTML.slice(0, 90))"""


def test_on_a_phone_in_the_dark_a_sheet_slides_up_and_nothing_sticks_out(
    chromium: Any, address: str, shots: Path, complaints: list[str]
) -> None:
    """With gloves, at 360 and 320 pixels, in dark colours, without motion, and with letters twice as large."""
    how = {"viewport": {"width": 360, "height": 740}, "has_touch": True, "is_mobile": True}
    with watched(chromium, address, complaints, **how, reduced_motion="reduce", color_scheme="dark") as context:
        page = opened(context, address, complaints)
        page.locator("#sample").tap()
        page.locator("#field").wait_for(timeout=WAIT)
        settled(page)
        page.screenshot(path=shots / "10_phone.png")
        assert page.locator("#map.leaflet-fade-anim").count() == 0
        assert page.evaluate("getComputedStyle(document.getElementById('zone')).transitionDuration") == "0s"
        for width in (360, 320):
            page.set_viewport_size({"width": width, "height": 740})
            for work in WORKS:
                go(page, work)
                assert page.evaluate("document.documentElement.scrollWidth") <= width, work
                assert page.evaluate("document.getElementById('panel-body').scrollWidth") <= width, work
                assert page.evaluate(_SMALL, SMALLEST_TARGET) == [], work
                assert page.evaluate(_FAINT, LEAST_CONTRAST) == [], work
                assert page.evaluate(_NAMELESS) == [], work
        # The sheet: by its handle, by keys, by dragging.
        heights = []
        for key in ("ArrowDown", "ArrowUp", "ArrowUp"):
            page.locator("#grip").press(key)
            heights.append(page.locator("#panel").bounding_box()["height"])
            assert page.locator("#sentence").is_visible()
        assert heights == sorted(heights) and heights[0] < 150 < heights[1] < 400 < heights[2]
        page.screenshot(path=shots / "11_phone_full.png")
        page.locator("#grip").tap()
        assert page.locator("#panel").bounding_box()["height"] == heights[0]
        grip, box = page.locator("#grip").bounding_box(), page.locator("#map").bounding_box()
        page.mouse.move(180, grip["y"] + 20)
        page.mouse.down()
        page.mouse.move(180, grip["y"] - 200, steps=4)
        page.mouse.up()
        assert page.locator("body").get_attribute("data-sheet") == "half"
        page.locator("#grip").press("ArrowDown")
        page.touchscreen.tap(box["x"] + box["width"] * 0.35, box["y"] + box["height"] * 0.42)
        page.locator("#zone h3").wait_for()
        # A zone that is tapped raises the sheet it is told in.
        assert page.locator("body").get_attribute("data-sheet") == "half"
        page.screenshot(path=shots / "12_phone_zone.png")
        page.get_by_text("metric").tap()
        settled(page)
        assert "kg N/ha" in page.locator("#window").text_content()
        # Letters twice as large: as if the screen were half as broad and half as high.
        page.set_viewport_size({"width": 512, "height": 384})
        assert page.evaluate("document.documentElement.scrollWidth") <= 512
        page.screenshot(path=shots / "13_large_letters.png", full_page=True)
        # On paper: the map, the answer, the window and the zones.
        page.emulate_media(media="print")
        for wanted in ("#map", "#sentence", "#counts", "#window", "#zone-list"):
            assert page.locator(wanted).is_visible(), wanted
        for wanted in ("#works", "#spans", "#files-open"):
            assert page.locator(wanted).is_hidden(), wanted
        page.screenshot(path=shots / "14_print.png", full_page=True)
    assert complaints == []

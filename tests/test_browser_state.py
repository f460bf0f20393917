"""The page in a real browser: whatever stands on it belongs to the files and the plan that stand beside it."""

from __future__ import annotations

import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import (
    HERON,
    KETTLE,
    LANTERN_PARTS,
    LOG,
    NAMES,
    PLAN,
    ROOT,
    WAIT,
    WREN,
    answer,
    choose_bar,
    go,
    held,
    opened,
    policy,
    read_lantern,
    set_plan,
    settled,
    type_plan,
    unpacked,
    watched,
)

LANTERN_LOADED = "lantern_flat.shp: column 'lb_n_ac' in lb N/ac"
STAYS = "lantern_flat.shp with Heron (heron.toml) stays loaded"
DOWNLOADS = ("#rewrite-go", "#vetted", "#report", "#words")
# What is fainter than this nobody takes for an answer.
FAINT = 0.5


def faintness(page: Any, wanted: str) -> float:
    """Opacity of an element with all that it lies in."""
    return float(
        page.evaluate(
            """(wanted) => { let all = 1;
               for (let node = document.querySelector(wanted); node instanceof Element; node = node.parentElement)
                 all *= Number(getComputedStyle(node).opacity);
               return all; }""",
            wanted,
        )
    )


def assert_old(page: Any, *more: str) -> None:
    """Everything that answers is dimmed at once, and says what it belongs to."""
    for wanted in ("#counts", "#window", "#limits", "#map", "#zone-list", *more):
        assert faintness(page, wanted) < FAINT, wanted
    assert page.locator("#of").inner_text().startswith("Dimmed: for ")
    assert page.locator("#map-stale").is_visible()
    assert page.locator("body").get_attribute("data-exact") == "false"


def assert_current(page: Any) -> None:
    for wanted in ("#counts", "#window", "#limits", "#map", "#zone-list", "#sentence"):
        assert faintness(page, wanted) == 1.0, wanted
    assert page.locator("#of").inner_text().startswith("For ")
    assert page.locator("#map-stale").is_hidden()
    for wanted in DOWNLOADS:
        assert page.locator(wanted).is_enabled(), wanted


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A map whose reading takes long enough to be stopped: 40,000 zones as GeoJSON."""
    sys.path.insert(0, str(ROOT / "tests" / "benchmarks"))
    from vet_speed import squares

    path = tmp_path_factory.mktemp("large") / "large.geojson"
    squares(40_000, path, "GeoJSON")
    return path


@pytest.fixture(scope="module")
def tab(chromium: Any, address: str, complained: list[str]) -> Iterator[Any]:
    """One tab, which the tests below go on with."""
    with watched(chromium, address, complained) as context:
        yield opened(context, address, complained)


@pytest.fixture
def page(tab: Any, complained: list[str]) -> Iterator[Any]:
    """That tab with the lantern map, the heron bar and the usual plan, in US units."""
    tab.get_by_text("US", exact=True).click()
    if not tab.locator("#of").text_content().startswith("For lantern_flat.shp with Heron"):
        read_lantern(tab)
    else:
        set_plan(tab, **PLAN)
    yield tab
    assert complained == []


def rewritten_name(page: Any) -> str:
    go(page, "rewrite")
    page.click("#rewrite-go")
    page.locator("#work").wait_for(state="hidden", timeout=WAIT)
    page.locator("#rewritten-save:enabled").wait_for(timeout=WAIT)
    with page.expect_download() as download:
        page.click("#rewritten-save")
    return sorted(unpacked(download.value))[0]


# A plan that nobody set: on a tab that has nothing yet


def test_nothing_is_judged_before_temperature_and_speed_are_set(tab: Any, tmp_path: Path, shots: Path) -> None:
    damaged = tmp_path / "damaged.zip"
    damaged.write_bytes(b"PK\x03\x04 and no more")
    asked: list[str] = []
    tab.on("request", lambda request: asked.append(request.url.rsplit("/", 1)[1]))
    choose_bar(tab, HERON)
    # A refused map is not named where none is loaded.
    tab.set_input_files("#map-file", damaged)
    tab.locator("#trouble").wait_for(timeout=WAIT)
    assert tab.locator("#map-name").inner_text().startswith("No prescription yet")
    assert tab.locator("#field").is_hidden()
    tab.set_input_files("#map-file", [str(part) for part in LANTERN_PARTS])
    tab.locator("#field").wait_for(timeout=WAIT)
    tab.screenshot(path=shots / "28_nothing_set.png")
    assert unanswered(tab) == "coldest liquid, warmest liquid, slowest speed, fastest speed"
    for label in NAMES.values():
        assert tab.get_by_label(f"{label}, typed", exact=True).input_value() == ""
        assert tab.get_by_label(label, exact=True).get_attribute("aria-valuetext") == "not set"
    # A slider sets only the end that is moved, and a click where its thumb stands anyway sets that.
    slider = tab.get_by_label(NAMES["slowest"], exact=True)
    slider.focus()
    tab.keyboard.press("End")
    assert unanswered(tab) == "coldest liquid, warmest liquid, fastest speed"
    assert slider.get_attribute("aria-valuetext") == "12 mph"
    tab.get_by_label(NAMES["coldest"], exact=True).click()
    assert unanswered(tab) == "warmest liquid, fastest speed"
    type_plan(tab, coldest="", slowest="")
    names = list(PLAN)
    for number, name in enumerate(names[:-1], 1):
        type_plan(tab, **{name: PLAN[name]})
        assert unanswered(tab).count(",") == len(names) - number - 1
    tab.wait_for_timeout(400)
    assert not {"vet", "zone", "zones", "text", "rewrite", "report", "vetted"} & set(asked)
    set_plan(tab, fastest=PLAN["fastest"])
    assert_current(tab)
    assert "26" in tab.locator("#sentence").inner_text()
    # A number that is taken away again takes the answer with it.
    type_plan(tab, coldest="")
    assert tab.locator("#sentence").inner_text() == "No answer before temperature and speed are set."
    assert_old(tab)
    for wanted in DOWNLOADS:
        assert tab.locator(wanted).is_disabled(), wanted


def unanswered(page: Any) -> str:
    """Check that the page gives no answer, and return what it says is not set."""
    assert page.locator("#sentence").inner_text() == "No answer before temperature and speed are set."
    assert page.locator("#counts").is_hidden() and page.locator("#zone-list li").count() == 0
    for wanted in DOWNLOADS:
        assert page.locator(wanted).is_disabled(), wanted
    said = str(page.locator("#pending").inner_text())
    assert said.startswith("Not set yet: ") and said == page.locator("#map-stale").inner_text()
    return said.removeprefix("Not set yet: ").removesuffix(".")


# Files that do not come to be loaded


def test_stopping_leaves_what_was_loaded_and_its_answer(page: Any, large: Path, shots: Path, temporary: Path) -> None:
    sentence = page.locator("#sentence").inner_text()
    page.set_input_files("#map-file", large)
    page.locator("#work").wait_for()
    page.screenshot(path=shots / "20_reading_another.png")
    assert_old(page, "#sentence", "#facts")
    assert page.locator("#map-name").inner_text() == LANTERN_LOADED
    assert "large.geojson" in page.locator("#coming-words").inner_text()
    for wanted in DOWNLOADS:
        assert page.locator(wanted).is_disabled(), wanted
    # Progress and Stop are in sight whatever work is shown and however far it is scrolled.
    go(page, "bar")
    assert page.locator("#stop").is_visible()
    page.click("#stop")
    page.locator("#work").wait_for(state="hidden", timeout=5_000)
    settled(page)
    page.screenshot(path=shots / "21_stopped.png")
    assert page.locator("#trouble").inner_text() == "Stopped; nothing was written."
    assert STAYS in page.locator("#note").inner_text()
    assert page.locator("#map-name").inner_text() == LANTERN_LOADED
    assert page.locator("#sentence").inner_text() == sentence
    assert "large.geojson" not in page.locator("main").inner_text()
    assert_current(page)
    assert rewritten_name(page).startswith("lantern_flat_for_bar")
    page.wait_for_timeout(300)
    left = [entry for entry in temporary.iterdir() if entry.name.startswith("geoflow-page-")]
    assert left == []


def test_what_is_refused_leaves_what_was_loaded_and_its_answer(page: Any, tmp_path: Path, shots: Path) -> None:
    """A damaged map, one that leads out of its archive, a bar that is none, and a coordinate system that is none."""
    damaged, leading_out, wrong = (tmp_path / name for name in ("damaged.zip", "leading_out.zip", "wrong.toml"))
    damaged.write_bytes(b"PK\x03\x04 and no more")
    with zipfile.ZipFile(leading_out, "w") as archive:
        archive.writestr("../x.shp", b"1")
    wrong.write_text('name = "a"\n', encoding="utf-8")
    sentence = page.locator("#sentence").inner_text()
    for chooser, path in (("#map-file", damaged), ("#map-file", leading_out), ("#bar-file", wrong)):
        page.set_input_files(chooser, path)
        page.locator("#trouble", has_text=path.name).wait_for(timeout=WAIT)
        page.screenshot(path=shots / f"22_refused_{path.stem}.png")
        assert "cure:" in page.locator("#trouble").inner_text()
        assert STAYS in page.locator("#note").inner_text()
        assert page.locator("#map-name").inner_text() == LANTERN_LOADED
        assert page.locator("#bar-name").inner_text() == "Heron (heron.toml)"
        settled(page)
        assert page.locator("#sentence").inner_text() == sentence
        assert_current(page)
    go(page, "reading")
    page.fill("#crs", "EPSG:99999999")
    page.click("#choices button[type=submit]")
    page.locator("#choices-trouble").wait_for(timeout=WAIT)
    settled(page)
    assert page.locator("#sentence").inner_text() == sentence and page.locator("#crs").input_value() == "EPSG:99999999"
    assert_current(page)
    assert rewritten_name(page).startswith("lantern_flat_for_bar")


def test_a_map_that_leaves_a_question_can_be_left_out(page: Any, shots: Path) -> None:
    page.set_input_files("#map-file", KETTLE)
    page.locator("#choices-asked").wait_for(timeout=WAIT)
    page.screenshot(path=shots / "23_question_over_a_loaded_map.png")
    assert page.locator("#map-name").inner_text() == LANTERN_LOADED
    assert_old(page, "#sentence")
    for wanted in DOWNLOADS:
        assert page.locator(wanted).is_disabled(), wanted
    page.click("#coming-drop")
    assert page.locator("#choices-asked").is_hidden()
    settled(page)
    assert_current(page)
    go(page, "reading")
    columns = [text.split(":")[0] for text in page.locator("#rate-column").inner_text().split("\n")]
    assert "target" not in columns and "lb_n_ac" in columns
    # Choices that were not sent change nothing.
    name = rewritten_name(page)
    before = page.locator("#rewritten-text").text_content()
    go(page, "reading")
    page.select_option("#rate-unit", "kg N/ha")
    assert page.locator("#map-name").inner_text() == LANTERN_LOADED
    assert rewritten_name(page) == name and page.locator("#rewritten-text").text_content() == before
    go(page, "reading")
    page.select_option("#rate-unit", "")


# Files chosen while something is under way


def test_what_is_chosen_while_something_is_under_way_ends_it_and_is_taken(page: Any, large: Path, shots: Path) -> None:
    downloads: list[Any] = []
    page.on("download", lambda download: downloads.append(download))
    go(page, "keep")
    with held(page, "**/do/report"):
        page.click("#report")
        page.locator("#work").wait_for()
        with held(page, "**/do/read"):
            page.set_input_files("#bar-file", WREN)
            page.get_by_text("Reading wren.toml").first.wait_for()
            page.screenshot(path=shots / "24_bar_while_reporting.png")
            assert page.locator("#bar-name").inner_text() == "Heron (heron.toml)"
            assert "Making the report was stopped, since wren.toml was chosen" in page.locator("#trouble").inner_text()
            assert_old(page, "#sentence")
    page.locator("#bar-name", has_text="Wren (wren.toml)").wait_for(timeout=WAIT)
    settled(page)
    assert "lantern_flat.shp with Wren (wren.toml)" in page.locator("#of").inner_text()
    assert_current(page)
    assert downloads == []
    # Of two maps the one chosen last is read, and with the bar chosen while it was read.
    page.set_input_files("#map-file", large)
    page.get_by_text("Reading and checking large.geojson").wait_for(timeout=WAIT)
    with held(page, "**/do/read"):
        page.set_input_files("#map-file", [str(part) for part in LANTERN_PARTS])
        page.locator("#coming-words", has_text="lantern_flat").wait_for()
        page.set_input_files("#bar-file", HERON)
        page.locator("#coming-words", has_text="heron.toml").wait_for()
    page.locator("#bar-name", has_text="Heron (heron.toml)").wait_for(timeout=WAIT)
    settled(page)
    assert page.locator("#map-name").inner_text() == LANTERN_LOADED
    assert page.locator("#trouble").is_hidden() and page.locator("#work").is_hidden()
    assert "lantern_flat.shp with Heron" in page.locator("#of").inner_text()


# A plan that moves


def test_while_solving_the_answer_before_is_seen_to_be_old(page: Any, shots: Path) -> None:
    go(page, "zones")
    page.locator("#zone-list li").first.click()
    page.locator("#zone h3").wait_for()
    before = page.locator("#of").inner_text()
    with held(page, "**/do/vet"):
        type_plan(page, fastest="6.8")
        page.screenshot(path=shots / "25_solving.png")
        assert_old(page, "#sentence", "#zone")
        assert "Being solved" in page.locator("#pending").inner_text()
        assert before.removeprefix("For ") in page.locator("#of").inner_text()
        page.wait_for_timeout(400)
        assert_old(page, "#sentence", "#zone")
    settled(page)
    assert_current(page)
    assert "5 to 6.8 mph" in page.locator("#of").inner_text()


def test_a_plan_that_moves_while_a_full_answer_is_solved_ends_that(page: Any) -> None:
    """The full answer is held back for good; the quick one to the newer plan comes all the same."""
    asked: list[str] = []

    def only_quick(route: Any) -> None:
        asked.append(route.request.post_data)
        if '"quick":true' in route.request.post_data or len(asked) > 4:
            route.fallback()

    page.route("**/do/vet", only_quick)
    type_plan(page, fastest="6")
    page.wait_for_timeout(700)
    type_plan(page, fastest="7")
    page.locator("#of", has_text="5 to 7 mph").wait_for(timeout=WAIT)
    assert sum('"quick":true' not in text for text in asked) >= 1
    page.unroute("**/do/vet")
    type_plan(page, fastest="7.5")
    settled(page)


def test_what_was_made_for_a_plan_that_moved_is_withheld(page: Any, shots: Path) -> None:
    go(page, "rewrite")
    with held(page, "**/do/rewrite"):
        page.click("#rewrite-go")
        page.locator("#work").wait_for()
        type_plan(page, slowest="6.5", fastest="6.5")
    page.locator("#work").wait_for(state="hidden", timeout=WAIT)
    settled(page)
    go(page, "rewrite")
    page.screenshot(path=shots / "26_moved_while_rewriting.png")
    assert page.locator("#rewritten-save").is_disabled()
    assert page.locator("#rewritten-old").is_visible()
    assert faintness(page, "#rewritten-text") < FAINT
    assert "5 mph" in page.locator("#rewritten-of").inner_text()
    # Back at the plan it was made for, it is what stands there again.
    set_plan(page, slowest="5", fastest="5")
    go(page, "rewrite")
    assert page.locator("#rewritten-save").is_enabled()
    assert page.locator("#rewritten-old").is_hidden()
    policy(page, "hold-total").check()
    assert page.locator("#rewritten-save").is_disabled()
    policy(page, "hold-speed").check()
    downloads: list[Any] = []
    page.on("download", lambda download: downloads.append(download))
    for name in ("vetted", "report"):
        go(page, "keep")
        with held(page, f"**/do/{name}"):
            page.click(f"#{name}")
            page.locator("#work").wait_for()
            type_plan(page, fastest="6.5" if name == "vetted" else "7")
        page.locator("#trouble", has_text="it was not downloaded").wait_for(timeout=WAIT)
        settled(page)
    # Words asked for before the plan moved are not shown beside the new one.
    go(page, "keep")
    with held(page, "**/do/text"):
        page.click("#words")
        type_plan(page, fastest="5.5")
    settled(page)
    go(page, "keep")
    page.wait_for_timeout(300)
    assert page.locator("#whole").is_hidden()
    assert page.locator("#vetted-names").inner_text() == ""
    assert downloads == []


def test_units_that_change_leave_nothing_in_the_others_unit_that_looks_current(page: Any, shots: Path) -> None:
    sent: list[str] = []
    page.on("request", lambda request: sent.append(request.url.rsplit("/", 1)[1]))
    with held(page, "**/do/vet"):
        page.get_by_text("metric").click()
        assert_old(page, "#sentence")
        page.screenshot(path=shots / "27_units.png")
    settled(page)
    assert_current(page)
    assert "kg N/ha" in page.locator("#window").text_content() and "km/h" in page.locator("#of").inner_text()
    go(page, "reading")
    page.get_by_text("ha, column", exact=False).wait_for()
    # Nothing is read again for that.
    assert "read" not in sent


# The log and the form


def test_a_reconciliation_belongs_to_the_log_its_choices_and_the_files_loaded(
    page: Any, tmp_path: Path, shots: Path
) -> None:
    page.set_input_files("#log-file", LOG)
    page.click("#log-go")
    page.locator("#reconciled").wait_for(timeout=WAIT)
    assert page.locator("#reconciled-save").is_enabled()
    page.locator("#log-ticket").fill("11600 lb NH3")
    page.screenshot(path=shots / "30_log_changed.png")
    assert page.locator("#reconciled-save").is_disabled() and page.locator("#reconciled-old").is_visible()
    assert faintness(page, "#reconciled-text") < FAINT
    page.locator("#log-ticket").fill("")
    assert page.locator("#reconciled-save").is_enabled()
    page.locator("#log-bar").uncheck()
    assert page.locator("#reconciled-save").is_disabled()
    page.locator("#log-bar").check()
    assert page.locator("#reconciled-save").is_enabled()
    # A log chosen during a reconciliation is not named beside the other one's.
    other = tmp_path / "other.csv"
    other.write_bytes(LOG.read_bytes())
    with held(page, "**/do/reconcile"):
        page.click("#log-go")
        page.locator("#work").wait_for()
        page.set_input_files("#log-file", other)
        page.locator("#log-trouble").wait_for()
    assert "other.csv was chosen" in page.locator("#log-trouble").inner_text()
    page.locator("#work").wait_for(state="hidden", timeout=WAIT)
    assert page.locator("#reconciled").is_hidden()
    assert page.locator("#log-name").inner_text() == "other.csv"
    # Nor is it compared with a map that is not read.
    page.set_input_files("#map-file", KETTLE)
    page.locator("#choices-asked").wait_for(timeout=WAIT)
    go(page, "log")
    assert page.locator("#log-go").is_disabled()
    assert "kettle_rise.geojson is not read yet" in page.locator("#log-why").inner_text()
    for ticked in ("#log-map", "#log-bar"):
        assert page.locator("#log-go").is_disabled()
        page.locator(ticked).uncheck()
    assert page.locator("#log-go").is_enabled()
    for ticked in ("#log-map", "#log-bar"):
        page.locator(ticked).check()
    page.click("#coming-drop")


def test_a_log_that_does_not_say_its_columns_has_them_proposed(page: Any, tmp_path: Path) -> None:
    """Filled in for a person to look through; the second round answers, and the log is what it would have been."""
    header, rest = LOG.read_text("utf-8").split("\n", 1)
    unclear = tmp_path / "unclear.csv"
    names = [name.split("(")[0].strip() for name in header.split(",")]
    unclear.write_text("\n".join([",".join(names), rest]), encoding="utf-8")
    page.set_input_files("#log-file", unclear)
    page.click("#log-go")
    page.locator("#log-trouble", has_text="filled in above").wait_for(timeout=WAIT)
    proposed = page.locator("#log-column").input_value().splitlines()
    assert len(proposed) > 1 and all("=" in line for line in proposed)
    assert "--" not in page.locator("#log-trouble").inner_text()


def test_the_form_says_which_bar_is_in_use(page: Any, shots: Path) -> None:
    go(page, "bar")
    page.locator("#bar-state", has_text="This bar is in use.").wait_for(timeout=WAIT)
    answer(page, "pump_rise", "150")
    assert page.locator("#bar-state").inner_text().startswith("Changed and not in use yet. In use is Heron")
    assert page.locator("#bar-words").is_hidden()
    page.screenshot(path=shots / "31_form_changed.png")
    choose_bar(page, WREN)
    go(page, "bar")
    assert "In use is Wren (wren.toml)" in page.locator("#bar-state").inner_text()
    assert page.locator("#bar-title").inner_text() == "The bar: heron.toml"
    page.click("#bar-use")
    page.locator("#bar-name", has_text="Heron (heron.toml)").wait_for(timeout=WAIT)
    go(page, "bar")
    assert page.locator("#bar-state").inner_text() == "This bar is in use."
    assert page.locator("#bar-save").is_enabled()
    choose_bar(page, HERON)


# Nothing is lost


def test_a_tab_that_was_let_go_opens_itself_again(page: Any, shots: Path) -> None:
    sentence = page.locator("#sentence").inner_text()
    page.evaluate("dispatchEvent(new PageTransitionEvent('pagehide'))")
    page.wait_for_timeout(300)
    go(page, "zones")
    with held(page, "**/do/open"):
        page.locator("#zone-list li").first.click()
        page.locator("#pending", has_text="being opened again").wait_for()
        page.screenshot(path=shots / "29_let_go.png")
        assert_old(page, "#sentence")
        for wanted in DOWNLOADS:
            assert page.locator(wanted).is_disabled(), wanted
    page.locator("body[data-exact=true]").wait_for(timeout=WAIT)
    settled(page)
    assert page.locator("#sentence").inner_text() == sentence
    assert_current(page)


def test_a_reload_and_the_way_back_lose_nothing(page: Any, address: str, complained: list[str]) -> None:
    """Bar, map, plan, choices, what was typed, the log and a bar half filled in; a new tab may go on with them."""
    set_plan(page, fastest="6.2")
    sentence = page.locator("#sentence").inner_text()
    page.set_input_files("#log-file", LOG)
    page.fill("#log-ticket", "11600 lb NH3")
    go(page, "bar")
    answer(page, "pump_rise", "150")
    go(page, "rewrite")
    policy(page, "hold-total").check()
    page.locator("#allow-raise").check()
    page.locator("body[data-kept=yes]").wait_for()

    def all_there(tab: Any) -> None:
        tab.wait_for_selector("body[data-ready]")
        tab.locator("#field").wait_for(timeout=WAIT)
        settled(tab)
        assert tab.locator("#tab-rewrite").get_attribute("aria-selected") == "true"
        assert policy(tab, "hold-total").is_checked() and tab.locator("#allow-raise").is_checked()
        assert tab.locator("#sentence").inner_text() == sentence
        assert tab.locator("#log-ticket").input_value() == "11600 lb NH3"
        assert tab.locator("#log-name").text_content() == LOG.name
        assert tab.locator("#answer-pump-rise").input_value() == "150"
        assert tab.locator("#bar-state").text_content().startswith("Changed and not in use yet")

    page.reload()
    all_there(page)
    page.goto("about:blank")
    page.go_back()
    all_there(page)
    # A new tab begins with nothing, and may go on with what no other tab has open.
    other = opened(page.context, address, complained)
    assert other.locator("#field").is_hidden() and other.locator("#go-on").is_hidden()
    page.goto("about:blank")
    other.reload()
    other.wait_for_selector("body[data-ready]")
    other.click("#go-on")
    all_there(other)
    # Forgotten, and switched off, it is gone.
    other.click("#files-open")
    other.locator("#keep-on").uncheck()
    other.reload()
    other.wait_for_selector("body[data-ready]")
    assert other.locator("#field").is_hidden()
    assert other.evaluate("Object.keys(localStorage).filter((key) => key.includes('work'))") == []
    other.close()

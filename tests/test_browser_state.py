"""The page in a real browser: whatever stands on it belongs to the files and the plan that stand beside it."""

from __future__ import annotations

import sys
import zipfile
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
    held,
    read_kettle,
    read_lantern,
    set_plan,
    settled,
    type_plan,
    unpacked,
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


@pytest.fixture
def damaged(tmp_path: Path) -> Path:
    path = tmp_path / "damaged.zip"
    path.write_bytes(b"PK\x03\x04 and no more")
    return path


@pytest.fixture
def leading_out(tmp_path: Path) -> Path:
    path = tmp_path / "leading_out.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("../x.shp", b"1")
    return path


def rewritten_name(page: Any) -> str:
    page.click("#rewrite-go")
    page.locator("#rewritten").wait_for(timeout=WAIT)
    with page.expect_download() as download:
        page.click("#rewritten-save")
    return sorted(unpacked(download.value))[0]


# Files that do not come to be loaded


def test_stopping_leaves_what_was_loaded_and_its_answer(page: Any, large: Path, shots: Path) -> None:
    read_lantern(page)
    sentence = page.locator("#sentence").inner_text()
    page.set_input_files("#map-file", large)
    page.locator("#work").wait_for()
    page.screenshot(path=shots / "20_reading_another.png", full_page=True)
    assert_old(page, "#sentence", "#facts")
    assert page.locator("#map-name").inner_text() == LANTERN_LOADED
    assert "large.geojson" in page.locator("#coming-words").inner_text()
    for wanted in DOWNLOADS:
        assert page.locator(wanted).is_disabled(), wanted
    page.click("#stop")
    page.locator("#work").wait_for(state="hidden", timeout=WAIT)
    settled(page)
    page.screenshot(path=shots / "21_stopped.png", full_page=True)
    assert page.locator("#trouble").inner_text() == "Stopped; nothing was written."
    assert STAYS in page.locator("#note").inner_text()
    assert page.locator("#map-name").inner_text() == LANTERN_LOADED
    assert page.locator("#sentence").inner_text() == sentence
    assert "large.geojson" not in page.locator("#field").inner_text()
    assert_current(page)
    assert rewritten_name(page).startswith("lantern_flat_for_bar")


@pytest.mark.parametrize("name", ["damaged", "leading_out"])
def test_a_refused_map_leaves_what_was_loaded_and_its_answer(
    page: Any, name: str, request: pytest.FixtureRequest, shots: Path
) -> None:
    read_lantern(page)
    sentence = page.locator("#sentence").inner_text()
    page.set_input_files("#map-file", request.getfixturevalue(name))
    page.locator("#trouble").wait_for(timeout=WAIT)
    page.screenshot(path=shots / f"22_refused_{name}.png", full_page=True)
    assert "cure:" in page.locator("#trouble").inner_text()
    assert STAYS in page.locator("#note").inner_text()
    assert page.locator("#map-name").inner_text() == LANTERN_LOADED
    assert page.locator("#sentence").inner_text() == sentence
    settled(page)
    assert_current(page)
    assert rewritten_name(page).startswith("lantern_flat_for_bar")


def test_a_refused_map_is_not_named_where_none_is_loaded(page: Any, damaged: Path) -> None:
    page.set_input_files("#bar-file", HERON)
    page.get_by_text("Heron (heron.toml)").wait_for()
    page.set_input_files("#map-file", damaged)
    page.locator("#trouble").wait_for(timeout=WAIT)
    assert page.locator("#map-name").inner_text().startswith("No prescription yet")
    assert page.locator("#field").is_hidden()


def test_a_refused_bar_leaves_what_was_loaded_and_its_answer(page: Any, tmp_path: Path) -> None:
    read_lantern(page)
    wrong = tmp_path / "wrong.toml"
    wrong.write_text('name = "a"\n', encoding="utf-8")
    page.set_input_files("#bar-file", wrong)
    page.locator("#trouble").wait_for()
    assert page.locator("#bar-name").inner_text() == "Heron (heron.toml)"
    assert STAYS in page.locator("#note").inner_text()
    assert_current(page)


def test_a_map_that_leaves_a_question_can_be_left_out(page: Any, shots: Path) -> None:
    read_lantern(page)
    page.set_input_files("#map-file", KETTLE)
    page.locator("#choices").wait_for(timeout=WAIT)
    page.screenshot(path=shots / "23_question_over_a_loaded_map.png", full_page=True)
    assert page.locator("#map-name").inner_text() == LANTERN_LOADED
    assert_old(page, "#sentence")
    for wanted in DOWNLOADS:
        assert page.locator(wanted).is_disabled(), wanted
    page.click("#coming-drop")
    assert page.locator("#choices").is_hidden()
    settled(page)
    assert_current(page)
    page.click("#choices-open")
    assert "target" not in page.locator("#rate-column").inner_text().split("\n")
    assert "lb_n_ac" in page.locator("#rate-column").inner_text().split("\n")


def test_choices_that_were_not_sent_change_nothing(page: Any) -> None:
    read_kettle(page)
    page.click("#rewrite-go")
    page.locator("#rewritten").wait_for(timeout=WAIT)
    before = page.locator("#rewritten-text").inner_text()
    page.click("#choices-open")
    page.select_option("#rate-unit", "kg N/ha")
    assert page.locator("#map-name").inner_text() == "kettle_rise.geojson: column 'target' in lb N/ac"
    page.click("#rewrite-go")
    page.locator("#work").wait_for(state="hidden", timeout=WAIT)
    assert page.locator("#rewritten-text").inner_text() == before
    assert page.locator("#rewritten-save").is_enabled()


# Files chosen while something is under way


def test_a_bar_chosen_while_a_report_is_made_ends_it_and_is_taken(page: Any, shots: Path) -> None:
    read_lantern(page)
    downloads: list[Any] = []
    page.on("download", lambda download: downloads.append(download))
    with held(page, "**/do/report"):
        page.click("#report")
        page.locator("#work").wait_for()
        with held(page, "**/do/read"):
            page.set_input_files("#bar-file", WREN)
            page.get_by_text("Reading wren.toml").first.wait_for()
            page.wait_for_timeout(300)
            page.screenshot(path=shots / "24_bar_while_reporting.png", full_page=True)
            assert page.locator("#bar-name").inner_text() == "Heron (heron.toml)"
            assert "Making the report was stopped, since wren.toml was chosen" in page.locator("#trouble").inner_text()
            assert_old(page, "#sentence")
    page.get_by_text("Wren (wren.toml)", exact=True).wait_for(timeout=WAIT)
    settled(page)
    assert "lantern_flat.shp with Wren (wren.toml)" in page.locator("#of").inner_text()
    assert_current(page)
    assert downloads == []


def test_of_two_maps_the_one_dropped_last_is_read(page: Any, large: Path) -> None:
    page.set_input_files("#bar-file", HERON)
    page.get_by_text("Heron (heron.toml)").wait_for()
    page.set_input_files("#map-file", large)
    page.get_by_text("Reading and checking large.geojson").wait_for(timeout=WAIT)
    page.set_input_files("#map-file", [str(part) for part in LANTERN_PARTS])
    page.locator("#field").wait_for(timeout=WAIT)
    assert page.locator("#map-name").inner_text() == LANTERN_LOADED
    assert page.locator("#trouble").is_hidden()
    page.wait_for_timeout(1_000)
    assert page.locator("#work").is_hidden()
    set_plan(page, **PLAN)
    assert "lantern_flat.shp with Heron" in page.locator("#of").inner_text()


def test_a_bar_chosen_while_a_map_is_read_is_read_with_that_map(page: Any) -> None:
    page.set_input_files("#bar-file", HERON)
    page.get_by_text("Heron (heron.toml)").wait_for()
    with held(page, "**/do/read"):
        page.set_input_files("#map-file", [str(part) for part in LANTERN_PARTS])
        page.locator("#work").wait_for()
        page.set_input_files("#bar-file", WREN)
        page.get_by_text("Wren (wren.toml)", exact=True).wait_for()
    page.locator("#field").wait_for(timeout=WAIT)
    set_plan(page, **PLAN)
    assert "lantern_flat.shp with Wren (wren.toml)" in page.locator("#of").inner_text()


# A plan that moves


def test_while_solving_the_answer_before_is_seen_to_be_old(page: Any, shots: Path) -> None:
    read_lantern(page)
    page.locator("#zone-list li").first.click()
    page.locator("#zone h3").wait_for()
    before = page.locator("#of").inner_text()
    with held(page, "**/do/vet"):
        type_plan(page, fastest="6.8")
        page.screenshot(path=shots / "25_solving.png", full_page=True)
        assert_old(page, "#sentence", "#zone")
        assert "Being solved" in page.locator("#pending").inner_text()
        assert before.removeprefix("For ") in page.locator("#of").inner_text()
        page.wait_for_timeout(500)
        assert_old(page, "#sentence", "#zone")
    settled(page)
    assert_current(page)
    assert "5 to 6.8 mph" in page.locator("#of").inner_text()


def test_a_plan_that_moves_during_a_rewriting_withholds_it(page: Any, shots: Path) -> None:
    read_lantern(page)
    with held(page, "**/do/rewrite"):
        page.click("#rewrite-go")
        page.locator("#work").wait_for()
        type_plan(page, slowest="6.5", fastest="6.5")
    page.locator("#rewritten").wait_for(timeout=WAIT)
    settled(page)
    page.screenshot(path=shots / "26_moved_while_rewriting.png", full_page=True)
    assert page.locator("#rewritten-save").is_disabled()
    assert page.locator("#rewritten-old").is_visible()
    assert faintness(page, "#rewritten-text") < FAINT
    assert "5 mph" in page.locator("#rewritten-of").inner_text()
    # Back at the plan it was made for, it is what stands there again.
    set_plan(page, slowest="5", fastest="5")
    assert page.locator("#rewritten-save").is_enabled()
    assert page.locator("#rewritten-old").is_hidden()
    page.get_by_label("hold-total").check()
    assert page.locator("#rewritten-save").is_disabled()


@pytest.mark.parametrize("name", ["vetted", "report"])
def test_what_was_made_for_a_plan_that_moved_is_not_downloaded(page: Any, name: str) -> None:
    read_lantern(page)
    downloads: list[Any] = []
    page.on("download", lambda download: downloads.append(download))
    with held(page, f"**/do/{name}"):
        page.click(f"#{name}")
        page.locator("#work").wait_for()
        type_plan(page, fastest="6.5")
    page.locator("#trouble").wait_for(timeout=WAIT)
    assert "it was not downloaded" in page.locator("#trouble").inner_text()
    assert page.locator("#vetted-names").inner_text() == ""
    assert downloads == []


def test_words_asked_for_before_the_plan_moved_are_not_shown_beside_the_new_one(page: Any) -> None:
    read_lantern(page)
    with held(page, "**/do/text"):
        page.click("#words")
        type_plan(page, fastest="6.5")
    settled(page)
    page.wait_for_timeout(500)
    assert page.locator("#whole").is_hidden()


def test_units_that_change_leave_nothing_in_the_others_unit_that_looks_current(page: Any, shots: Path) -> None:
    read_lantern(page)
    with held(page, "**/do/vet"):
        page.get_by_text("metric").click()
        assert_old(page, "#sentence")
        page.screenshot(path=shots / "27_units.png", full_page=True)
    settled(page)
    assert_current(page)
    assert "kg N/ha" in page.locator("#window").inner_text() and "km/h" in page.locator("#of").inner_text()
    page.get_by_text("ha, column", exact=False).wait_for()


# A plan that nobody set


def test_nothing_is_judged_before_temperature_and_speed_are_set(page: Any, shots: Path) -> None:
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url.rsplit("/", 1)[1]))
    page.set_input_files("#bar-file", HERON)
    page.get_by_text("Heron (heron.toml)").wait_for()
    page.set_input_files("#map-file", [str(part) for part in LANTERN_PARTS])
    page.locator("#field").wait_for(timeout=WAIT)
    page.wait_for_timeout(1_000)
    page.screenshot(path=shots / "28_nothing_set.png", full_page=True)
    assert unanswered(page) == "coldest liquid, warmest liquid, slowest speed, fastest speed"
    for label in NAMES.values():
        assert page.get_by_label(f"{label}, typed", exact=True).input_value() == ""
        assert page.get_by_label(label, exact=True).get_attribute("aria-valuetext") == "not set"
    names = list(PLAN)
    for number, name in enumerate(names[:-1], 1):
        type_plan(page, **{name: PLAN[name]})
        page.wait_for_timeout(400)
        assert unanswered(page).count(",") == len(names) - number - 1
    assert not {"vet", "zone", "zones", "text", "rewrite", "report", "vetted"} & set(asked)
    set_plan(page, fastest=PLAN["fastest"])
    assert_current(page)
    assert "26" in page.locator("#sentence").inner_text()
    # A number that is taken away again takes the answer with it.
    type_plan(page, coldest="")
    assert page.locator("#sentence").inner_text() == "No answer before temperature and speed are set."
    assert_old(page)
    for wanted in DOWNLOADS:
        assert page.locator(wanted).is_disabled(), wanted


def unanswered(page: Any) -> str:
    """Check that the page gives no answer, and return what it says is not set."""
    assert page.locator("#sentence").inner_text() == "No answer before temperature and speed are set."
    assert page.locator("#counts").is_hidden() and page.locator("#zone-list li").count() == 0
    for wanted in DOWNLOADS:
        assert page.locator(wanted).is_disabled(), wanted
    said = str(page.locator("#pending").inner_text())
    assert said.startswith("Not set yet: ") and said == page.locator("#map-stale").inner_text()
    return said.removeprefix("Not set yet: ").removesuffix(".")


def test_a_slider_sets_only_the_end_that_is_moved(page: Any) -> None:
    page.set_input_files("#bar-file", HERON)
    page.get_by_text("Heron (heron.toml)").wait_for()
    page.set_input_files("#map-file", [str(part) for part in LANTERN_PARTS])
    page.locator("#field").wait_for(timeout=WAIT)
    slider = page.get_by_label(NAMES["slowest"], exact=True)
    slider.focus()
    page.keyboard.press("End")
    assert unanswered(page) == "coldest liquid, warmest liquid, fastest speed"
    assert slider.get_attribute("aria-valuetext") == "12 mph"
    # A click where the thumb stands anyway sets that.
    page.get_by_label(NAMES["coldest"], exact=True).click()
    assert unanswered(page) == "warmest liquid, fastest speed"


# Tabs that end, and the way back


def test_a_tab_that_was_let_go_says_so_and_dims_everything(page: Any, shots: Path) -> None:
    read_lantern(page)
    page.evaluate("dispatchEvent(new PageTransitionEvent('pagehide'))")
    page.wait_for_timeout(500)
    page.locator("#zone-list li").first.click()
    page.locator("#trouble").wait_for()
    page.screenshot(path=shots / "29_let_go.png", full_page=True)
    assert "let go" in page.locator("#trouble").inner_text()
    assert_old(page, "#sentence")
    for wanted in DOWNLOADS:
        assert page.locator(wanted).is_disabled(), wanted


def test_the_way_back_brings_no_choice_that_is_not_on_the_server(page: Any) -> None:
    read_lantern(page)
    page.get_by_label("hold-total").check()
    page.locator("#allow-raise").check()
    page.goto("about:blank")
    page.go_back()
    page.wait_for_selector("body[data-ready]")
    assert page.locator("#field").is_hidden()
    assert page.locator("#map-name").inner_text().startswith("No prescription yet")
    read_lantern(page)
    assert not page.locator("#allow-raise").is_checked()
    assert page.get_by_label("hold-speed").is_checked()


# The log and the form


def test_a_reconciliation_belongs_to_the_log_its_choices_and_the_files_above(page: Any, shots: Path) -> None:
    read_lantern(page)
    page.set_input_files("#log-file", LOG)
    page.click("#log-go")
    page.locator("#reconciled").wait_for(timeout=WAIT)
    assert page.locator("#reconciled-save").is_enabled()
    page.locator("#log-ticket").fill("11600 lb NH3")
    page.screenshot(path=shots / "30_log_changed.png", full_page=True)
    assert page.locator("#reconciled-save").is_disabled()
    assert page.locator("#reconciled-old").is_visible()
    assert faintness(page, "#reconciled-text") < FAINT
    page.locator("#log-ticket").fill("")
    assert page.locator("#reconciled-save").is_enabled()
    page.set_input_files("#bar-file", WREN)
    page.get_by_text("Wren (wren.toml)", exact=True).wait_for(timeout=WAIT)
    assert page.locator("#reconciled-save").is_disabled()
    page.locator("#log-bar").uncheck()
    page.locator("#log-map").uncheck()
    assert page.locator("#reconciled-save").is_disabled()


def test_a_log_chosen_while_another_is_reconciled_ends_that(page: Any, tmp_path: Path) -> None:
    other = tmp_path / "other.csv"
    other.write_bytes(LOG.read_bytes())
    page.set_input_files("#log-file", LOG)
    with held(page, "**/do/reconcile"):
        page.click("#log-go")
        page.locator("#work").wait_for()
        page.set_input_files("#log-file", other)
        page.locator("#log-trouble").wait_for()
    assert "other.csv was chosen" in page.locator("#log-trouble").inner_text()
    page.wait_for_timeout(500)
    assert page.locator("#reconciled").is_hidden()
    assert page.locator("#log-name").inner_text() == "other.csv"


def test_a_log_is_not_compared_with_a_map_that_is_not_read(page: Any) -> None:
    page.set_input_files("#map-file", KETTLE)
    page.set_input_files("#log-file", LOG)
    assert page.locator("#log-go").is_disabled()
    assert "kettle_rise.geojson is not read yet" in page.locator("#log-why").inner_text()
    page.locator("#log-map").uncheck()
    assert page.locator("#log-go").is_enabled()
    page.click("#coming-drop")
    assert page.locator("#log-map").is_disabled()
    assert "none is loaded" in page.locator("#log-form").inner_text()


def test_the_form_says_which_bar_is_in_use(page: Any, shots: Path) -> None:
    read_lantern(page)
    page.click("#bar-edit")
    assert page.locator("#bar-state").inner_text() == "This bar is in use."
    page.get_by_label("max rise needed").fill("150 psi")
    assert page.locator("#bar-state").inner_text().startswith("Changed and not in use yet. In use is Heron")
    assert page.locator("#bar-save").is_disabled() and page.locator("#bar-words").is_hidden()
    page.screenshot(path=shots / "31_form_changed.png")
    page.set_input_files("#bar-file", WREN)
    page.get_by_text("Wren (wren.toml)", exact=True).wait_for(timeout=WAIT)
    assert "In use is Wren (wren.toml)" in page.locator("#bar-state").inner_text()
    assert page.locator("#bar-title").inner_text() == "The bar: heron.toml"
    page.click("#bar-use")
    page.get_by_text("Heron (heron.toml)", exact=True).wait_for(timeout=WAIT)
    assert page.locator("#bar-state").inner_text() == "This bar is in use."
    assert page.locator("#bar-save").is_enabled()

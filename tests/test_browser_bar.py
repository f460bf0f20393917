"""The bar as an interview, the phone's sheet and the sharing of it, in a real browser."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import HERON, WAIT, answer, choose_bar, opened, read_lantern, served, watched

from geoflow import cli
from geoflow.bar.asking import ESSENTIALS, THEMES
from geoflow.bar.bar_file import read_bar
from geoflow.bar.questions import QUESTIONS

pytestmark = pytest.mark.slow

SMALLEST_TARGET = 44.0
# The sheet as the page gave it, for what is looked at afterwards.
SHEET: list[str] = []
TYPED = {"row_spacing": "30", "sections": "5, 6, 5", "orifice": "50", "meter_pulses": "700"}


@pytest.fixture(scope="module")
def desk(chromium: Any, temporary: Path) -> Iterator[str]:
    """A page that shares, and where phones come in; its loopback address stands for the local network."""
    with served("--share", "--share-on", "127.0.0.1", folder=temporary) as address:
        yield address


@pytest.fixture(scope="module")
def page(chromium: Any, desk: str, complained: list[str]) -> Iterator[Any]:
    with watched(chromium, desk, complained) as context:
        made = opened(context, desk, complained)
        made.click("#tab-bar")
        yield made


def text_of(page: Any) -> str:
    page.locator("#bar-save:not([disabled])").wait_for(timeout=WAIT)
    with page.expect_download() as coming:
        page.click("#bar-save")
    return Path(coming.value.path()).read_text("utf-8")


def fits(page: Any, shots: Path, name: str) -> None:
    """On a phone and at a desk: nothing sticks out at the side, and targets suit a thumb."""
    for width, height in ((1440, 900), (360, 740)):
        page.set_viewport_size({"width": width, "height": height})
        page.screenshot(path=shots / f"{name}_{width}.png")
        out = "document.querySelector('#panel-body').scrollWidth - document.querySelector('#panel-body').clientWidth"
        assert page.evaluate(out) <= 1, (name, width)
        small = page.evaluate(
            """(least) => [...document.querySelectorAll('#work-bar :is(button, input, select, summary)')]
                .filter((node) => node.offsetParent)
                .map((node) => node.closest('.tick') ?? node)
                .filter((node) => node.getBoundingClientRect().height < least - 0.5)
                .map((node) => node.id || node.textContent)""",
            SMALLEST_TARGET,
        )
        assert small == [], (name, width)
    page.set_viewport_size({"width": 1280, "height": 900})


def test_the_form_asks_the_interviews_questions_essentials_first(page: Any, shots: Path) -> None:
    asked = page.locator("#bar-first .ask > label").all_inner_texts()
    assert [text.split("\n")[-1].strip() for text in asked] == [
        next(one.asks for one in QUESTIONS if one.name == name) for name in ESSENTIALS
    ]
    every = page.evaluate("[...document.querySelectorAll('#bar-questions .ask > label')].map((n) => n.textContent)")
    assert sorted(every) == sorted(f"{one.label[0].upper()}{one.label[1:]} {one.asks}" for one in QUESTIONS)
    titles = page.locator("#bar-questions > details > summary > span:first-child").all_inner_texts()
    assert titles[:-1] == list(THEMES) and "close a day" in titles[-1]
    assert page.locator("#bar-questions > details[open]").count() == 0
    assert "Still needed: row spacing" in page.locator("#bar-progress").inner_text()
    fits(page, shots, "bar_empty")


def test_an_error_stands_at_its_field_and_takes_the_focus(page: Any, shots: Path) -> None:
    for name, text in {**TYPED, "meter_pulses": "many"}.items():
        answer(page, name, text)
    page.click("#bar-use")
    wrong = page.locator("#answer-meter-pulses-wrong")
    wrong.wait_for()
    assert "is no number of pulses" in wrong.inner_text() and "cure:" in wrong.inner_text()
    field = page.locator("#answer-meter-pulses")
    assert field.get_attribute("aria-invalid") == "true"
    assert "answer-meter-pulses-wrong" in field.get_attribute("aria-describedby")
    assert page.evaluate("document.activeElement.id") == "answer-meter-pulses"
    fits(page, shots, "bar_wrong")
    answer(page, "meter_pulses", "700")
    wrong.wait_for(state="hidden")
    assert field.get_attribute("aria-invalid") is None
    # Within a fold, it is opened.
    answer(page, "valve", "-3")
    page.locator("#ask-valve").evaluate("node => (node.closest('details').open = false)")
    page.click("#bar-use")
    page.locator("#answer-valve-wrong").wait_for()
    assert page.evaluate("document.activeElement.id") == "answer-valve"
    page.locator("#ask-valve .ticks").get_by_text("don't know").click()
    page.locator("#answer-valve-wrong").wait_for(state="hidden")


def test_what_is_answered_here_makes_the_file_of_the_command(page: Any, tmp_path: Path, monkeypatch: Any) -> None:
    page.locator("#ask-orifice .back", has_text="taken as 0.0700 in").wait_for()
    page.locator("#ask-feed_length").evaluate("node => (node.closest('details').open = true)")
    page.locator("#ask-feed_length .ticks").get_by_text("there is none").click()
    page.locator("#ask-feed_bore").wait_for(state="hidden")
    page.locator("#answer-row-hose-length").fill("2.5")
    page.get_by_label("unit of length of the row hoses").select_option("m")
    page.locator("#ask-gauges").evaluate("node => (node.closest('details').open = true)")
    for place in ("tank", "manifold"):
        page.locator("#ask-gauges").get_by_text(place, exact=True).click()
    page.locator("#bar-save:not([disabled])").wait_for(timeout=WAIT)
    answers = tmp_path / "answers.toml"
    said = {
        "row_spacing": "30 in", "sections": "5, 6, 5", "orifice": "No. 50", "meter_pulses": "700",
        "valve": "don't know", "feed_length": "none", "row_hose_length": "2.5 m", "gauges": "tank, manifold",
    }  # fmt: skip
    answers.write_text("".join(f"{name} = {json.dumps(text)}\n" for name, text in said.items()), encoding="utf-8")
    monkeypatch.setattr("geoflow.workflow.new_bar.unknowns", lambda *given: None)
    monkeypatch.setattr("geoflow.report.new_bar.new_bar_report", lambda *given: None)
    monkeypatch.setattr("geoflow.report.terminal.as_text", lambda *given: "")
    made = tmp_path / "bar.toml"
    assert cli.main(["bar", "--new", str(made), "--answers", str(answers)]) == 0
    assert text_of(page) == made.read_text("utf-8")


def test_a_point_is_added_as_it_was_read_or_refused_in_words(page: Any, tmp_path: Path, shots: Path) -> None:
    page.click("#bar-points > summary")
    for name, text in {"bar_flow": "8", "pressure_after_valve": "20", "temperature": "60"}.items():
        page.locator(f"#bar-points input[id$='-{name}']").fill(text)
    page.click("#point-add")
    page.locator("#bar-points .trouble:not([hidden])").wait_for(timeout=WAIT)
    assert "measured 1" in page.locator("#bar-points .trouble").inner_text()
    page.get_by_label("Flow, as it was read: how").select_option(label="the rate on the display, at a speed")
    page.get_by_label("Liquid: how").select_option(label="the gauge on the tank it is drawn from")
    for name, text in {"rate": "120", "speed": "5", "pressure_after_valve": "95", "temperature": "58"}.items():
        page.locator(f"#bar-points input[id$='-{name}']").fill(text)
    fits(page, shots, "bar_point")
    page.click("#point-add")
    page.locator("#point-list li").wait_for(timeout=WAIT)
    made = tmp_path / "bar.toml"
    made.write_text(text_of(page), encoding="utf-8")
    (point,) = read_bar(str(made)).orifices["row"].measured
    assert point
    assert 'rate = "120 lb N/ac"' in made.read_text() and 'temperature = "58 psi"' in made.read_text()


def test_typing_survives_closing_and_reloading(page: Any) -> None:
    page.click("#tab-day")
    page.click("#tab-bar")
    assert page.locator("#answer-row-spacing").input_value() == "30"
    page.wait_for_timeout(400)
    page.reload()
    page.wait_for_selector("body[data-ready]")
    page.locator("#bar-save:not([disabled])").wait_for(timeout=WAIT)
    assert page.locator("#answer-row-spacing").input_value() == "30"
    assert page.get_by_label("unit of length of the row hoses").input_value() == "m"
    assert page.locator("#point-list li").count() == 1
    assert page.locator("#bar-state").inner_text() == "Not in use yet."


def test_a_loaded_file_fills_the_form_and_keeps_the_rest(page: Any, shots: Path) -> None:
    choose_bar(page, HERON)
    page.click("#tab-bar")
    # What was typed is not thrown away by choosing a file.
    assert page.locator("#bar-state").inner_text().startswith("Changed and not in use yet. In use is Heron")
    page.click("#bar-over")
    page.locator("#bar-title", has_text="heron.toml").wait_for()
    page.locator("#bar-state", has_text="This bar is in use.").wait_for(timeout=WAIT)
    assert page.locator("#answer-sections").input_value() == "5, 6, 5"
    assert page.locator("#answer-orifice").input_value() == "0.070"
    assert page.get_by_label("unit of orifice size").input_value() == "in"
    assert text_of(page) == HERON.read_text("utf-8")
    # Orifices are chosen from what the file names.
    page.locator("#ask-orifice .picks button", has_text="wide: 0.082 in").click()
    page.locator("#bar-save:not([disabled])").wait_for(timeout=WAIT)
    changed = text_of(page)
    assert changed.count('orifice = "wide"') == 3 and 'delay = "0.8 s"' in changed
    page.click("#bar-rest > summary")
    assert page.get_by_label("orifice needed").first.input_value() == "wide"
    page.get_by_label("max rise needed").fill("100 psi")
    page.wait_for_timeout(300)
    page.locator("#bar-save:not([disabled])").wait_for(timeout=WAIT)
    assert page.locator("#answer-pump-rise").input_value() == "100"
    fits(page, shots, "bar_rest")
    assert 'max_rise = "100 psi"' in text_of(page)
    page.click("#bar-over")
    page.locator("#bar-over").wait_for(state="hidden")


def test_what_each_unknown_costs_belongs_to_its_answers(page: Any, shots: Path) -> None:
    page.locator("#ask-pump_rise").evaluate("node => (node.closest('details').open = true)")
    page.locator("#ask-pump_rise .ticks").get_by_text("don't know").click()
    page.click("#bar-cost")
    page.locator("#bar-costs:not([hidden])").wait_for(timeout=WAIT)
    assert "Find out first: pressure the pump adds" in page.locator("#bar-costs").inner_text()
    first = page.locator("#bar-costs li button").first
    name = first.get_attribute("aria-label").removeprefix("Answer it: ")
    first.click()
    of = next(one.name for one in QUESTIONS if one.label == name)
    assert page.evaluate("document.activeElement.id") == f"answer-{of.replace('_', '-')}"
    assert "Not knowing it" in page.locator(f"#ask-{of} .cost").inner_text()
    fits(page, shots, "bar_costs")
    assert page.locator("#bar-costs .reason").is_hidden()
    answer(page, "pump_rise", "110")
    assert page.locator("#bar-costs .reason").is_visible()
    assert page.locator(f"#ask-{of} .cost").inner_text() == ""
    # 110 psi is what the file says: it is the file again.
    page.locator("#bar-over").wait_for(state="hidden")
    assert page.locator("#bar-state").inner_text() == "This bar is in use."


def test_the_sheet_is_shared_with_a_phone_that_has_the_code(
    page: Any, chromium: Any, desk: str, shots: Path, complained: list[str]
) -> None:
    read_lantern(page)
    page.click("#files-open")
    code = page.locator("#share-words .code").nth(1).inner_text()
    place = page.locator("#share-words .code").nth(0).inner_text()
    assert "not encrypted" in page.locator("#share-words").inner_text()
    assert all("but the sheet that you share" in text for text in page.locator(".leaves").all_text_contents())
    page.screenshot(path=shots / "share_desk.png")
    page.click("#files-close")
    page.click("#tab-card")
    page.click("#phone-go")
    page.locator("#phone-made:not([hidden])").wait_for(timeout=2 * WAIT)
    page.screenshot(path=shots / "phone_made.png")
    with page.expect_download() as coming:
        page.click("#phone-save")
    sheet = Path(coming.value.path()).read_text("utf-8")
    SHEET.append(sheet)
    page.click("#phone-share")
    page.locator("#note", has_text="Phones that are in see this sheet now").wait_for(timeout=WAIT)
    wrong: list[str] = []
    phone = chromium.new_context(viewport={"width": 360, "height": 740}, has_touch=True)
    try:
        cab = phone.new_page()
        cab.on("pageerror", lambda problem: wrong.append(str(problem)))
        asked: list[str] = []
        cab.on("request", lambda request: asked.append(request.url))
        cab.goto(place)
        cab.screenshot(path=shots / "door_360.png")
        cab.fill("#code", "AAAA-AAAA")
        cab.click("button")
        assert "That is not the code" in cab.locator(".said").inner_text()
        # As it is scanned: the code behind a #, which goes in by itself and is in no address afterwards.
        cab.goto("about:blank")
        cab.goto(f"{place}#{code}")
        cab.locator("#map-canvas").wait_for(timeout=WAIT)
        assert cab.url == place and code not in " ".join(asked)
        assert cab.content().count("<script") == sheet.count("<script")
        assert cab.locator("#first").inner_text().startswith("Ammonia blinds and kills")
        cab.click("#after")
        said = cab.locator("#zone").inner_text()
        assert re.search(r"Zone \S+: (holds|doubtful|fails)", said) and "Speed that holds it" in said
        cab.tap("#map-canvas", position={"x": 160, "y": 200})
        assert cab.locator("#zone").inner_text().startswith("Zone ")
        cab.screenshot(path=shots / "sheet_360.png")
        asked.clear()
        for button in ("#in", "#out", "#all", "#before"):
            cab.click(button)
        assert asked == [] and wrong == []
    finally:
        phone.close()
    # The desk's plan moves on: the sheet is old there, and cannot be shared or kept as the present one.
    page.click("#tab-day")
    page.get_by_label("Ground speed, fastest, typed").fill("6")
    page.click("#tab-card")
    assert page.locator("#phone-old").is_visible() and page.locator("#phone-share").is_disabled()


def test_a_sheet_from_a_file_says_where_it_is_or_why_not(chromium: Any, shots: Path, tmp_path: Path) -> None:
    made = tmp_path / "phone.html"
    made.write_text(SHEET[0], encoding="utf-8")
    data = json.loads(re.findall(r'id="zones">(.*?)</script>', made.read_text("utf-8"), re.DOTALL)[0])
    (west, south), (x, y) = data["origin"], data["labels"][:2]
    for scheme, width, allowed in (("light", 360, True), ("dark", 1440, False)):
        context = chromium.new_context(viewport={"width": width, "height": 740}, color_scheme=scheme, offline=True)
        sheet = context.new_page()
        if allowed:
            context.grant_permissions(["geolocation"])
            context.set_geolocation({"longitude": west + x * 1e-6, "latitude": south + y * 1e-6, "accuracy": 3})
        sheet.goto(made.as_uri())
        sheet.click("#here")
        wanted = f"You are in zone {data['names'][0]}" if allowed else "The phone gives this page no position"
        sheet.locator("#place", has_text=wanted).wait_for(timeout=10_000)
        if allowed:
            assert sheet.locator("#zone h3").inner_text().startswith(f"Zone {data['names'][0]}:")
        sheet.screenshot(path=shots / f"sheet_file_{width}.png", full_page=True)
        context.close()

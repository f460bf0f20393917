"""The works of the page in a real browser: a form made of its options, an outcome that belongs to its question."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from browsing import LOG, PLAN, WAIT, read_lantern, set_plan, unpacked

pytestmark = pytest.mark.slow

SMALLEST_TARGET = 44.0


def run(page: Any, name: str, button: int = 0) -> Any:
    """Press a button of a work and give its outcome."""
    outcome = page.locator(f"#{name}-work .outcome")
    page.locator(f"#{name}-work form button[type=submit]").nth(button).click()
    page.locator(f"#{name}-work .outcome:not([hidden]):not(.dim-inside)").wait_for(timeout=WAIT)
    return outcome


def kept(page: Any, name: str) -> tuple[str, dict[str, bytes]]:
    with page.expect_download() as coming:
        page.locator(f"#{name}-work .outcome").get_by_role("button", name="Download").click()
    return coming.value.suggested_filename, unpacked(coming.value)


def fits(page: Any, shots: Path, name: str) -> None:
    """Look at a work on a phone and at a desk: nothing is cut off at the side, and targets suit a thumb."""
    for width, height in ((1440, 900), (360, 740)):
        page.set_viewport_size({"width": width, "height": height})
        page.screenshot(path=shots / f"work_{name}_{width}.png")
        inside = page.evaluate(
            "document.querySelector('#panel-body').scrollWidth - document.querySelector('#panel-body').clientWidth"
        )
        assert inside <= 1, f"{name} at {width}: {inside} px stick out"
    small = page.evaluate(
        """(least) => [...document.querySelectorAll('.made-work :is(button, input, select, summary)')]
            .filter((node) => node.offsetParent)
            .map((node) => [node.closest('label') ?? node, node])
            .filter(([target]) => target.getBoundingClientRect().height < least - 0.5)
            .map(([, node]) => node.id || node.textContent)""",
        SMALLEST_TARGET,
    )
    assert small == [], name
    page.set_viewport_size({"width": 1280, "height": 900})


def test_sizes_and_a_card_before_there_is_a_map(page: Any, shots: Path) -> None:
    """Orifices without a bar file; a wrong unit is told at its field; a changed field dims what was found."""
    page.click("#tab-sizes")
    page.locator("#sizes-work form button").click()
    trouble = page.locator("#sizes-trouble")
    trouble.wait_for()
    assert "\u201cLiquid in the tank\u201d" in trouble.inner_text() and "--" not in trouble.inner_text()
    page.get_by_label("Liquid in the tank").and_(page.locator("#sizes-temperature")).fill("45..50 degF")
    for field, text in {"speed": "5 mph", "rates": "85 lb N/ac", "rows": "16", "row-spacing": "30 lb"}.items():
        page.fill(f"#sizes-{field}", text)
    page.locator("#sizes-work form button").click()
    wrong = page.locator("#sizes-work [aria-invalid=true]")
    wrong.wait_for()
    assert (
        wrong.get_attribute("id") == "sizes-row-spacing" and wrong.get_attribute("aria-describedby") == "sizes-trouble"
    )
    assert wrong.evaluate("(node) => node === document.activeElement")
    page.fill("#sizes-row-spacing", "30 in")
    assert page.locator("#sizes-work [aria-invalid=true]").count() == 0
    outcome = run(page, "sizes")
    assert outcome.locator("table caption").count() and outcome.locator("figure img").count()
    assert "blinds and kills" in outcome.inner_text()
    name, files = kept(page, "sizes")
    assert name == "sizes.zip" and set(files) == {"sizes.html", "sizes.json"}
    fits(page, shots, "sizes")
    page.fill("#sizes-rows", "12")
    assert page.locator("#sizes-work .outcome.dim-inside").count() == 1
    assert outcome.get_by_role("button", name="Download").is_disabled()
    page.fill("#sizes-rows", "16")
    assert outcome.get_by_role("button", name="Download").is_enabled()


def test_a_field_is_planned_carded_converted_and_its_bar_learns(page: Any, shots: Path) -> None:
    read_lantern(page)
    page.click("#tab-plan")
    page.fill("#plan-start", "southwest")
    outcome = run(page, "plan")
    assert outcome.locator(".outcome-sentence").inner_text().startswith("Plan: 5.0 mph, as given.")
    shown = outcome.locator("figure button").first
    assert shown.get_attribute("aria-label").startswith("Map of the speed each zone is driven at. Plan:")
    shown.click()
    page.locator("dialog[open]").get_by_role("button", name="Close").click()
    page.locator("dialog").wait_for(state="detached")
    name, files = kept(page, "plan")
    assert name == "planned.zip" and set(files) == {"plan.json", "rates.png", "speeds.png", "zones.gpkg"}
    fits(page, shots, "plan")
    # Another plan: what was made is not of it any more.
    page.click("#tab-day")
    set_plan(page, **(PLAN | {"warmest": "52"}))
    page.click("#tab-plan")
    assert outcome.get_by_role("button", name="Download").is_disabled()
    page.click("#tab-card")
    assert not page.locator("#card-rates").is_visible()
    card = run(page, "card")
    assert "152 to" in card.inner_text()
    fits(page, shots, "card")

    page.click("#tab-convert")
    page.select_option("#convert-out", "TASKDATA")
    run(page, "convert")
    name, files = kept(page, "convert")
    assert "TASKDATA/TASKDATA.XML" in files
    fits(page, shots, "convert")

    page.click("#tab-learn")
    page.set_input_files("#learn-logs", LOG)
    page.fill("#learn-ticket", "11600 lb NH3")
    outcome = run(page, "learn")
    assert kept(page, "learn")[0] == "learned.zip"
    fits(page, shots, "learn")
    outcome.get_by_role("button", name="Use this bar").click()
    page.get_by_text(re.compile(r"Heron \(heron_learned\.toml\)")).first.wait_for(timeout=WAIT)


def test_long_work_tells_its_steps_and_stops(page: Any) -> None:
    read_lantern(page)
    page.click("#tab-rehearse")
    for fold in page.locator("#rehearse-work summary").all():
        fold.click()
    page.fill("#rehearse-draws", "200")
    page.locator("#rehearse-work form button").click()
    page.locator("#stage", has_text=re.compile("olving|eading|etting|lanning|riving|ehears")).wait_for(timeout=WAIT)
    page.click("#stop")
    page.locator("#rehearse-trouble", has_text="Stopped; nothing was written.").wait_for(timeout=WAIT)
    assert page.locator("#rehearse-work .outcome").is_hidden()

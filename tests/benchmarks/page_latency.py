"""How long the page takes from a slider's event to the painted answer, measured in the browser.

Run ``python tests/benchmarks/page_latency.py``: 5,000 zones, each with a rate of its own; the limit is 150 ms (median).
An event counts as answered when the map, the counts and the sentence are changed and two frames have passed since,
so that the change is painted. The full solution, which follows when a slider rests, is printed too.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

from browsing import browser, served  # noqa: E402
from vet_speed import BAR, squares  # noqa: E402

MOVE = """
async ([selector, value]) => {
  const before = document.body.dataset.shown;
  const slider = document.querySelector(selector);
  const began = performance.now();
  slider.value = value;
  slider.dispatchEvent(new Event("input", { bubbles: true }));
  const shown = () => document.body.dataset.shown;
  await new Promise((done) => {
    const look = new MutationObserver(() => { if (shown() !== before) { look.disconnect(); done(); } });
    look.observe(document.body, { attributes: true });
  });
  const arrived = performance.now() - began;
  await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
  const painted = performance.now() - began;
  const quick = document.body.dataset.exact === "false";
  return [arrived, painted, quick];
}
"""
SLIDER = "#spans fieldset:nth-child({}) .end:nth-of-type({}) input[type=range]"


def main() -> None:
    with tempfile.TemporaryDirectory() as name, served() as address, browser() as chromium:
        path = Path(name) / "many.geojson"
        squares(5_000, path, "GeoJSON")
        page = chromium.new_page(viewport={"width": 1280, "height": 900})
        page.goto(address)
        page.wait_for_selector("body[data-ready]")
        page.set_input_files("#bar-file", BAR)
        page.set_input_files("#map-file", path)
        page.wait_for_selector("#field:not([hidden])", timeout=60_000)
        for label, number in zip(("coldest", "warmest", "slowest", "fastest"), (40, 50, 6, 6), strict=True):
            page.locator(f"#spans input[type=number][aria-label*={label}]").fill(str(number))
        page.wait_for_timeout(6_000)  # the sliders get ready
        runs = {
            "temperature": [(SLIDER.format(1, 1), value) for value in range(40, 10, -1)],
            "warmest temperature": [(SLIDER.format(1, 2), value) for value in range(50, 80)],
            "speed": [(SLIDER.format(2, 2), 5.0 + 0.1 * step) for step in range(30)],
        }
        for what, moves in runs.items():
            took = []
            for selector, value in moves:
                took.append(page.evaluate(MOVE, [selector, str(round(value, 1))]))
                page.wait_for_timeout(30)
            painted = [entry[1] for entry in took]
            ahead = sum(entry[2] for entry in took)
            print(
                f"5,000 zones, {what}: event to paint {statistics.median(painted):.0f} ms median, "
                f"{max(painted):.0f} ms worst of {len(painted)} (limit 150 ms median); "
                f"data {statistics.median(entry[0] for entry in took):.0f} ms; {ahead} answered ahead of the full one"
            )
            page.wait_for_selector("body[data-exact=true]")
            page.wait_for_timeout(500)
        exact = []
        for value in (33, 36, 39):
            page.evaluate(MOVE, [SLIDER.format(1, 1), str(value)])
            exact.append(
                page.evaluate(
                    "async () => { const t = performance.now(); while (document.body.dataset.exact !== 'true') "
                    "await new Promise(requestAnimationFrame); return performance.now() - t; }"
                )
            )
            page.wait_for_timeout(500)
        print(f"the full solution follows after {statistics.median(exact):.0f} ms of rest (250 ms of that is waiting)")


if __name__ == "__main__":
    main()

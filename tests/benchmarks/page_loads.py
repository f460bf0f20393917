"""How long the page takes from a slider's event to the painted answer under loads, in the first minute after loading.

Run ``python tests/benchmarks/page_loads.py``. Three loads: one tab of 5,000 zones, one of 20,000 on a browser that is
slowed down four times, and eight tabs of 5,000 zones each. The limits are 150 ms (median) and 400 ms (worst) to the
painted answer, 1 s to the full one. `--only NAME` runs one of them.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

from browsing import PLAN, browser, served, type_plan  # noqa: E402
from page_latency import MOVE, SLIDER  # noqa: E402
from vet_speed import BAR, squares  # noqa: E402

_LOADS = {"one tab": (5_000, 1, 1), "slow browser": (20_000, 1, 4), "eight tabs": (5_000, 8, 1)}
_FULL = """async () => {
  const began = performance.now();
  while (document.body.dataset.exact !== "true") await new Promise((done) => setTimeout(done, 5));
  return performance.now() - began;
}"""


def opened(chromium: Any, address: str, path: Path, slower: int) -> Any:
    page = chromium.new_context(viewport={"width": 1440, "height": 900}).new_page()
    page.set_default_timeout(180_000)
    page.goto(address)
    page.wait_for_selector("body[data-ready]")
    page.set_input_files("#bar-file", BAR)
    page.set_input_files("#map-file", path)
    page.wait_for_selector("#field:not([hidden])")
    if slower > 1:
        page.context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": slower})
    return page


def measured(page: Any) -> tuple[list[float], list[float]]:
    """Set the plan, then move at once: milliseconds to each painted answer, and to the full ones [ms]."""
    type_plan(page, **PLAN)
    page.wait_for_selector("body[data-exact=true]")
    until = time.monotonic() + 45.0
    painted, full = [], []
    for number in range(60):
        if time.monotonic() > until:
            break
        kind, place, value = ((1, 1, 39 - number % 20), (1, 2, 51 + number % 20), (2, 2, 5.1 + 0.1 * (number % 20)))[
            number // 4 % 3
        ]
        painted.append(page.evaluate(MOVE, [SLIDER.format(kind, place), str(round(value, 1))])[1])
        if number % 10 == 9:
            full.append(page.evaluate(_FULL))
    return painted, full


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", choices=_LOADS)
    only = parser.parse_args().only
    for name, (zones, tabs, slower) in _LOADS.items():
        if only not in {None, name}:
            continue
        with tempfile.TemporaryDirectory() as folder, served() as address, browser() as chromium:
            path = Path(folder) / "many.geojson"
            squares(zones, path, "GeoJSON")
            pages = [opened(chromium, address, path, slower) for _ in range(tabs)]
            for page in pages[:-1]:
                type_plan(page, **PLAN)
            pages[-1].bring_to_front()
            painted, full = measured(pages[-1])
            print(
                f"{name}: {zones:,} zones, {tabs} tabs, browser {slower}x slower: event to paint "
                f"{statistics.median(painted):.0f} ms median, {max(painted):.0f} ms worst of {len(painted)}; "
                f"full answer {statistics.median(full):.0f} ms median, {max(full):.0f} ms worst after the last move; "
                f"machine's load {os.getloadavg()[0]:.1f}",
                flush=True,
            )


if __name__ == "__main__":
    main()

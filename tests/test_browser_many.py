"""Maps of very many zones are drawn another way than others: both ways show and choose the same, in a real browser."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import opened, watched

pytestmark = pytest.mark.slow

# Two maps of one geometry, drawn each way: leaning squares, one zone of two parts, of which one has a hole with
# another zone in it, and bare ground. Every pattern there is, a plain colour and one without a letter.
BOTH = """
async () => {
  const { FieldMap } = await import("/static/map.js");
  const geometry = { corners: [], perRing: [], perPart: [], perZone: [], labels: [], room: [] };
  geometry.bounds = [0, 0, 480, 360];
  const zone = (room, label, ...parts) => {
    geometry.perZone.push(parts.length);
    geometry.labels.push(...label.map((part) => 10 * part));
    geometry.room.push(room);
    for (const rings of parts) {
      geometry.perPart.push(rings.length);
      for (const ring of rings) {
        geometry.perRing.push(ring.length);
        geometry.corners.push(...ring.flat().map((part) => Math.round(10 * part)));
      }
    }
  };
  const square = (x, y, side, lean = 0) =>
    [[x, y], [x + lean, y + side], [x + side + lean, y + side - lean], [x + side, y - lean]];
  for (let x = 0; x < 360; x += 60) for (let y = 0; y < 240; y += 60) {
    zone(20, [x + 34, y + 26], [square(x + 3, y, 57, 7)]);
  }
  zone(28, [60, 270], [square(10, 250, 100), square(40, 280, 40)], [square(200, 250, 60)]);
  zone(18, [60, 300], [square(40, 280, 40)]);
  const key = ["//", "\\\\\\\\", "xx", "++", "--", "..", "", ""].map((hatch, place) => (
    { letter: "ABCDEFG"[place] ?? "", fill: `hsl(${place * 45} 60% 70%)`, hatch, hatchColour: "#222222" }));
  const chosen = (window.chosen = {});
  window.both = ["each", "many"].map((way, place) => {
    const box = document.createElement("div");
    Object.assign(box.style, { position: "fixed", zIndex: 9, background: "#ffffff", top: 0 });
    Object.assign(box.style, { left: `${place * 610}px`, width: "590px", height: "500px" });
    document.body.append(box);
    FieldMap.many = way === "many" ? 1 : 1000;
    const map = new FieldMap(box, [], (index) => { chosen[way] = index; });
    map.show(geometry, "us");
    map.map.setView([170, 215], 1, { animate: false });
    const kinds = (shift) => geometry.perZone.map((_, index) => String((index + shift) % key.length)).join("");
    map.before(kinds(3), key);
    map.paint(kinds(0), key);
    return map;
  });
}
"""
# Shares of the pixels that are of one colour on both, among those at least 3 px within a zone, and the number of those.
ALIKE = """
async () => {
  await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
  const [each, many] = both.map(({ renderer }) => {
    const { width, height } = renderer._container;
    return renderer._ctx.getImageData(0, 0, width, height);
  });
  const { numbers, wide, high } = both[1].renderer.grid;
  if (each.width !== wide || each.height !== high) throw new Error(`${each.width} x ${each.height}, ${wide} x ${high}`);
  let [inside, alike] = [0, 0];
  for (let y = 3; y < high - 3; y += 1) for (let x = 3; x < wide - 3; x += 1) {
    const at = y * wide + x;
    if ([-3, 3].some((by) => numbers[at + by] !== numbers[at] || numbers[at + by * wide] !== numbers[at])) continue;
    inside += 1;
    alike += [0, 1, 2, 3].every((part) => Math.abs(each.data[4 * at + part] - many.data[4 * at + part]) <= 3);
  }
  return [alike / inside, inside];
}
"""
# A click on every place of a grid that is not near a border, where Leaflet may take a neighbour within its tolerance:
# what the pixel is numbered, and what either way chose.
CLICKS = """
() => {
  const { renderer, map } = both[1];
  const number = (x, y) => renderer.zoneAt(map.containerPointToLayerPoint([x, y]));
  const clicked = [];
  for (let x = 10; x < 585; x += 17) for (let y = 10; y < 495; y += 17) {
    const near = new Set([-6, 0, 6].flatMap((right) => [-6, 0, 6].map((down) => number(x + right, y + down))));
    if (near.size > 1 || document.elementFromPoint(x, y).tagName !== "CANVAS") continue;
    chosen.each = chosen.many = null;
    both.forEach(({ renderer: { _container } }, place) => _container.dispatchEvent(
      new MouseEvent("click", { bubbles: true, clientX: x + 610 * place, clientY: y })));
    clicked.push([[x, y], ...near, chosen.each, chosen.many]);
  }
  return clicked;
}
"""


@pytest.fixture(scope="module", params=[1, 2], ids=["plain", "dense"])
def tab(request: Any, chromium: Any, address: str) -> Iterator[Any]:
    complained: list[str] = []
    how = {"viewport": {"width": 1220, "height": 520}, "device_scale_factor": request.param}
    with watched(chromium, address, complained, **how) as context:
        page = opened(context, address, complained)
        page.evaluate(BOTH)
        yield page


STATES = {
    "as it is": "map.light(null); map.split(null)",
    "some lit": "map.split(null); map.light((index) => index % 3 === 0)",
    "before and after": "map.light(null); map.split(290)",
    "moved and nearer": "map.split(null); map.map.setView([190, 150], 1.75, { animate: false })",
    "farther, without lines": "map.map.setView([170, 215], -2.5, { animate: false })",
}


@pytest.mark.parametrize("state", STATES)
def test_both_ways_look_the_same(tab: Any, state: str, shots: Path) -> None:
    tab.evaluate(f"() => {{ for (const map of both) {{ {STATES[state]} }} }}")
    alike, inside = tab.evaluate(ALIKE)
    tab.screenshot(path=shots / f"60_{state.replace(' ', '_').replace(',', '')}.png")
    assert inside > 1_000 and alike > 0.995, (alike, inside)


def test_both_ways_choose_the_same_zone(tab: Any) -> None:
    tab.evaluate(
        "() => { for (const map of both) { map.light(null); map.map.setView([170, 215], 1, { animate: false }); } }"
    )
    clicked = tab.evaluate(CLICKS)
    for place, number, each, many in clicked:
        assert each == many == number, place
    found = {number for _, number, _, _ in clicked}
    assert None in found and len(found) > 20, found
    tab.mouse.click(610 + 300, 250)
    assert tab.evaluate("() => chosen.many") == tab.evaluate(
        "() => { return both[1].renderer.zoneAt(both[1].map.containerPointToLayerPoint([300, 250])); }"
    )


def test_a_frame_comes_and_goes_without_a_trace(tab: Any) -> None:
    tab.evaluate("() => { for (const map of both) map.light((index) => index % 3 === 0); }")
    assert tab.evaluate(ALIKE)[0] > 0.995
    tab.evaluate("() => { for (const map of both) map.mark(7); }")
    assert tab.evaluate(ALIKE)[0] > 0.995
    tab.evaluate("() => { for (const map of both) map.mark(null); }")
    assert tab.evaluate(ALIKE)[0] > 0.995

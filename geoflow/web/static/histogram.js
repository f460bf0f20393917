// Bars standing on one axis, as of a log's ratios or rates; one can be chosen, by finger or by keyboard.

import { ticks } from "./chart.js";
import { make } from "./parts.js";
import { draw } from "./svg.js";

export class Histogram {
  constructor(box, picked) {
    this.picked = picked;
    this.lit = null;
    this.svg = draw("svg", { class: "chart", role: "group" });
    this.box = make("div", { class: "chart-of" }, this.svg);
    box.append(this.box);
    new ResizeObserver(() => this.view && this.look()).observe(this.box);
  }

  show(view) {
    this.view = view;
    this.lit = null;
    this.box.hidden = !view.bars.length;
    this.look();
  }

  light(at) {
    this.lit = at;
    this.look();
  }

  look() {
    const { bars, axis, areaUnit, title } = this.view;
    const wide = Math.floor(this.box.clientWidth);
    if (!bars.length || wide < 40) return;
    const em = 0.78 * parseFloat(getComputedStyle(document.documentElement).fontSize);
    const [left, over, below, high] = [3.6 * em, 1.5 * em, 3 * em, 13 * em];
    const [right, bottom] = [wide - 0.8 * em, high - below];
    const used = bars.map((bar, at) => (bar.area > 0 || bar.other > 0 ? at : -1)).filter((at) => at >= 0);
    const [first, last] = [bars[Math.max(0, used[0] - 1)].low, bars[Math.min(bars.length - 1, used[used.length - 1] + 1)].high];
    const most = Math.max(...bars.map((bar) => Math.max(bar.area, bar.other ?? 0)), 1e-9);
    const x = (value) => left + ((value - first) / (last - first)) * (right - left);
    const y = (value) => bottom - (value / most) * (bottom - over);
    this.svg.setAttribute("width", wide);
    this.svg.setAttribute("height", high);
    this.svg.setAttribute("aria-label", `${title} over the ground`);
    const parts = [draw("path", { class: "axis", d: `M${left},${over}V${bottom}H${right}` }), draw("text", { x: 2, y: 0.95 * em }, areaUnit)];
    for (const at of ticks(0, most, 3)) {
      parts.push(draw("path", { class: "axis", d: `M${left - 4},${y(at)}H${left}` }), draw("text", { x: left - 6, y: y(at) + 0.35 * em, "text-anchor": "end" }, at.toLocaleString("en")));
    }
    for (const at of ticks(first, last, (right - left) / (3 * em))) {
      parts.push(draw("path", { class: "axis", d: `M${x(at)},${bottom}v4` }), draw("text", { x: x(at), y: bottom + 1.25 * em, "text-anchor": "middle" }, String(at)));
    }
    parts.push(draw("text", { x: 0.5 * (left + right), y: bottom + 2.6 * em, "text-anchor": "middle" }, axis));
    for (const at of used) {
      const bar = bars[at];
      const long = Math.max(1, x(bar.high) - x(bar.low) - 1);
      const kind = this.lit !== null && this.lit !== at ? "ground unlit" : "ground";
      // The least ground can be seen too.
      const tall = bar.area > 0 ? Math.max(1.5, bottom - y(bar.area)) : 0;
      parts.push(draw("rect", { class: kind, x: x(bar.low), y: bottom - tall, width: long, height: tall }));
      if (bar.other !== null) parts.push(draw("path", { class: "other", d: `M${x(bar.low)},${y(bar.other)}H${x(bar.high)}` }));
      if (this.lit === at) parts.push(draw("path", { class: "here", d: `M${x(bar.low) + long / 2 - 5},${bottom + 8}l5,-7l5,7Z` }));
    }
    const kept = this.svg.contains(document.activeElement);
    this.svg.replaceChildren(...parts, this.catcher(used, x, { left, right, over, bottom }));
    if (kept) this.svg.querySelector(".catch")?.focus({ preventScroll: true });
  }

  catcher(used, x, { left, right, over, bottom }) {
    const { bars } = this.view;
    const now = used.indexOf(this.lit);
    const node = draw("rect", {
      class: "catch", x: left, y: over, width: right - left, height: bottom - over, tabindex: 0, role: "slider",
      "aria-label": "Bars: arrows choose one and light up its ground, Escape lights all",
      "aria-valuemin": 0, "aria-valuemax": used.length, "aria-valuenow": now + 1,
      "aria-valuetext": this.lit === null ? "none chosen" : `${bars[this.lit].words}: ${bars[this.lit].amount}`,
    });
    node.addEventListener("click", (event) => {
      const place = event.clientX - this.svg.getBoundingClientRect().left;
      const apart = used.map((at) => Math.abs(x(0.5 * (bars[at].low + bars[at].high)) - place));
      const found = used[apart.indexOf(Math.min(...apart))];
      this.picked(found === this.lit ? null : found);
    });
    node.addEventListener("keydown", (event) => {
      const last = used.length - 1;
      const to = { ArrowRight: Math.min(last, now + 1), ArrowUp: Math.min(last, now + 1), ArrowLeft: Math.max(0, now - 1), ArrowDown: Math.max(0, now - 1), Home: 0, End: last }[event.key];
      if (to === undefined && event.key !== "Escape") return;
      event.preventDefault();
      this.picked(event.key === "Escape" ? null : used[to]);
    });
    return node;
  }
}

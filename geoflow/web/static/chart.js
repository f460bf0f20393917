// The window over one axis as a chart: certain and possible rates, the limits that end them, the plan's span, and beside
// it the area that asks for each rate. Numbers and words come from the server; here they only find their places.

import { make } from "./parts.js";
import { draw } from "./svg.js";

const STRIP = 4.4; // breadth of the bars [em]
let charts = 0;

// Round numbers of an axis, about so many.
export function ticks(low, high, about) {
  const rough = (high - low) / Math.max(1, about);
  const grain = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((times) => times * grain).find((each) => each >= rough);
  const found = [];
  for (let at = Math.ceil(low / step - 1e-9); at * step <= high + 1e-9 * step; at += 1) found.push(Number((at * step).toPrecision(12)));
  return found;
}

// The stretches of a band where both ends are known, each as a closed path.
function area(xs, lows, highs, x, y) {
  let path = "";
  for (let begin = 0; begin < xs.length; begin += 1) {
    if (lows[begin] === null || highs[begin] === null) continue;
    let end = begin;
    while (end + 1 < xs.length && lows[end + 1] !== null && highs[end + 1] !== null) end += 1;
    const there = [];
    const back = [];
    for (let at = begin; at <= end; at += 1) {
      there.push(`${x(xs[at])},${y(highs[at])}`);
      back.unshift(`${x(xs[at])},${y(lows[at])}`);
    }
    path += `M${there.join("L")}L${back.join("L")}Z`;
    begin = end;
  }
  return path;
}

function line(xs, ys, x, y) {
  let path = "";
  let drawing = false;
  xs.forEach((place, at) => {
    if (ys[at] === null) drawing = false;
    else {
      path += `${drawing ? "L" : "M"}${x(place)},${y(ys[at])}`;
      drawing = true;
    }
  });
  return path;
}

// A pattern of a class, in the letters of report/symbology.py.
function hatching(id, { fill, hatch, hatchColour }) {
  const side = 8;
  const ways = { "/": `M-1,${side + 1}L${side + 1},-1`, "\\": `M-1,-1L${side + 1},${side + 1}` };
  const path = hatch[0] === "x" ? ways["/"] + ways["\\"] : (ways[hatch[0]] ?? "");
  const how = { id, width: side, height: side, patternUnits: "userSpaceOnUse" };
  const dot = hatch[0] === "." ? [draw("circle", { cx: side / 2, cy: side / 2, r: 1.1, fill: hatchColour })] : [];
  return draw("pattern", how, draw("rect", { width: side, height: side, fill }), draw("path", { d: path, stroke: hatchColour, fill: "none" }), ...dot);
}

export class WindowChart {
  // `styles`: verdicts by name; `picked` is called with the place of a bar, or null.
  constructor(box, styles, picked) {
    charts += 1;
    this.id = `window-chart-${charts}`;
    this.styles = styles;
    this.picked = picked;
    this.lit = null;
    this.title = make("h3", { class: "chart-title", id: `${this.id}-title` });
    this.note = make("p", { class: "small chart-note" });
    this.svg = draw("svg", { class: "chart", role: "group", "aria-labelledby": `${this.id}-title` });
    box.append(make("div", { class: "chart-of" }, this.title, this.note, this.svg));
    new ResizeObserver(() => this.measure()).observe(this.svg.parentNode);
  }

  // Kept, for asking in the middle of a change would lay out the whole page each time.
  measure() {
    this.em = 0.78 * parseFloat(getComputedStyle(document.documentElement).fontSize);
    this.wide = Math.floor(this.svg.parentNode.clientWidth);
    if (this.view) this.look();
  }

  show(band, { bars, top, unit, areaUnit }) {
    this.view = { band, bars, top, unit, areaUnit };
    if (this.wide === undefined) this.measure();
    else this.look();
  }

  light(at) {
    this.lit = at;
    if (this.view) this.look();
  }

  look() {
    const { em, wide } = this;
    const { band, bars, top, unit, areaUnit } = this.view;
    if (wide < 40) return;
    const strip = bars.length ? STRIP * em : 0;
    const [left, over, below] = [3.4 * em, 1.9 * em, 3 * em];
    const high = Math.max(14 * em, Math.min(19 * em, 0.5 * wide));
    const inner = { right: wide - strip - (strip ? 0.7 * em : 0.4 * em), bottom: high - below };
    const [first, last] = [band.x[0], band.x[band.x.length - 1]];
    const round = (value) => Math.round(value * 10) / 10;
    const x = (value) => round(left + ((value - first) / (last - first)) * (inner.right - left));
    const y = (value) => round(inner.bottom - (Math.max(-0.2 * top, Math.min(value, 1.2 * top)) / top) * (inner.bottom - over));
    this.scale = { em, left, right: inner.right, over, bottom: inner.bottom, x, y };

    this.title.textContent = band.title;
    this.note.textContent = band.note;
    this.note.hidden = !band.note;
    this.svg.setAttribute("width", wide);
    this.svg.setAttribute("height", high);
    const clip = `${this.id}-clip`;
    const inside = draw("g", { "clip-path": `url(#${clip})`, "aria-hidden": "true" });
    const [low, up] = band.certain;
    const [dim, bright] = band.possible;
    inside.append(
      draw("path", { class: "possible", d: area(band.x, dim, bright, x, y), fill: this.fill("doubtful") }),
      draw("path", { class: "certain", d: area(band.x, low, up, x, y), fill: this.fill("holds") }),
      ...[dim, bright].map((edge) => draw("path", { class: "edge thin", d: line(band.x, edge, x, y) })),
      ...[low, up].map((edge) => draw("path", { class: "edge", d: line(band.x, edge, x, y) })),
    );
    this.marks(inside, band, bars);
    const names = draw("g", { "aria-hidden": "true" }, ...this.limits(band));
    const defs = draw(
      "defs",
      {},
      draw("clipPath", { id: clip }, draw("rect", { x: left, y: over, width: inner.right - left, height: inner.bottom - over })),
      ...Object.entries(this.styles).map(([name, style]) => hatching(`${this.id}-${name}`, style)),
    );
    const kept = this.svg.contains(document.activeElement);
    this.svg.replaceChildren(defs, inside, this.axes(band, top, unit), names, ...(strip ? [this.bars(bars, wide - strip, wide, areaUnit)] : []));
    if (kept) this.svg.querySelector(".catch")?.focus({ preventScroll: true });
  }

  fill(name) {
    return this.styles[name].hatch ? `url(#${this.id}-${name})` : this.styles[name].fill;
  }

  // The plan's span, and in it a mark at each rate that is asked.
  marks(into, band, bars) {
    const { left, right, over, bottom, x, y } = this.scale;
    let [from, to] = band.plan.map(x);
    if (to - from < 6) [from, to] = [from - 3 + (to - from) / 2, to + 3 - (to - from) / 2];
    [from, to] = [Math.max(from, left), Math.min(to, right)];
    into.append(draw("rect", { class: "plan", x: from, y: over, width: Math.max(0, to - from), height: bottom - over }));
    for (const bar of bars) {
      const at = y(0.5 * (bar.low + bar.high));
      into.append(draw("path", { class: "asked-halo", d: `M${from - 2},${at}H${to + 2}` }), draw("path", { class: "asked", d: `M${from - 2},${at}H${to + 2}` }));
    }
  }

  axes(band, top, unit) {
    const { em, left, right, over, bottom, x, y } = this.scale;
    const group = draw("g", { class: "axes", "aria-hidden": "true" });
    group.append(draw("path", { d: `M${left},${over}V${bottom}H${right}` }));
    for (const at of ticks(0, top, 5)) {
      group.append(draw("path", { d: `M${left - 4},${y(at)}H${left}` }), this.text(at.toLocaleString("en"), left - 6, y(at) + 0.35 * em, "end"));
    }
    for (const at of ticks(band.x[0], band.x[band.x.length - 1], (right - left) / (2.8 * em))) {
      group.append(draw("path", { d: `M${x(at)},${bottom}v4` }), this.text(String(at), x(at), bottom + 1.25 * em, "middle"));
    }
    group.append(this.text(band.axis, 0.5 * (left + right), bottom + 2.6 * em, "middle"), this.text(unit, 2, 0.95 * em, "start"));
    return group;
  }

  text(words, x, y, anchor, kind = "") {
    const node = draw("text", { x, y, "text-anchor": anchor, class: kind });
    node.textContent = words;
    return node;
  }

  // The limit along each stretch of an edge that has room for its name.
  limits(band) {
    const { em, left, right, over, bottom, x, y } = this.scale;
    const made = [];
    for (const [side, name, begin, end] of band.named) {
      const edge = band.certain[side];
      const of = (at) => edge[at] ?? band.possible[side][at];
      const long = 0.56 * em * name.length;
      // The middle of what is seen of it, beside the plan where there is room.
      const runs = [[], []];
      const [before, after] = band.plan;
      const seen = [];
      for (let at = begin; at <= end; at += 1) {
        if (of(at) === null || y(of(at)) <= over || y(of(at)) >= bottom) continue;
        seen.push(at);
        if (band.x[at] < before) runs[0].push(at);
        if (band.x[at] > after) runs[1].push(at);
      }
      const breadth = (run) => (run.length ? x(band.x[run[run.length - 1]]) - x(band.x[run[0]]) : 0);
      const beside = breadth(runs[0]) > breadth(runs[1]) ? runs[0] : runs[1];
      const run = breadth(beside) > long ? beside : seen;
      if (breadth(run) < 0.6 * long) continue;
      const at = run[run.length >> 1];
      const middle = Math.max(left + long / 2 + 2, Math.min(right - long / 2 - 2, x(band.x[at])));
      const place = y(of(at)) + (side === 0 ? 1.3 * em : -0.6 * em);
      made.push(this.text(name, middle, Math.max(over + em, Math.min(bottom - 0.4 * em, place)), "middle", "limit"));
    }
    return made;
  }

  bars(bars, left, right, areaUnit) {
    const { em, over, bottom, y } = this.scale;
    const most = Math.max(...bars.map(({ areas }) => areas.reduce((sum, each) => sum + each, 0)), 1e-9);
    const group = draw("g", { class: "bars" });
    group.append(draw("path", { class: "axes", d: `M${left},${over}V${bottom}` }), this.text(`${areaUnit} asking`, right - 1, 0.95 * em, "end"));
    bars.forEach((bar, index) => {
      const from = Math.min(y(bar.low), bottom);
      const to = y(bar.high);
      const tall = Math.max(2, from - to - 1);
      let at = left;
      ["holds", "doubtful", "fails"].forEach((name, place) => {
        const long = (bar.areas[place] / most) * (right - left - 2);
        if (long <= 0) return;
        const kind = this.lit !== null && this.lit !== index ? "bar unlit" : "bar";
        group.append(draw("rect", { class: kind, x: at, y: 0.5 * (from + to) - tall / 2, width: long, height: tall, fill: this.fill(name) }));
        at += long;
      });
      if (this.lit === index) group.append(draw("path", { class: "here", d: `M${left - 7},${0.5 * (from + to) - 5}l6,5l-6,5Z` }));
    });
    group.append(this.catcher(bars, left, right));
    return group;
  }

  // One field over all bars: the nearest one is taken, so that a finger in a glove finds it; arrows go along.
  catcher(bars, left, right) {
    const { over, bottom, y } = this.scale;
    const said = this.lit === null ? "none chosen" : bars[this.lit].words.join(", ");
    const node = draw("rect", {
      class: "catch", x: left - 6, y: over, width: right - left + 6, height: bottom - over, tabindex: 0, role: "slider",
      "aria-label": "Rates asked: arrows choose one and light up its zones, Escape lights all", "aria-orientation": "vertical",
      "aria-valuemin": 0, "aria-valuemax": bars.length, "aria-valuenow": this.lit === null ? 0 : this.lit + 1, "aria-valuetext": said,
    });
    const near = (event) => {
      const place = event.clientY - this.svg.getBoundingClientRect().top;
      const apart = bars.map((bar) => Math.abs(y(0.5 * (bar.low + bar.high)) - place));
      return apart.indexOf(Math.min(...apart));
    };
    node.addEventListener("click", (event) => this.picked(near(event) === this.lit ? null : near(event)));
    node.addEventListener("keydown", (event) => {
      const last = bars.length - 1;
      const now = this.lit ?? -1;
      const to = { ArrowUp: Math.min(last, now + 1), ArrowRight: Math.min(last, now + 1), ArrowDown: Math.max(0, now - 1), ArrowLeft: Math.max(0, now - 1), Home: 0, End: last, Escape: null }[event.key];
      if (to === undefined) return;
      event.preventDefault();
      this.picked(to);
    });
    return node;
  }
}

// The pictures of an answer: which layer the map shows and its key, the two window charts, zones lit by a bar or a class,
// and before and after a rewriting. All of it comes with the answer and is as current as that.

import { WindowChart } from "./chart.js";
import { at, make, options, put, swatch, tell } from "./parts.js";

const REWRITTEN = "rewritten:";
const THUMB = 24; // half of the swipe's thumb [px]

function lines(table, of) {
  const heads = make("tr", {}, ...table.heads.map((text) => make("th", { scope: "col", text })));
  const rows = table.rows.map(([first, ...rest]) => make("tr", {}, make("th", { scope: "row", text: first }), ...rest.map((text) => make("td", { text }))));
  return make("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": of }, make("table", {}, make("thead", {}, heads), make("tbody", {}, ...rows)));
}

export class Pictures {
  constructor(state, map, answer, known) {
    Object.assign(this, { state, map, answer, known });
    this.layer = "verdict"; // what the map is to show
    this.before = "verdict"; // and what it showed before a layer of the rewriting
    this.painted = null; // {kinds, key} of what it shows
    this.lit = null; // {bar: place} or {word: of a class}
    this.rewritten = null; // layers
    this.styles = Object.fromEntries(known.verdicts.map((verdict) => [verdict.name, verdict]));
    this.makeChoice();
    this.makeCharts();
    answer.pictures = this; // which lets it look each time it looks itself
    this.look();
  }

  // The map's layer

  makeChoice() {
    this.select = make("select", { id: "map-shows", "aria-describedby": "layer-words" });
    this.key = make("div", { id: "layer-classes", role: "group", "aria-label": "Key: a class lights up its zones" });
    this.fold = make("details", { id: "layer-key" }, make("summary", { text: "Key" }), make("p", { id: "layer-words", class: "small" }), this.key);
    this.fold.open = matchMedia("(min-width: 62rem)").matches;
    this.all = make("button", { type: "button", text: "Light all", on: { click: () => this.light(null) } });
    this.told = make("p", { role: "status" });
    this.litBox = make("div", { id: "lit", hidden: true }, this.told, this.all);
    this.slide = make("input", { type: "range", min: "0", max: "100", value: "50", autocomplete: "off", "aria-label": "Before to the left of here, after to the right" });
    this.seam = make("div", { class: "seam" });
    this.swipe = make("div", { id: "swipe", hidden: true }, this.seam, make("b", { text: "before" }), this.slide, make("b", { text: "after" }));
    at("layer-choice").append(make("label", {}, "Map shows ", this.select), this.fold, this.litBox);
    at("map-box").append(this.swipe);
    this.select.addEventListener("change", () => this.choose(this.select.value));
    this.slide.addEventListener("input", () => this.divide());
    new ResizeObserver(() => this.divide()).observe(at("map-box"));
    addEventListener("keydown", (event) => event.key === "Escape" && this.lit !== null && this.light(null));
    this.offer();
  }

  offer() {
    const entries = this.known.layers.map(({ name, title }) => [name, title]);
    const after = this.rewriting() ? Object.entries(this.rewritten) : [];
    const titled = after.map(([name, both]) => {
      const title = both[both.length - 1].title;
      return [REWRITTEN + name, both.length > 1 ? `${title}, before and after rewriting` : `${title} (rewriting)`];
    });
    const all = [...entries, ...titled];
    if (String(all) === this.offered) return;
    this.offered = String(all);
    options(this.select, all, this.layer);
  }

  choose(layer) {
    if (!this.layer.startsWith(REWRITTEN)) this.before = this.layer;
    this.layer = layer;
    this.lit = null;
    this.look();
    if (!this.holds(this.answer.answer)) this.answer.moved();
  }

  // Whether an answer has what the map is to show; the margin follows when the plan rests.
  holds(answer) {
    if (!answer || this.layer === "verdict" || this.layer.startsWith(REWRITTEN)) return true;
    return answer.layer?.name === this.layer || (this.layer === "margin" && !answer.exact);
  }

  // The server's name of the layer asked for.
  get asked() {
    return this.layer.startsWith(REWRITTEN) ? "verdict" : this.layer;
  }

  // Rewriting

  // `belonging` of what was rewritten: its layers are offered as long as that is current.
  follow(belonging) {
    this.rewriting = () => this.rewritten !== null && belonging.current;
    const look = belonging.look;
    belonging.look = () => {
      look();
      this.look();
    };
  }

  rewriting() {
    return false;
  }

  tookRewriting(layers) {
    this.rewritten = layers;
    this.offered = "";
    if (this.rewriting()) this.choose(`${REWRITTEN}given`);
    this.look();
  }

  // What the map shows: {kinds, key, words, before}; null while it is not known.
  shown() {
    const { answer } = this.answer;
    if (!answer) return null;
    if (this.layer.startsWith(REWRITTEN)) {
      const both = this.rewritten[this.layer.slice(REWRITTEN.length)];
      return { ...both[both.length - 1], before: both.length > 1 ? both[0] : null };
    }
    if (this.layer === "verdict") return { kinds: null, key: [], words: "" };
    return answer.layer?.name === this.layer ? answer.layer : null;
  }

  look() {
    // What was rewritten for another question is no layer of this one.
    const current = this.answer.belonging.current;
    if (this.layer.startsWith(REWRITTEN) && !this.rewriting()) {
      this.layer = this.before;
      this.lit = null;
    }
    this.offer();
    this.select.value = this.layer;
    const { answer } = this.answer;
    at("layer-choice").hidden = answer === null;
    at("chart-box").hidden = answer === null;
    for (const node of at("layer-choice").querySelectorAll("button")) node.disabled = !current;
    this.slide.disabled = !current;
    if (answer === null) {
      this.drawn = this.painted = this.lit = null;
      this.lighted = "";
      this.showSwipe(null);
      return;
    }
    const shown = this.shown();
    at("map").classList.toggle("waits", shown === null);
    if (answer !== this.drawn) {
      this.drawn = answer;
      this.charts.forEach((chart, place) => chart.show(answer.charts.bands[place], answer.charts));
      this.words();
      this.relight(current);
    }
    if (shown === null) {
      tell(at("layer-words"), "Follows when the plan rests.");
      return;
    }
    if (shown.kinds === null) {
      // The verdicts may have been painted over; else only what changed is drawn.
      if (this.painted !== null) this.map.letters = "";
      this.map.colour(answer.verdicts);
      this.painted = null;
    } else if (this.painted?.kinds !== shown.kinds || this.painted?.key !== shown.key) {
      this.map.paint(shown.kinds, shown.key);
      this.painted = shown;
    }
    this.showKey(shown);
    this.showSwipe(shown.before ?? null);
    this.relight(current);
  }

  showKey(shown) {
    this.fold.hidden = shown.kinds === null;
    put(at("layer-words"), shown.words);
    at("layer-words").hidden = false;
    const name = this.select.selectedOptions[0]?.textContent ?? "";
    at("map").setAttribute("aria-label", `Map of zones: ${name}`);
    const amount = (one, place) => (shown.before ? `before: ${shown.before.key[place].amount}; after: ${one.amount}` : one.amount);
    const stamp = JSON.stringify([shown.title, shown.key.map((one, place) => [one.word, amount(one, place)])]);
    if (stamp === this.keyed) return;
    this.keyed = stamp;
    this.key.replaceChildren(
      ...shown.key.map((one, place) => {
        const words = make("span", {}, make("b", { text: one.word }), make("span", { text: amount(one, place) }));
        const act = () => this.light(this.lit?.word === one.word ? null : { word: one.word });
        return make("button", { type: "button", class: "class", "aria-pressed": "false", "data-word": one.word, on: { click: act } }, swatch(one), words);
      }),
    );
  }

  showSwipe(before) {
    this.swipe.hidden = before === null;
    if (before === null) {
      if (this.split !== null) this.map.split(null);
      this.split = null;
      return;
    }
    this.map.before(before.kinds, before.key);
    this.divide();
  }

  divide() {
    if (this.swipe.hidden) return;
    const wide = at("map-box").clientWidth;
    const { left, width } = this.slide.getBoundingClientRect();
    const from = left - at("map-box").getBoundingClientRect().left;
    // At its ends the whole map is one or the other.
    const share = Number(this.slide.value) / 100;
    const place = share === 0 ? 0 : share === 1 ? wide : from + THUMB + share * (width - 2 * THUMB);
    this.split = place;
    this.seam.style.left = `${place}px`;
    this.slide.setAttribute("aria-valuetext", share === 0 ? "all after" : share === 1 ? "all before" : `${this.slide.value} % before`);
    this.map.split(place);
  }

  // Zones lit by a bar of a chart or a class of the key

  light(lit) {
    if (!this.answer.belonging.current) return;
    this.lit = lit;
    this.relight(true);
  }

  relight(current) {
    const { answer } = this.answer;
    const { bars, barOf } = answer.charts;
    const shown = this.shown();
    const classAt = this.lit?.word === undefined ? -1 : (shown?.key.findIndex(({ word }) => word === this.lit.word) ?? -1);
    // Bars are those of the map's rates: other files or units have others.
    if (this.lit && (this.lit.word === undefined ? this.lit.bar >= bars.length || this.lit.of !== this.barsOf() : classAt < 0)) this.lit = null;
    const bar = this.lit?.bar ?? null;
    for (const chart of this.charts) if (chart.lit !== bar) chart.light(bar);
    for (const node of this.key.children) node.setAttribute("aria-pressed", String(node.dataset.word === this.lit?.word));
    for (const node of this.rows ?? []) node.setAttribute("aria-pressed", String(Number(node.dataset.bar) === bar));
    const kinds = bar === null ? shown?.kinds : barOf;
    const wanted = this.lit === null ? null : String.fromCharCode(48 + (bar ?? classAt));
    const stamp = wanted === null ? "" : `${wanted} ${kinds}`;
    if (stamp !== this.lighted) {
      this.lighted = stamp;
      this.map.light(wanted === null ? null : (index) => kinds[index] === wanted);
    }
    let words = "";
    if (bar !== null) words = `Lit: ${bars[bar].words.filter(Boolean).join(", ")}.`;
    else if (this.lit !== null) words = `Lit: ${shown.key[classAt].word}, ${shown.key[classAt].amount}. ${shown.key[classAt].meaning}`;
    this.litBox.hidden = !words;
    put(this.told, words);
    this.all.disabled = !current;
  }

  barsOf() {
    return `${this.state.opened} ${this.answer.answer.charts.unit}`;
  }

  // Charts

  makeCharts() {
    const picked = (bar) => this.light(bar === null ? null : { bar, of: this.barsOf() });
    const pair = make("div", { class: "charts" });
    this.table = make("details", { id: "chart-table" }, make("summary", { text: "The charts as tables" }), make("div"));
    this.chartKey = make(
      "p",
      { class: "small chart-key" },
      ...[["certain", "holds"], ["possible", "doubtful"]].map(([word, name]) => make("span", {}, swatch({ ...this.styles[name], letter: "" }), `${word} window`)),
      "Box: the plan, with a mark at each rate asked. Bars: ground asking for it; tap one to light up its zones.",
    );
    at("chart-box").append(pair, this.chartKey, this.table);
    this.charts = [0, 1].map(() => new WindowChart(pair, this.styles, picked));
    this.table.addEventListener("toggle", () => this.words());
  }

  words() {
    if (!this.table.open || !this.answer.answer) return;
    const { bands, bars } = this.answer.answer.charts;
    this.rows = bars.map((bar, index) => {
      const act = () => this.light(this.lit?.bar === index ? null : { bar: index, of: this.barsOf() });
      return make("button", { type: "button", "data-bar": index, "aria-pressed": String(this.lit?.bar === index), text: "Light up", "aria-label": `Light up the zones asking ${bar.words[0]}`, on: { click: act } });
    });
    const rates = lines({ heads: ["rate asked", "zones", "ground", "on the map"], rows: bars.map(({ words }) => [...words, ""]) }, "Rates asked");
    rates.querySelectorAll("tbody tr").forEach((row, index) => row.lastElementChild.append(this.rows[index]));
    this.table.lastElementChild.replaceChildren(...bands.map((band) => make("div", {}, make("h3", { text: band.title }), lines(band.table, band.title))), make("h3", { text: "Rates asked" }), rates);
  }
}

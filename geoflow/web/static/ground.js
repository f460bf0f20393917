// The ground of a reconciled log: a map of cells with layers, their keys, and a histogram that lights up ground.

import { Histogram } from "./histogram.js";
import { make, options, put, swatch } from "./parts.js";

const L = window.L;
const NOWHERE = 255;
const calm = matchMedia("(prefers-reduced-motion: reduce)").matches;
const MOST = 1400; // pixels along the longer side of the picture

function bytes(text) {
  return Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
}

function rgb(colour) {
  return [1, 3, 5].map((from) => parseInt(colour.slice(from, from + 2), 16));
}

// Which pixels of a class have its pattern's colour.
const PATTERN = {
  "": () => false,
  "/": (x, y) => (x + y) % 8 < 2,
  "\\": (x, y) => (((x - y) % 6) + 6) % 6 < 2,
  x: (x, y) => (x + y) % 10 < 1 || (((x - y) % 10) + 10) % 10 < 1,
  "+": (x, y) => x % 8 < 1 || y % 8 < 1,
  "-": (x, y) => y % 6 < 1,
  ".": (x, y) => x % 6 < 2 && y % 6 < 2,
};

export class GroundMap {
  constructor(box) {
    this.select = make("select");
    this.words = make("p", { class: "small" });
    this.map = make("div", { class: "ground-map", role: "application", "aria-label": "Map of the ground of the log", tabindex: "0" });
    this.here = make("p", { class: "ground-here", role: "status" });
    this.key = make("div", { class: "ground-key", role: "group", "aria-label": "Key: a class lights up its ground" });
    this.all = make("button", { type: "button", text: "Light all", on: { click: () => this.light(null) } });
    this.told = make("p", { role: "status" });
    this.litBox = make("div", { class: "ground-lit", hidden: true }, this.told, this.all);
    this.box = make("div", { id: "ground" }, make("label", {}, "Ground of the log by ", this.select), this.words, this.map, this.litBox, this.here, this.key);
    box.before(this.box);
    this.histogram = new Histogram(this.box, (bar) => this.light(bar === null ? null : { bar }));
    this.table = make("details", {}, make("summary", { text: "The bars as a table" }), make("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Bars" }));
    this.box.append(this.table);
    this.select.addEventListener("change", () => this.choose(this.select.value));
    this.box.addEventListener("keydown", (event) => event.key === "Escape" && this.lit && this.light(null));
  }

  // Null where nothing covers ground.
  show(ground) {
    this.box.hidden = ground === null;
    this.leaflet?.remove();
    this.leaflet = null;
    this.ground = ground;
    if (ground === null) return;
    for (const layer of ground.layers) {
      layer.cells = bytes(layer.classes);
      layer.binned = layer.bins ? bytes(layer.bins) : null;
    }
    options(this.select, ground.layers.map(({ name, title }) => [name, title]), ground.layers[0].name);
    const [west, south, east, north] = ground.bounds;
    const bounds = L.latLngBounds([south, west], [north, east]);
    const map = (this.leaflet = L.map(this.map, { crs: L.CRS.Simple, minZoom: -12, maxZoom: 6, zoomSnap: 0.25, zoomDelta: 0.5, attributionControl: false, zoomAnimation: !calm, fadeAnimation: !calm, inertia: !calm }));
    this.picture = L.imageOverlay("data:,", bounds).addTo(map);
    const rings = ground.outlines.map((flat) => Array.from({ length: flat.length / 2 }, (_, at) => [flat[2 * at + 1] / 10, flat[2 * at] / 10]));
    L.polyline(rings, { color: "#1a1a1a", weight: 1, interactive: false, renderer: L.canvas() }).addTo(map);
    map.on("click", ({ latlng }) => this.tell(latlng));
    const fit = () => {
      if (!this.map.clientHeight) return;
      map.invalidateSize({ animate: false });
      map.fitBounds(bounds, { padding: [6, 6], animate: false });
    };
    this.seen?.disconnect();
    this.seen = new ResizeObserver(fit);
    this.seen.observe(this.map);
    map.fitBounds(bounds, { padding: [6, 6], animate: false });
    this.choose(ground.layers[0].name);
  }

  choose(name) {
    this.layer = this.ground.layers.find((layer) => layer.name === name);
    const { layer, ground } = this;
    put(this.words, `${layer.words} ${ground.words}`);
    put(this.here, "Tap the ground to learn what it was asked and given there.");
    this.key.replaceChildren(
      ...layer.key.map((one, place) => {
        const words = make("span", {}, make("b", { text: one.word }), make("span", { text: one.amount }));
        const act = () => this.light(this.lit?.place === place ? null : { place });
        return make("button", { type: "button", class: "class", hidden: !one.some, "aria-pressed": "false", on: { click: act } }, swatch(one), words);
      }),
    );
    this.histogram.show({ bars: layer.bars, axis: layer.axis, areaUnit: ground.areaUnit, title: layer.title });
    this.table.hidden = !layer.bars.length;
    const rows = layer.bars.flatMap((bar, at) => {
      if (!(bar.area > 0)) return [];
      const act = () => this.light(this.lit?.bar === at ? null : { bar: at });
      const button = make("button", { type: "button", text: "Light up", "aria-label": `Light up the ground: ${bar.words}`, on: { click: act } });
      return [make("tr", {}, make("th", { scope: "row", text: bar.words }), make("td", { text: bar.amount }), make("td", {}, button))];
    });
    this.table.lastElementChild.replaceChildren(make("table", {}, make("tbody", {}, ...rows)));
    this.light(null);
  }

  // {place} of a class, {bar}, or null for all.
  light(lit) {
    this.lit = lit;
    const { key, bars } = this.layer;
    [...this.key.children].forEach((node, place) => node.setAttribute("aria-pressed", String(place === lit?.place)));
    if (this.histogram.lit !== (lit?.bar ?? null)) this.histogram.light(lit?.bar ?? null);
    const one = lit === null ? null : lit.bar === undefined ? { words: key[lit.place].word, amount: key[lit.place].amount } : bars[lit.bar];
    this.litBox.hidden = one === null;
    put(this.told, one === null ? "" : `Lit: ${one.words}, ${one.amount}.`);
    this.paint();
  }

  paint() {
    const { rows, columns } = this.ground;
    const { layer, lit } = this;
    const grain = Math.max(1, Math.min(4, Math.floor(MOST / Math.max(rows, columns))));
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [columns * grain, rows * grain];
    const ink = canvas.getContext("2d");
    const image = ink.createImageData(canvas.width, canvas.height);
    const looks = layer.key.map(({ fill, hatch, hatchColour }) => ({ fill: rgb(fill), stripe: rgb(hatchColour), has: PATTERN[hatch[0] ?? ""] ?? PATTERN[""] }));
    let to = 0;
    for (let y = 0; y < canvas.height; y += 1) {
      const row = Math.floor(y / grain) * columns;
      for (let x = 0; x < canvas.width; x += 1, to += 4) {
        const cell = row + Math.floor(x / grain);
        const kind = layer.cells[cell];
        if (kind === NOWHERE) continue;
        const look = looks[kind];
        const colour = look.has(x, y) ? look.stripe : look.fill;
        const shown = lit === null || (lit.bar === undefined ? kind === lit.place : layer.binned[cell] === lit.bar);
        for (let part = 0; part < 3; part += 1) image.data[to + part] = shown ? colour[part] : 214 + 0.16 * colour[part];
        image.data[to + 3] = 255;
      }
    }
    ink.putImageData(image, 0, 0);
    this.picture.setUrl(canvas.toDataURL());
  }

  // What is known of a place, of every layer.
  tell({ lat, lng }) {
    const { rows, columns, bounds, layers } = this.ground;
    const [west, south, east, north] = bounds;
    const column = Math.floor(((lng - west) / (east - west)) * columns);
    const row = Math.floor(((north - lat) / (north - south)) * rows);
    const cell = row * columns + column;
    const inside = column >= 0 && column < columns && row >= 0 && row < rows;
    const said = layers.flatMap((layer) => {
      if (!inside || layer.cells[cell] === NOWHERE) return [];
      const bin = layer.binned?.[cell] ?? NOWHERE;
      return [`${layer.title.toLowerCase()}: ${bin === NOWHERE ? layer.key[layer.cells[cell]].word : layer.bars[bin].words}`];
    });
    put(this.here, said.length ? `Here, ${said.join("; ")}.` : "Nothing is known of this place.");
  }
}

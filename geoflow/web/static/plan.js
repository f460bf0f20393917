// The plan: temperature and speed, each with a low and a high end, as sliders beside typed numbers.
// An end is not set before a person sets it: its slider stands somewhere, but says so, and gives no value.

import { make } from "./parts.js";

// Where sliders reach; a typed number may lie beyond.
const REACH = {
  us: { temperature: [0, 100, 1], speed: [1, 12, 0.1] },
  metric: { temperature: [-18, 38, 1], speed: [1.5, 19.5, 0.1] },
};
const WORDS = {
  temperature: ["Liquid in the tank", "coldest", "warmest"],
  speed: ["Ground speed", "slowest", "fastest"],
};
const MISSING = { temperature: "liquid", speed: "speed" };
const UNSET = "not set";

class End {
  constructor(kind, word, place, label, moved) {
    this.word = word;
    this.slider = make("input", { type: "range", autocomplete: "off", "aria-label": `${label}, ${word}` });
    this.number = make("input", { type: "number", step: "any", inputmode: "decimal", autocomplete: "off", placeholder: UNSET, "aria-label": `${label}, ${word}, typed` });
    this.unit = make("span", { class: "unit" });
    this.node = make("div", { class: "end" }, make("span", { class: "word", text: word }), this.slider, this.number, this.unit);
    const slid = () => {
      this.number.value = this.slider.value;
      moved(kind, place);
    };
    this.slider.addEventListener("input", slid);
    // Where the thumb happens to stand at the value wanted, a click on it sets that.
    this.slider.addEventListener("click", () => this.isSet || slid());
    this.number.addEventListener("input", () => {
      this.slider.value = this.number.value;
      moved(kind, place);
    });
  }

  get isSet() {
    return this.number.value !== "";
  }

  get value() {
    return this.number.value;
  }

  set value(text) {
    this.number.value = text;
    this.slider.value = text;
    this.look();
  }

  look() {
    this.node.classList.toggle("unset", !this.isSet);
    this.slider.setAttribute("aria-valuetext", this.isSet ? `${this.value} ${this.unit.textContent}` : UNSET);
  }
}

export class Plan {
  constructor(box, units, changed) {
    this.units = units;
    this.changed = changed;
    this.ends = {};
    for (const [kind, [label, ...words]] of Object.entries(WORDS)) {
      this.ends[kind] = words.map((word, place) => new End(kind, word, place, label, (...moved) => this.moved(...moved)));
      const legend = make("legend", { text: label });
      box.append(make("fieldset", { class: "span" }, legend, ...this.ends[kind].map((end) => end.node)));
    }
  }

  // The end that is moved pushes the other along, so that low never lies above high.
  moved(kind, place) {
    const ends = this.ends[kind];
    const other = ends[1 - place];
    const [low, high] = ends.map((end) => Number(end.value));
    if (low > high && ends.every((end) => end.isSet) && document.activeElement !== ends[place].number) other.value = ends[place].value;
    for (const end of ends) end.look();
    this.changed();
  }

  // Set both ends of one kind, as a cure has them.
  use(kind, values) {
    this.ends[kind].forEach((end, place) => (end.value = values[place]));
    this.changed();
  }

  // Without values nothing is set.
  set(system, values = null) {
    for (const [kind, ends] of Object.entries(this.ends)) {
      const [low, high, step] = REACH[system][kind];
      ends.forEach((end, place) => {
        Object.assign(end.slider, { min: low, max: high, step });
        end.unit.textContent = this.units[system][kind];
        end.value = String(values?.[kind][place] ?? "");
      });
    }
    this.system = system;
  }

  get values() {
    return Object.fromEntries(Object.entries(this.ends).map(([kind, ends]) => [kind, ends.map((end) => end.value)]));
  }

  // What is not set yet, in words.
  get missing() {
    return Object.entries(this.ends).flatMap(([kind, ends]) => ends.filter((end) => !end.isSet).map((end) => `${end.word} ${MISSING[kind]}`));
  }

  // The same plan in the other units, rounded outward; back again gives what stood there before.
  convert(system) {
    if (system === this.system) return;
    const given = this.values;
    const before = this.kept;
    this.kept = { given: null, from: given };
    if (before && JSON.stringify(before.given) === JSON.stringify(given)) {
      this.set(system, before.from);
    } else {
      const metric = system === "metric";
      const turn = {
        temperature: (value) => (metric ? (value - 32) / 1.8 : value * 1.8 + 32),
        speed: (value) => (metric ? value * 1.609344 : value / 1.609344),
      };
      const outward = (value, place) => (place ? Math.ceil(value * 10 - 1e-6) : Math.floor(value * 10 + 1e-6)) / 10;
      const other = (kind) => given[kind].map((text, place) => (text === "" ? "" : outward(turn[kind](Number(text)), place)));
      this.set(system, { temperature: other("temperature"), speed: other("speed") });
    }
    this.kept.given = this.values;
  }
}

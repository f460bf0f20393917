// The bar: the interview's questions as a form, every other key folded below, and which bar it is.
//
// What the form holds is the file it was filled from (or none), the answers, and points added since; the server makes
// the bar file of them. Whatever it said belongs to those very answers and goes when one of them changes.

import { Ask } from "./asking.js";
import { buildForm } from "./keyform.js";
import { at, complain, make, put, tell } from "./parts.js";
import { Points } from "./points.js";
import { ask, save, work } from "./talk.js";

const REST = 250; // [ms] after the last key before the answers are looked at

export class BarForm {
  constructor(tables, interview, files, state, desk) {
    Object.assign(this, { tables, interview, files, state });
    Object.assign(this, { name: "bar.toml", of: null, base: null, file: "", points: [], was: "", made: null, said: null, asked: 0, costs: null, costing: null, readKeys: null, refill: false });
    this.keyForm = at("bar-form");
    this.build();
    at("bar-edit").addEventListener("click", () => {
      files.fold(false);
      desk.show("bar", { focus: true });
    });
    at("bar-use").addEventListener("click", () => this.use());
    at("bar-save").addEventListener("click", () => this.made?.text && save(new Blob([this.made.text], { type: "application/toml" }), this.name));
    this.empty = this.stamp;
    this.fill(null);
  }

  build() {
    const { questions, essentials, essentialsWhy, how, second, themes, places, pointWays } = this.interview;
    this.asks = Object.fromEntries(questions.map((one) => [one.name, new Ask({ ...one, offered: places }, (ask) => this.moved(ask))]));
    const nodes = (chosen) => chosen.map(({ name }) => this.asks[name].node);
    const rest = questions.filter(({ name }) => !essentials.includes(name));
    this.folds = [];
    const fold = (title, chosen, words = "") => {
      const count = make("span", { class: "small" });
      const box = make("details", {}, make("summary", {}, make("span", { text: title }), count), ...(words ? [make("p", { class: "small", text: words })] : []), ...nodes(chosen));
      this.folds.push({ box, count, chosen });
      return box;
    };
    const form = make("form", { id: "bar-questions", novalidate: true, autocomplete: "off", on: { submit: (event) => event.preventDefault() } });
    form.append(
      make("p", { text: how }),
      make("fieldset", { id: "bar-first" }, make("legend", { text: "First these five" }), make("p", { class: "small", text: essentialsWhy }), ...nodes(essentials.map((name) => ({ name })))),
      ...themes.map((theme) => fold(theme, rest.filter((one) => one.theme === theme && !one.day))).filter(({ children }) => children.length > 1),
      fold(second, rest.filter(({ day }) => day), "What stays empty here is not asked and stays out of the file, as if it limited nothing."),
    );
    const point = make("details", { id: "bar-points" }, make("summary", { text: "A point measured on ammonia" }));
    point.append(make("p", { class: "small", text: "One reading of flow and pressure says what no sheet does of the orifices." }));
    this.pointForm = new Points(point, pointWays, {
      add: (one) => this.addPoint(one),
      remove: (place) => {
        this.points = this.points.filter((_, index) => index !== place);
        this.moved();
      },
    });
    this.keys = make("details", { id: "bar-rest" }, make("summary", { text: "Everything else: every key of the bar file" }));
    this.keys.append(this.keyForm);
    this.keys.addEventListener("toggle", () => this.showKeys());
    this.keyForm.addEventListener("submit", (event) => event.preventDefault());
    this.keyForm.addEventListener("input", () => this.keysMoved());
    this.keyForm.addEventListener("click", (event) => event.target.closest("button") && this.keysMoved());
    this.progress = make("p", { id: "bar-progress", role: "status" });
    this.over = make("button", { type: "button", id: "bar-over", on: { click: () => this.startOver() } });
    at("bar-title").after(at("bar-state"), this.over, this.progress, form, point, this.keys, at("bar-trouble"));
    this.cost = make("button", { type: "button", id: "bar-cost", text: "What each unknown costs", on: { click: () => this.reckon() } });
    at("bar-save").after(this.cost);
    this.costStage = make("p", { id: "bar-cost-stage", role: "status", hidden: true });
    this.costStop = make("button", { type: "button", text: "Stop", hidden: true, on: { click: () => this.costing?.abort() } });
    this.costBox = make("section", { id: "bar-costs", tabindex: "-1", "aria-label": "What each unknown costs", hidden: true });
    at("bar-words").before(this.costStage, this.costStop, this.costBox);
  }

  // What the form holds

  get answers() {
    const given = Object.entries(this.asks).filter(([, one]) => !one.node.hidden && one.text);
    return Object.fromEntries(given.map(([name, one]) => [name, one.text]));
  }

  get holds() {
    return { answers: this.answers, base: this.base, text: this.file, points: this.points, name: this.name };
  }

  get stamp() {
    return JSON.stringify(this.holds);
  }

  get changed() {
    return this.stamp !== this.was;
  }

  // A file fills the form at once, with all the answers it comes to; something typed meanwhile comes first.
  async fill(bar) {
    const mine = (this.asked += 1);
    this.filling = bar;
    const name = bar?.fileName ?? "bar.toml";
    try {
      const said = bar ? await ask("answers", { base: bar.content, text: bar.text, name }) : null;
      if (mine !== this.asked) return;
      Object.assign(this, { of: bar, name, base: bar?.content ?? null, file: bar?.text ?? "", points: [], refill: false });
      for (const one of Object.values(this.asks)) Object.assign(one, { touched: false, text: "" });
      this.hear(said, { fill: Boolean(said) });
      this.was = this.stamp;
      if (this.made) this.made.stamp = this.was;
      this.look();
    } catch (problem) {
      complain(at("bar-trouble"), problem);
    }
  }

  // What the server says of the answers; with `fill`, the answers that a file comes to.
  hear(said, { fill = false } = {}) {
    this.said = said;
    if (fill) for (const [name, one] of Object.entries(this.asks)) if (!one.problem) one.text = said.answers[name] ?? "";
    for (const [name, one] of Object.entries(this.asks)) {
      one.node.hidden = Boolean(said) && !said.asked.includes(name);
      one.told(said?.fields[name]);
    }
    this.made = said ? { stamp: this.stamp, text: said.text, content: said.content } : null;
    this.asks.orifice.offer(this.base ? (said?.orifices ?? []) : []);
    this.pointForm.look(this.points, said?.orifices ?? []);
    tell(at("bar-trouble"), said?.trouble ?? "");
    this.showKeys();
  }

  // A person changed something; it is looked at once the keys rest.
  moved() {
    this.asked += 1;
    at("work-bar").dispatchEvent(new Event("change", { bubbles: true }));
    this.look();
    this.soon();
  }

  soon() {
    clearTimeout(this.resting);
    this.resting = setTimeout(() => this.check().catch((problem) => complain(at("bar-trouble"), problem)), REST);
  }

  // Asks what the answers come to; a newer question takes the place of this one. After a key of the file was changed
  // the answers are those of the file.
  async check() {
    clearTimeout(this.resting);
    const mine = (this.asked += 1);
    const fill = this.refill;
    const { base, file: text, name } = this;
    const said = await ask("answers", fill ? { base, text, name } : this.holds);
    if (mine === this.asked) {
      if (fill) this.refill = false;
      this.hear(said, { fill });
      this.look();
    }
    return said;
  }

  async addPoint(point) {
    try {
      const before = await ask("answers", this.holds);
      if (before.trouble || !before.text) return before.trouble || "first put right what is wrong above";
      const said = await ask("answers", { ...this.holds, points: [...this.points, point] });
      if (said.trouble) return said.trouble;
      this.points = [...this.points, point];
      this.moved();
      return "";
    } catch (problem) {
      return problem.message;
    }
  }

  // Every key of the file

  showKeys() {
    if (!this.keys.open || this.keyForm.contains(document.activeElement)) return;
    const content = this.made?.content ?? this.base;
    const text = JSON.stringify(content ?? {});
    if (text === this.keysOf && this.readKeys) return;
    this.keysOf = text;
    this.readKeys = buildForm(this.keyForm, this.tables, content ?? undefined);
    this.keysWas = JSON.stringify(this.readKeys());
  }

  // What is typed there becomes the file that the form is filled from, and the answers follow it.
  keysMoved() {
    const content = this.readKeys();
    if (JSON.stringify(content) === this.keysWas) return;
    this.keysWas = JSON.stringify(content);
    Object.assign(this, { base: content, points: [], made: null });
    this.look();
    this.refill = true;
    this.soon();
  }

  // Using it

  async use() {
    const mine = (this.files.newestBar = {});
    try {
      tell(at("bar-trouble"), "");
      const said = await this.check();
      if (!said.text) return this.refused(said);
      const stamp = this.stamp;
      const bar = await this.files.check({ name: this.name, text: said.text });
      if (this.files.newestBar !== mine) return; // a bar file was chosen meanwhile
      Object.assign(this, { of: bar, was: stamp, filling: this.files.bar });
      this.look();
      await this.files.want({ bar });
      this.look();
    } catch (problem) {
      complain(at("bar-trouble"), problem);
    }
  }

  // The first field that is wrong, unfolded and in focus; what is of no one field stands above the buttons.
  refused(said) {
    const wrong = Object.entries(this.asks).filter(([name]) => said.fields[name]?.what);
    for (const [name, one] of wrong) {
      one.touched = true;
      one.told(said.fields[name]);
      const fold = one.node.closest("details");
      if (fold) fold.open = true;
    }
    this.look();
    if (said.trouble) complain(at("bar-trouble"), new Error(said.trouble));
    else this.interview.questions.map(({ name }) => this.asks[name]).find(({ problem }) => problem)?.focus();
  }

  startOver() {
    this.fill(this.files.bar);
    at("bar-title").focus();
  }

  // What is not known

  async reckon() {
    this.costing?.abort();
    const mine = (this.costing = new AbortController());
    try {
      const said = await this.check();
      if (!said.text) return this.refused(said);
      const { stamp } = this;
      this.costStop.hidden = false;
      tell(this.costStage, "Beginning");
      const body = JSON.stringify({ ...this.holds, system: this.state.system });
      const done = await work("unknowns", body, (words) => tell(this.costStage, words), mine.signal);
      if (mine !== this.costing) return;
      tell(this.costStage, done.done ? "" : "Stopped.");
      if (done.done) {
        this.costs = { stamp, system: this.state.system, ...done.done };
        this.tellCosts();
        this.costBox.focus();
      }
    } catch (problem) {
      if (mine !== this.costing) return;
      tell(this.costStage, problem.name === "AbortError" ? "Stopped." : "");
      if (problem.name !== "AbortError") complain(at("bar-trouble"), problem);
    } finally {
      if (mine === this.costing) {
        this.costing = null;
        this.costStop.hidden = true;
      }
    }
  }

  tellCosts() {
    const { at: where, answer, window, next, caption, heads, unknowns } = this.costs;
    const cell = (words, index) => make("div", {}, make("dt", { text: heads[index] }), make("dd", { text: words || "-" }));
    const go = (name) => {
      const fold = this.asks[name].node.closest("details");
      if (fold) fold.open = true;
      this.asks[name].focus();
    };
    this.costOld = make("p", { class: "reason", text: "Answers or units are others by now: this belongs to those before. Work it out again.", hidden: true });
    const list = unknowns.map(({ name, cells }) =>
      make("li", {}, make("h4", { text: cells[0] }), make("dl", {}, ...cells.slice(1).map((words, index) => cell(words, index + 1))), make("button", { type: "button", text: "Answer it", "aria-label": `Answer it: ${cells[0]}`, on: { click: () => go(name) } })),
    );
    this.costBox.replaceChildren(
      this.costOld,
      make("h3", { text: "What to do next" }),
      make("ul", {}, ...next.map((text) => make("li", { text }))),
      make("p", { class: "small", text: `${answer}; ${where}.` }),
      ...window.map((text) => make("p", { text })),
      ...(list.length ? [make("h3", { text: caption }), make("ol", { class: "unknowns" }, ...list)] : []),
    );
    this.costBox.hidden = false;
    this.look();
  }

  // What was typed and is not in use, to be kept in the browser; and brought back.

  get draft() {
    return this.changed ? this.holds : null;
  }

  take({ answers, base, text, points, name }) {
    Object.assign(this, { of: null, name, base, file: text, points, made: null });
    for (const [of, one] of Object.entries(this.asks)) {
      one.text = answers[of] ?? "";
      one.touched = Boolean(one.text);
    }
    this.was = "";
    this.check().catch((problem) => complain(at("bar-trouble"), problem));
    this.look();
  }

  // Which bar this is, and what can be done with it

  counted() {
    for (const { count, chosen } of this.folds) {
      const here = chosen.filter(({ name }) => !this.asks[name].node.hidden);
      const full = here.filter(({ name }) => this.asks[name].text).length;
      const wrong = here.filter(({ name }) => !this.asks[name].wrong.hidden).length;
      put(count, `${full} of ${here.length} answered${wrong ? `, ${wrong} wrong` : ""}`);
    }
    const first = this.interview.questions.filter(({ name, day }) => !day && !this.asks[name].node.hidden);
    const open = first.filter(({ name, carried, choice }) => (carried !== null || choice) && !this.asks[name].text).length;
    const needed = first.filter(({ name, carried, choice }) => carried === null && !choice && !this.asks[name].text);
    const missing = needed.length ? ` Still needed: ${needed.map(({ label }) => label).join(", ")}.` : "";
    const unsure = first.filter(({ name }) => this.asks[name].text === "don't know").length;
    const empty = this.base ? "stay as the file has them" : "count as not known";
    put(this.progress, `${first.length - open - unsure - needed.length} of ${first.length} answered, ${unsure} not known${open ? `; the ${open} left empty ${empty}` : ""}.${missing}`);
  }

  look() {
    const { files } = this;
    const fresh = this.made !== null && this.made.stamp === this.stamp && Boolean(this.made.text);
    // A draft that was kept and comes to the very file in use is that bar.
    if (fresh && files.bar?.text === this.made.text && files.bar.fileName === this.name) Object.assign(this, { of: files.bar, was: this.stamp });
    const { of, changed } = this;
    // A form that was changed and is not in use is not thrown away because another bar is.
    if (!changed && files.bar !== of && files.bar !== this.filling) this.fill(files.bar);
    const used = files.bar !== null && files.bar === of && !changed;
    let words = "Not in use: check and use it.";
    if (used) words = "This bar is in use.";
    else if (files.wanted?.bar && files.wanted.bar === of && !changed) words = "Checked; it is in use once the prescription is read with it.";
    else if (changed) words = files.bar ? `Changed and not in use yet. In use is ${files.bar.name} (${files.bar.fileName}).` : "Not in use yet.";
    else if (files.bar) words = `Not in use. In use is ${files.bar.name} (${files.bar.fileName}).`;
    at("bar-title").textContent = `The bar: ${this.name}`;
    put(at("bar-state"), this.stamp === this.empty ? "" : words);
    at("bar-save").disabled = !fresh;
    this.over.hidden = !changed && files.bar === of;
    put(this.over, files.bar ? `Start over from ${files.bar.name}` : "Start over with nothing");
    tell(at("bar-words"), used ? files.bar.words : "");
    this.counted();
    const current = this.costs !== null && this.costs.stamp === this.stamp && this.costs.system === this.state.system;
    if (this.costs) {
      this.costOld.hidden = current;
      this.costBox.classList.toggle("dim-inside", !current);
    }
    for (const [name, one] of Object.entries(this.asks)) {
      const cost = current ? this.costs.unknowns.find((found) => found.name === name) : null;
      put(one.cost, cost ? `Not knowing it: ${this.costs.heads[3]} ${cost.cells[3]}.` : "");
    }
  }
}

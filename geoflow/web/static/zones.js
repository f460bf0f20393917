// The list of zones, the keyboard's way to each of them, and what is known of the one chosen.

import { at, make } from "./parts.js";
import { Belonging, stamp } from "./state.js";
import { ask } from "./talk.js";
import { explained } from "./terms.js";

export class ZoneList {
  constructor(state, marked, desk) {
    this.desk = desk;
    this.state = state;
    this.marked = marked;
    const dim = (id, current, any) => at(id).classList.toggle("dim", any && !current);
    this.listed = new Belonging(state, (current, any) => {
      at("zones-body").hidden = !any;
      dim("zones-body", current, any);
    });
    this.told = new Belonging(state, (current, any) => {
      dim("zone", current, any);
      for (const button of at("zone").querySelectorAll(".use-speed")) button.disabled = !current;
    });
    this.reset([]);
    at("zone-list").addEventListener("keydown", (event) => this.key(event));
    at("shown").addEventListener("change", () => this.turn(0));
    at("earlier").addEventListener("click", () => this.turn(this.start - this.step));
    at("later").addEventListener("click", () => this.turn(this.start + this.step));
  }

  reset(numbers) {
    this.numbers = numbers;
    this.zones = [];
    this.start = 0;
    this.step = 50;
    this.total = 0;
    this.chosen = null;
    this.listed.drop();
    this.told.drop();
    at("place").textContent = "";
    at("zone").replaceChildren(make("p", { text: "No zone chosen." }));
    at("zone-list").replaceChildren();
  }

  // Ask, and give the answer only if it still is one to what is set and loaded: [question, answer].
  async ask(name, more, failed) {
    const question = this.state.question;
    if (!question) return [];
    try {
      const said = await ask(name, { ...question, ...more });
      return stamp(question) === stamp(this.state.question) ? [question, said] : [];
    } catch (problem) {
      if (stamp(question) === stamp(this.state.question)) failed(problem.message);
      return [];
    }
  }

  async load() {
    const asked = { shown: at("shown").value, start: this.start };
    const [question, said] = await this.ask("zones", asked, (words) => (at("place").textContent = words));
    if (!said || asked.shown !== at("shown").value) return;
    this.listed.take(question);
    Object.assign(this, { zones: said.zones, start: said.start, total: said.total, step: said.step });
    at("zone-list").replaceChildren(...said.zones.map((zone) => this.line(zone)));
    const last = Math.min(said.start + said.step, said.total);
    at("place").textContent = said.total ? `${said.start + 1} to ${last} of ${said.total.toLocaleString("en")}` : "none";
    at("earlier").disabled = said.start === 0;
    at("later").disabled = last >= said.total;
    this.point();
  }

  line(zone) {
    const letter = make("b", { class: "letter", text: zone.letter, "aria-hidden": "true" });
    const act = async () => {
      await this.choose(zone.at);
      // What is told stands above the list; where that is out of sight, it is brought back.
      if (at("zone").getBoundingClientRect().bottom < at("panel-body").getBoundingClientRect().top + 40) at("panel-body").scrollTop = 0;
    };
    return make("li", { role: "option", id: `line-${zone.at}`, "aria-selected": "false", on: { click: act } }, letter, zone.words);
  }

  async turn(start, end = null) {
    this.start = Math.max(0, start);
    await this.load();
    if (end !== null && this.zones.length) this.choose(this.zones[end ? this.zones.length - 1 : 0].at);
  }

  point() {
    for (const line of at("zone-list").children) line.setAttribute("aria-selected", String(line.id === `line-${this.chosen}`));
    const line = document.getElementById(`line-${this.chosen}`);
    if (line) {
      at("zone-list").setAttribute("aria-activedescendant", line.id);
      const box = at("zone-list");
      if (line.offsetTop < box.scrollTop) box.scrollTop = line.offsetTop;
      const over = line.offsetTop + line.offsetHeight - box.clientHeight;
      if (over > box.scrollTop) box.scrollTop = over;
    } else at("zone-list").removeAttribute("aria-activedescendant");
  }

  key(event) {
    const here = this.zones.findIndex((zone) => zone.at === this.chosen);
    const last = this.zones.length - 1;
    const to = { ArrowDown: here + 1, ArrowUp: here < 0 ? 0 : here - 1, Home: 0, End: last, PageDown: Math.min(here + 6, last), PageUp: Math.max(here - 6, 0) }[event.key];
    if (to === undefined || last < 0) return;
    event.preventDefault();
    if (to > last) {
      if (this.start + this.step < this.total) this.turn(this.start + this.step, 0);
    } else if (to < 0) {
      if (this.start > 0) this.turn(this.start - this.step, 1);
    } else this.choose(this.zones[to].at);
  }

  async choose(index, { fromMap = false } = {}) {
    this.chosen = index;
    this.marked(index, { move: !fromMap });
    if (fromMap) this.desk.show("zones");
    this.point();
    await this.tell();
  }

  async tell() {
    const index = this.chosen;
    if (index === null) return;
    const instead = (text, kind = null) => {
      this.told.drop();
      at("zone").replaceChildren(make("p", { text, class: kind }));
    };
    if (!this.state.question) {
      instead(`Zone ${this.numbers[index]}: no verdict as long as there is no answer above.`);
      return;
    }
    const [question, zone] = await this.ask("zone", { at: index }, (words) => instead(words, "trouble"));
    if (!zone || index !== this.chosen) return;
    this.told.take(question);
    const rows = zone.rows.map(([name, text]) => make("div", {}, make("dt", {}, explained(name)), make("dd", { text })));
    const facts = zone.attributes.map(([name, text]) => make("div", {}, make("dt", { text: name }), make("dd", { text })));
    const open = at("zone").querySelector("details")?.open ?? false;
    at("zone").replaceChildren(
      make("h3", {}, make("b", { class: "letter", text: zone.letter, "aria-hidden": "true" }), `${zone.title}: ${zone.verdict}`),
      make("p", { text: zone.meaning }),
      ...(zone.limit ? [make("p", {}, make("b", {}, explained("Limit"), ": "), zone.limit)] : []),
      ...(zone.cure ? [make("p", {}, make("b", {}, explained("Cure"), ": "), zone.cure)] : []),
      ...(zone.speed ? [this.speedButton(zone.speed)] : []),
      make("dl", {}, ...rows),
      make("details", { open }, make("summary", { text: "What the file says of it" }), make("dl", {}, ...facts)),
    );
  }

  speedButton({ words, ends }) {
    const act = () => {
      at("zone").tabIndex = -1;
      at("zone").focus({ preventScroll: true });
      dispatchEvent(new CustomEvent("use-speed", { detail: ends }));
    };
    return make("p", {}, make("button", { type: "button", class: "use-speed", text: words, on: { click: act } }));
  }

  refresh() {
    this.load();
    this.tell();
  }
}

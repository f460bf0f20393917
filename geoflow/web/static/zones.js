// The list of zones, the keyboard's way to each of them, and what is known of the one chosen.

import { at, make } from "./parts.js";
import { ask } from "./talk.js";

export class ZoneList {
  constructor(question, marked) {
    this.question = question;
    this.marked = marked;
    this.reset([]);
    at("zones").addEventListener("keydown", (event) => this.key(event));
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
    at("zone").replaceChildren(make("p", { text: "No zone chosen." }));
    at("zones").replaceChildren();
  }

  async load() {
    const said = await ask("zones", this.question({ shown: at("shown").value, start: this.start })).catch(() => null);
    if (!said) return;
    Object.assign(this, { zones: said.zones, start: said.start, total: said.total, step: said.step });
    at("zones").replaceChildren(...said.zones.map((zone) => this.line(zone)));
    const last = Math.min(said.start + said.step, said.total);
    at("place").textContent = said.total ? `${said.start + 1} to ${last} of ${said.total.toLocaleString("en")}` : "none";
    at("earlier").disabled = said.start === 0;
    at("later").disabled = last >= said.total;
    this.point();
  }

  line(zone) {
    const letter = make("b", { class: "letter", text: zone.letter, "aria-hidden": "true" });
    const act = () => this.choose(zone.at);
    return make("li", { role: "option", id: `line-${zone.at}`, "aria-selected": "false", on: { click: act } }, letter, zone.words);
  }

  async turn(start, end = null) {
    this.start = Math.max(0, start);
    await this.load();
    if (end !== null && this.zones.length) this.choose(this.zones[end ? this.zones.length - 1 : 0].at);
  }

  point() {
    for (const line of at("zones").children) line.setAttribute("aria-selected", String(line.id === `line-${this.chosen}`));
    const line = document.getElementById(`line-${this.chosen}`);
    if (line) {
      at("zones").setAttribute("aria-activedescendant", line.id);
      const box = at("zones");
      if (line.offsetTop < box.scrollTop) box.scrollTop = line.offsetTop;
      const over = line.offsetTop + line.offsetHeight - box.clientHeight;
      if (over > box.scrollTop) box.scrollTop = over;
    } else at("zones").removeAttribute("aria-activedescendant");
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
    this.point();
    await this.tell();
    if (fromMap && at("zone").getBoundingClientRect().top > innerHeight - 120) at("zone").scrollIntoView({ block: "nearest" });
  }

  async tell() {
    const index = this.chosen;
    if (index === null) return;
    const zone = await ask("zone", this.question({ at: index })).catch(() => null);
    if (!zone || index !== this.chosen) return;
    const rows = zone.rows.map(([name, text]) => make("div", {}, make("dt", { text: name }), make("dd", { text })));
    const facts = zone.attributes.map(([name, text]) => make("div", {}, make("dt", { text: name }), make("dd", { text })));
    const open = at("zone").querySelector("details")?.open ?? false;
    at("zone").classList.remove("stale");
    at("zone").replaceChildren(
      make("h3", {}, make("b", { class: "letter", text: zone.letter, "aria-hidden": "true" }), `${zone.title}: ${zone.verdict}`),
      make("p", { text: zone.meaning }),
      ...(zone.limit ? [make("p", {}, make("b", { text: "Limit: " }), zone.limit)] : []),
      ...(zone.cure ? [make("p", {}, make("b", { text: "Cure: " }), zone.cure)] : []),
      make("dl", {}, ...rows),
      make("details", { open }, make("summary", { text: "What the file says of it" }), make("dl", {}, ...facts)),
    );
  }

  // While the plan moves, what is told of a zone is of an earlier plan.
  stale() {
    at("zone").classList.add("stale");
    at("zones").classList.add("stale");
  }

  refresh() {
    at("zones").classList.remove("stale");
    at("zone").classList.remove("stale");
    this.load();
    this.tell();
  }
}

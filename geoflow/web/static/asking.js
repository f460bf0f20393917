// One question of the interview: what is typed, its unit, "don't know" and "there is none", and what it comes to.

import { make, options, put, tell } from "./parts.js";

const UNKNOWN = "don't know";

// Text without a unit of its own: digits and what stands between them, "to" and "and".
const bare = (text) => !/[a-z"'\u2032\u2033%]/i.test(text.replace(/\b(to|and)\b/gi, " "));

const capital = (text) => text[0].toUpperCase() + text.slice(1);

export class Ask {
  // `changed` is called with this after each change by a person.
  constructor(question, changed) {
    Object.assign(this, question, { changed, touched: false, problem: null });
    const id = `answer-${this.name.replaceAll("_", "-")}`;
    const how = { id, type: "text", autocomplete: "off", autocapitalize: "off", spellcheck: "false", placeholder: `like ${this.usual}`, "aria-describedby": `${id}-usual ${id}-back ${id}-wrong` };
    this.input = make("input", how);
    this.unit = this.units.length ? make("select", { "aria-label": `unit of ${this.label}`, autocomplete: "off" }) : null;
    if (this.unit) options(this.unit, this.units.map((unit) => [unit, unit === "No." ? "drill No." : unit]), this.units[0]);
    this.places = this.way === "gauges" ? question.offered.map((place) => this.tick(place)) : null;
    this.unknown = this.carried === null ? null : this.tick(this.unknownSaid());
    this.nothing = this.none ? this.tick("there is none") : null;
    this.back = make("p", { id: `${id}-back`, class: "back small", role: "status" });
    this.cost = make("p", { class: "cost small" });
    this.wrong = make("p", { id: `${id}-wrong`, class: "trouble", role: "alert", hidden: true });
    this.picks = make("div", { class: "row picks" });
    const label = make("label", { for: id }, make("b", { text: capital(this.label) }), ` ${this.asks}`);
    const ticks = [this.unknown, this.nothing].filter(Boolean).map(({ node }) => node);
    this.node = make("div", { class: "ask", id: `ask-${this.name}` }, label);
    if (this.why) this.node.append(make("p", { class: "why small", text: this.why }));
    if (this.places) this.node.append(make("div", { class: "row", role: "group", "aria-label": this.label }, ...this.places.map(({ node }) => node)));
    const line = make("div", { class: "answered" }, this.input, ...(this.unit ? [this.unit] : []));
    line.hidden = Boolean(this.places);
    this.node.append(line, this.picks, this.back, this.wrong);
    if (ticks.length) this.node.append(make("div", { class: "row ticks" }, ...ticks));
    this.node.append(this.cost, make("p", { id: `${id}-usual`, class: "small", text: capital(`${this.usualSaid}. ${this.explained}`) }));
    this.input.addEventListener("input", () => this.typed());
    this.unit?.addEventListener("change", () => this.input.value.trim() && this.typed());
    // What is wrong is told once the field is left.
    for (const event of ["change", "blur"]) this.input.addEventListener(event, () => this.left());
  }

  unknownSaid() {
    if (this.choice) return `the usual one, ${this.usual}`;
    return this.carried ? `${UNKNOWN}: ${this.carried} is carried` : `${UNKNOWN}: it is left out, and allowed for`;
  }

  tick(words) {
    const box = make("input", { type: "checkbox", autocomplete: "off" });
    const made = { words, box, node: make("label", { class: "tick" }, box, make("span", { text: words })) };
    box.addEventListener("change", () => this.ticked(made));
    return made;
  }

  ticked(made) {
    if (made.box.checked && !this.places?.includes(made)) {
      for (const other of [this.unknown, this.nothing]) if (other && other !== made) other.box.checked = false;
    } else if (made.box.checked) this.untick();
    if (this.places) this.input.value = this.places.filter(({ box }) => box.checked).map(({ words }) => words).join(", ");
    this.touched = true;
    this.look();
    this.changed(this);
  }

  untick() {
    for (const one of [this.unknown, this.nothing]) if (one) one.box.checked = false;
  }

  typed() {
    this.untick();
    this.look();
    this.changed(this);
  }

  left() {
    if (this.input.value.trim()) this.touched = true;
    this.shown(this.problem);
  }

  // A ticked box stands for the answer; what was typed before stays beside it, for who changes their mind.
  look() {
    const set = Boolean(this.unknown?.box.checked || this.nothing?.box.checked);
    this.node.classList.toggle("set", set);
    if (this.places && set) for (const { box } of this.places) box.checked = false;
  }

  get text() {
    if (this.unknown?.box.checked) return UNKNOWN;
    if (this.nothing?.box.checked) return "none";
    const typed = this.input.value.trim();
    if (!typed || !this.unit) return typed;
    const unit = this.unit.value;
    if (this.way === "pulses") return !bare(typed) || unit === this.units[0] ? typed : `${typed} ${unit}`;
    const whole = (part) => (!bare(part) ? part : unit === "No." ? `No. ${part}` : `${part} ${unit}`);
    return this.each ? typed.split(",").map((part) => whole(part.trim())).join(", ") : whole(typed);
  }

  set text(said) {
    this.untick();
    this.input.value = "";
    if (said === UNKNOWN && this.unknown) this.unknown.box.checked = true;
    else if (said === "none" && this.nothing) this.nothing.box.checked = true;
    else this.input.value = said ?? "";
    const parts = this.input.value.split(",").map((part) => part.trim());
    for (const unit of this.unit && parts[0] ? this.units : []) {
      const bareOf = (part) => (unit === "No." ? part.replace(/^No\. /, "") : part.endsWith(` ${unit}`) ? part.slice(0, -unit.length - 1) : part);
      if (!parts.every((part) => bareOf(part) !== part && bare(bareOf(part)))) continue;
      this.unit.value = unit;
      this.input.value = parts.map(bareOf).join(", ");
      break;
    }
    if (this.places) for (const { words, box } of this.places) box.checked = parts.includes(words);
    this.problem = null;
    this.shown(null);
    this.look();
  }

  // What the server says of it: {back, known} or {what, cure}; nothing where it was not asked.
  told(said) {
    this.problem = said?.what ? said : null;
    put(this.back, this.text ? (said?.back ?? "") : "");
    this.shown(this.problem);
  }

  shown(problem) {
    const bad = problem && this.touched ? problem : null;
    tell(this.wrong, bad ? `${bad.what}\n  cure:  ${bad.cure}` : "");
    if (bad) this.input.setAttribute("aria-invalid", "true");
    else this.input.removeAttribute("aria-invalid");
  }

  // Sizes that the file has names for, to choose from.
  offer(sizes) {
    const row = sizes.length < 2 ? [] : sizes;
    this.picks.replaceChildren(
      ...row.map(([name, size]) => make("button", { type: "button", text: `${name}: ${size}`, on: { click: () => this.pick(size) } })),
    );
  }

  pick(size) {
    this.text = size;
    this.touched = true;
    this.changed(this);
  }

  focus() {
    const target = this.places ? this.places[0].box : this.input;
    target.focus();
    this.node.scrollIntoView({ block: "nearest" });
  }
}

// The works: each a form made from what the server says of its commands, and what came of it.

import { Fields } from "./fields.js";
import { headline, picture, told } from "./outcome.js";
import { at, complain, make, tell } from "./parts.js";
import { Belonging } from "./state.js";
import { contents, fetchMade, frame, save } from "./talk.js";
import { longWork } from "./work.js";

const PLACES = { vet: "keep", "rewrite-report": "rewrite", "log-report": "log" };

// `more`: for a work whose question rests on another form, gives what that form says, or null, and its files.
export function makeWorks(state, files, known, more = {}) {
  document.body.append(make("datalist", { id: "rate-units" }, ...known.rateUnits.map((value) => make("option", { value }))));
  return known.works.map((work) => new Work(work, { state, files, caution: known.caution, more: more[work.name] ?? null }));
}

class Work {
  constructor(work, { state, files, caution, more }) {
    Object.assign(this, { work, state, files, more });
    this.choice = 0;
    this.command = work.acts[0].command;
    this.id = (part) => `${work.name}-${part}`;
    this.build(at(`work-${PLACES[work.name] ?? work.name}`), caution);
    this.belonging = new Belonging(state, (current, any) => this.look(current, any), () => this.question());
    this.form.addEventListener("input", (event) => {
      if (event.target.type === "file") this.choice += 1; // another file may have the same name
      this.belonging.look();
    });
    this.form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.act(event.submitter?.value || this.command);
    });
    this.belonging.look();
  }

  build(place, caution) {
    const { work, id } = this;
    const named = id("title");
    const tick = (part, words) => {
      this[part] = make("input", { type: "checkbox", checked: true, autocomplete: "off", id: id(`with-${part}`) });
      this[`${part}None`] = make("b");
      return make("label", { class: "tick" }, this[part], make("span", {}, words, this[`${part}None`]));
    };
    const ticks = [];
    if (work.map === "may") ticks.push(tick("withMap", "the prescription that is loaded "));
    if (work.bar === "may") ticks.push(tick("withBar", "the bar that is loaded "));
    if (work.speedOpen) ticks.push(tick("withSpeed", "at the ground speed of \u201cThe day\u201d; else the best one is looked for "));
    const box = make("div", { class: "fields" });
    this.buttons = work.acts.map(({ command, button }, at) => make("button", { type: "submit", value: command, class: at ? null : "main", text: button }));
    this.why = make("p", { class: "reason", hidden: true });
    this.form = make("form", { autocomplete: "off", novalidate: true, "aria-labelledby": named }, ...ticks, box, this.why, make("div", { class: "row" }, ...this.buttons));
    this.trouble = make("div", { class: "trouble", role: "alert", tabindex: "-1", id: id("trouble"), hidden: true });
    this.old = make("p", { class: "trouble", text: "Something else is set, chosen or loaded now. Do it again, or go back to what it was.", hidden: true });
    this.keep = make("button", { type: "button", class: "main", text: "Download", on: { click: () => this.download() } });
    this.use = make("button", { type: "button", text: "Use this bar", hidden: true, on: { click: () => this.useBar() } });
    this.names = make("p", { class: "small" });
    this.body = make("div", { class: "outcome-body" });
    const told = make("p", { class: "caution", role: "note", text: caution });
    this.sentence = make("p", { class: "outcome-sentence" });
    this.of = make("p", { class: "small" });
    this.outcome = make(
      "div",
      { class: "outcome", hidden: true, tabindex: "-1", "aria-labelledby": named },
      ...[this.old, this.sentence, this.of, told, make("div", { class: "row" }, this.keep, this.use), this.names, this.body],
    );
    const title = make(PLACES[work.name] ? "h3" : "h2", { id: named, text: work.title });
    const all = make("div", { class: "made-work", id: id("work") }, title, make("p", { text: work.lead }), this.form, this.trouble, this.outcome);
    if (PLACES[work.name]) place.append(all);
    else place.prepend(all);
    this.fields = new Fields(box, work.fields, { begins: `${work.name}-` });
  }

  get uses() {
    const ticked = (node) => Boolean(node?.checked && !node.disabled);
    return { map: ticked(this.withMap), bar: ticked(this.withBar), speed: ticked(this.withSpeed) };
  }

  // What would be asked now; null while something that takes part is missing or on its way.
  question(command = this.command) {
    const { work, state, files, uses, fields, choice } = this;
    if (state.lost) return null;
    const said = { command, system: state.system, uses, choice, said: fields.values };
    if (work.name === "log-report") {
      const log = this.more.question();
      return log && { ...log, ...said, choice: [choice, log.choice] };
    }
    const map = work.map === "needs" || uses.map;
    const bar = work.bar === "needs" || uses.bar;
    if ((map || bar) && state.coming) return null;
    if (work.map === "needs" && !state.question) return null;
    if (work.bar === "needs" && !files.bar) return null;
    return {
      ...said,
      ...(this.more?.question() ?? {}),
      opened: map ? state.opened : null,
      plan: work.plan ? state.plan : null,
      bar: bar && !map ? { name: files.bar.fileName, text: files.bar.text } : null,
    };
  }

  reason() {
    const { work, state, files } = this;
    if (state.lost || state.coming) return state.lost || state.coming;
    if (work.name === "log-report") return "No log is chosen yet.";
    if (work.bar === "needs" && !files.bar) return "No bar is loaded yet.";
    if (work.map === "needs" && state.opened === null) return "No prescription is loaded yet.";
    return "Temperature and speed are not set yet: see \u201cThe day\u201d.";
  }

  look(current, any) {
    const { state, files, work } = this;
    const none = (part, missing) => {
      if (!this[part]) return;
      this[part].disabled = missing;
      this[`${part}None`].textContent = missing ? "(none is)" : "";
    };
    none("withMap", state.opened === null && !state.coming);
    none("withBar", files.bar === null);
    // What stands in place of the loaded map is asked for where that does not take part.
    if (work.map === "may") this.fields.hide(work.instead, this.uses.map);
    const asked = this.question();
    for (const button of this.buttons) button.disabled = asked === null;
    tell(this.why, asked === null ? this.reason() : "");
    this.outcome.hidden = !any;
    this.outcome.classList.toggle("dim-inside", any && !current);
    this.old.hidden = current;
    this.keep.disabled = !current;
    this.use.disabled = !current;
  }

  async act(command) {
    const question = this.question(command);
    if (!question) return;
    this.belonging.drop();
    this.fields.refuse([], "");
    const { doing } = this.work.acts.find((act) => act.command === command);
    try {
      const sent = frame(question, await contents([...(this.more?.files?.() ?? []), ...this.fields.files]));
      const done = await longWork("work", sent, this.trouble, { what: doing });
      if (!done) return;
      if (done.unsaid) throw Object.assign(new Error(done.unsaid), { fields: ["column"] });
      this.command = command;
      this.show(done);
      this.belonging.take(question);
      this.outcome.focus({ preventScroll: true });
      this.outcome.scrollIntoView({ block: "nearest" });
    } catch (problem) {
      this.fields.refuse(problem.fields ?? [], this.trouble.id);
      complain(this.trouble, problem);
      this.form.querySelector("[aria-invalid]")?.focus();
    }
  }

  show({ shown, names, pictures, bar }) {
    this.bar = bar;
    headline(this.sentence, shown.answer);
    tell(this.of, shown.subtitle);
    this.use.hidden = !bar;
    this.names.textContent = `One zip, byte for byte what the command line writes: ${names.join(", ")}.`;
    const drawn = pictures.map(([, content, alt]) => picture({ png: content, alt }));
    this.body.replaceChildren(...told(shown, drawn));
  }

  async download() {
    try {
      const { zipped } = this.work.acts.find((act) => act.command === this.command);
      save(await fetchMade(this.command, this.belonging.to), zipped);
    } catch (problem) {
      complain(this.trouble, problem);
    }
  }

  async useBar() {
    try {
      this.files.want({ bar: await this.files.check(this.bar) });
    } catch (problem) {
      complain(this.trouble, problem);
    }
  }
}

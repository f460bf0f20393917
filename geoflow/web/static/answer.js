// The answer to the plan as it stands, and how it follows the sliders.

import { at, make, put, tell } from "./parts.js";
import { Belonging, stamp } from "./state.js";
import { ask } from "./talk.js";

const RESTED = 250; // ms without a move after which the plan is solved in full

// The first sentence says how many hold; what follows it qualifies that.
function headline(text) {
  if (at("sentence").textContent === text) return;
  const end = text.indexOf(". ") + 1 || text.length;
  at("sentence").replaceChildren(make("b", { text: text.slice(0, end) }), text.slice(end));
}

export class Answer {
  constructor(state, cells, { map, list, missing }) {
    Object.assign(this, { state, cells, map, list, missing });
    this.answer = null;
    this.refused = null; // {question, words}
    this.asking = false;
    this.solving = null; // of the full answer under way
    this.rest = 0;
    this.belonging = new Belonging(state, () => this.look());
  }

  // Other zones are on the map: nothing is known of them yet.
  drop() {
    this.answer = this.refused = null;
    this.belonging.drop();
  }

  // Something is set differently: ask, unless it is being asked already, and then that goes on with it. A full answer
  // under way is of no use any more.
  moved() {
    clearTimeout(this.rest);
    this.solving?.abort();
    if (!this.asking) this.follow();
  }

  isRefused(question) {
    return this.refused !== null && question !== null && stamp(this.refused.question) === stamp(question);
  }

  async follow() {
    this.asking = true;
    for (;;) {
      const question = this.state.question;
      if (!question || this.isRefused(question)) break;
      if (this.belonging.isOf(question) && (this.pictures?.holds(this.answer) ?? true)) break;
      await this.put(question, { quick: true });
      await new Promise(requestAnimationFrame);
    }
    this.asking = false;
    if (this.belonging.current && !this.answer.exact) this.rest = setTimeout(() => this.settle(), RESTED);
  }

  async settle() {
    const question = this.state.question;
    if (this.asking || !question) return;
    const mine = (this.solving = new AbortController());
    await this.put(question, {}, mine.signal);
    if (this.solving !== mine) return;
    this.solving = null;
    if (!mine.signal.aborted) this.moved();
  }

  async put(question, how = {}, signal = null) {
    try {
      const answer = await ask("vet", { ...question, ...how, layer: this.pictures?.asked }, signal);
      // Meanwhile other files may have come to stand: of other zones nothing is shown.
      if (answer.superseded || signal?.aborted || question.opened !== this.state.opened) return;
      this.answer = answer;
      this.refused = null;
      document.body.dataset.shown = String(Number(document.body.dataset.shown ?? 0) + 1);
      this.belonging.take(question);
    } catch (problem) {
      if (signal?.aborted) return;
      this.refused = { question, words: problem.message };
      this.belonging.look();
    }
  }

  // Why there is no answer to what is set above, in words; empty where there is one.
  why() {
    const { coming, lost } = this.state;
    if (lost) return lost;
    if (coming) return coming;
    if (this.state.opened === null) return "Nothing is loaded yet: choose a bar and a prescription.";
    if (this.missing().length) return `Not set yet: ${this.missing().join(", ")}.`;
    if (this.isRefused(this.state.question)) return "The plan is refused, see there.";
    return this.belonging.current ? "" : "Being solved.";
  }

  look() {
    const { answer, state } = this;
    const current = this.belonging.current;
    const question = state.question;
    const why = this.why();
    const dimmed = answer !== null && !current;
    document.body.classList.toggle("old", dimmed);
    at("answer-body").hidden = at("counts").hidden = answer === null;
    for (const id of ["rewrite-go", "vetted", "report", "words"]) at(id).disabled = !question;
    tell(at("day-trouble"), this.isRefused(question) ? this.refused.words : "");
    const none = this.isRefused(question) ? "No answer for this plan." : "No answer before temperature and speed are set.";
    const missing = state.opened !== null && this.missing().length > 0 && !state.coming && !state.lost;
    if (missing || this.isRefused(question)) headline(none);
    else headline(answer?.answer ?? "No answer yet.");
    at("sentence").classList.toggle("dim", dimmed && !missing && !this.isRefused(question));
    const elsewhere = state.coming || state.lost;
    // Short enough for one line, so that nothing jumps while a slider moves.
    if (!current) put(at("pending"), dimmed && !elsewhere ? `${why} What is dimmed is of an earlier plan.` : why);
    else put(at("pending"), answer.exact ? "\u00a0" : "Moving: margins and cures follow when it rests.");
    const of = answer === null ? "" : `${current ? "For" : "Dimmed: for"} ${answer.of}.`;
    put(at("of"), of);
    tell(at("map-stale"), current ? "" : `${why} ${of}`.trim());
    for (const node of document.querySelectorAll(".reason")) tell(node, question ? "" : why);
    document.body.dataset.exact = String(current && answer.exact);
    if (answer !== this.drawn) this.draw(answer);
    const whole = current && answer.exact;
    if (whole && !this.whole) this.list.refresh();
    this.whole = whole;
    this.pictures?.look();
  }

  draw(answer) {
    this.drawn = answer;
    at("warnings").hidden = answer === null;
    if (answer === null) return;
    if (String(answer.warnings) !== this.warned) {
      this.warned = String(answer.warnings);
      at("warnings").replaceChildren(...answer.warnings.map((text) => make("p", { class: "trouble", text })));
    }
    for (const { name, zones, area } of answer.counts) {
      put(this.cells[name][0], zones);
      put(this.cells[name][1], area);
    }
    const rows = answer.window.map(([name, ...shown]) =>
      make("tr", {}, make("th", { scope: "row", text: name }), ...shown.map((text) => make("td", { text }))),
    );
    at("window").tBodies[0].replaceChildren(...rows);
    at("limits").replaceChildren(...answer.limits.map((text) => make("li", { text })));
  }
}

// The log: what is chosen to be reconciled, and what came of it.

import { Fields } from "./fields.js";
import { GroundMap } from "./ground.js";
import { headline, picture, told } from "./outcome.js";
import { at, complain, make, tell } from "./parts.js";
import { Belonging } from "./state.js";
import { contents, fetchMade, frame, save } from "./talk.js";
import { endWork, longWork } from "./work.js";

export class Log {
  constructor(state, files, described, desk) {
    Object.assign(this, { state, files, desk });
    this.fields = new Fields(at("log-fields"), described, { begins: "log-" });
    this.ground = new GroundMap(at("reconciled-shown"));
    this.changed = () => {};
    this.chosen = [];
    this.choice = 0;
    this.belonging = new Belonging(state, (current, any) => this.look(current, any), () => this.question());
    at("log-file").addEventListener("change", (event) => {
      if (event.target.files.length) this.take([...event.target.files]);
      event.target.value = "";
    });
    at("log-form").addEventListener("input", (event) => {
      if (event.target.type === "file") this.choice += 1; // another file may have the same name
      this.state.set({});
    });
    at("log-form").addEventListener("submit", (event) => {
      event.preventDefault();
      this.reconcile();
    });
    at("reconciled-save").addEventListener("click", () => this.download());
    this.belonging.look();
  }

  take(chosen) {
    this.chosen = chosen;
    this.choice += 1;
    const names = chosen.map((file) => file.name).join(", ");
    endWork("reconcile", names);
    at("log-name").textContent = names;
    at("log-form").hidden = false;
    this.belonging.drop();
    this.state.set({});
    tell(at("log-trouble"), "");
    this.desk.show("log");
    this.changed();
  }

  get uses() {
    const ticked = (id) => at(id).checked && !at(id).disabled;
    return { map: ticked("log-map"), bar: ticked("log-bar") };
  }

  // What would be asked now; null while a bar or a map that takes part is on its way.
  question() {
    const { map, bar } = this.uses;
    const { state, files } = this;
    if (!this.chosen.length || state.lost || ((map || bar) && state.coming)) return null;
    return {
      system: state.system,
      choice: this.choice,
      with_map: map,
      opened: map ? state.opened : null,
      bar: bar ? { name: files.bar.fileName, text: files.bar.text } : null,
      log: this.fields.values,
    };
  }

  look(current, any) {
    const { state, files } = this;
    // A map on its way can be ticked, and is waited for; where there is none, nothing is compared.
    at("log-map").disabled = state.opened === null && !state.coming;
    at("log-bar").disabled = files.bar === null;
    at("log-map-none").hidden = !at("log-map").disabled;
    at("log-bar-none").hidden = !at("log-bar").disabled;
    const waits = this.chosen.length > 0 && this.question() === null;
    at("log-go").disabled = waits;
    tell(at("log-why"), waits ? `${state.lost || state.coming} Or reconcile without the prescription and the bar that are loaded.` : "");
    at("reconciled").hidden = !any;
    at("reconciled").classList.toggle("dim-inside", any && !current);
    at("reconciled-old").hidden = current;
    at("reconciled-save").disabled = !current;
  }

  async reconcile() {
    const question = this.question();
    if (!question) return;
    this.belonging.drop();
    try {
      const sent = frame(question, await contents([...this.chosen, ...this.fields.files]));
      const done = await longWork("reconcile", sent, at("log-trouble"), { what: "Reconciling the log" });
      // What was made for a log that was replaced is not shown beside the new one's name.
      if (!done || question.choice !== this.choice) return;
      if ("unsaid" in done) {
        this.propose(done);
        return;
      }
      at("reconciled-text").textContent = done.text;
      const drawn = done.pictures.map(([, content, alt]) => picture({ png: content, alt }));
      headline(at("reconciled-answer"), done.shown.answer);
      at("reconciled-shown").replaceChildren(...told(done.shown, drawn));
      this.belonging.take(question);
      this.ground.show(done.drawn);
      at("reconciled").focus();
    } catch (problem) {
      this.fields.refuse(problem.fields ?? [], "log-trouble");
      complain(at("log-trouble"), problem);
    }
  }

  // What the columns most likely are is filled in for a person to look through; nothing is read by it before that.
  propose({ unsaid, proposed }) {
    const field = at("log-column");
    if (!field.value.trim()) field.value = proposed.join("\n");
    field.rows = Math.max(2, proposed.length);
    this.belonging.look();
    complain(at("log-trouble"), new Error(`${unsaid}\n  It is filled in above: look through it, then reconcile again.`));
    field.focus();
  }

  async download() {
    try {
      save(await fetchMade("reconciled", this.belonging.to), "reconciled.zip");
    } catch (problem) {
      complain(at("log-trouble"), problem);
    }
  }
}

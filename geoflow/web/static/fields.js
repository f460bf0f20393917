// The fields of a form, made from the table of options: {name, label, kind, example, choices, usual, fold} each.

import { at, make, options } from "./parts.js";

const FREE = "as the file says";

export class Fields {
  // `offered`: names of options whose entries the file gives; `begins` goes before the names in the fields' ids.
  constructor(box, described, { offered = [], begins = "" } = {}) {
    this.described = described;
    this.box = box;
    this.id = (name) => begins + name.replaceAll("_", "-");
    const made = (fold) => described.filter((field) => field.fold === fold).map((field) => this.label(field, offered.includes(field.name) || field.choices.length > 0));
    box.append(...made(""));
    // What is seldom needed is folded away under its heading.
    for (const fold of new Set(described.map((field) => field.fold).filter(Boolean))) {
      box.append(make("details", { "data-fold": fold }, make("summary", { text: fold }), make("div", { class: "fields" }, ...made(fold))));
    }
    box.addEventListener("input", ({ target }) => {
      target.removeAttribute("aria-invalid");
      target.removeAttribute("aria-describedby");
    });
  }

  label({ name, label, kind, example, choices, usual }, chosen) {
    const how = { id: this.id(name), autocomplete: "off" };
    if (kind === "flag") return make("label", { class: "tick" }, make("input", { ...how, type: "checkbox" }), ` ${label}`);
    if (kind === "file" || kind === "files") return make("label", {}, `${label} `, make("input", { ...how, type: "file", multiple: true }));
    if (kind === "list") return make("label", {}, `${label} `, make("textarea", { ...how, rows: "2", placeholder: example, spellcheck: "false" }));
    if (!chosen) return make("label", {}, `${label} `, make("input", { ...how, type: "text", placeholder: example, list: kind === "rate unit" ? "rate-units" : null }));
    const select = make("select", how);
    const none = !choices.length ? FREE : kind === "output" ? "choose one" : usual ? `as usual (${usual})` : "as usual";
    options(select, [["", none], ...choices], "");
    return make("label", {}, `${label} `, select);
  }

  // Entries are values, or [value, words].
  offer(name, entries) {
    options(at(this.id(name)), [["", FREE], ...entries.map((entry) => [entry, entry].flat().slice(0, 2))], at(this.id(name)).value);
  }

  // Fields that answer an open question come first and say so.
  mark(names) {
    for (const { name } of this.described) at(this.id(name)).closest("label").classList.toggle("asked", names.includes(name));
  }

  get values() {
    const value = ({ name, kind }) => {
      const node = at(this.id(name));
      if (kind === "flag") return node.checked;
      if (kind === "file" || kind === "files") return [...node.files].map((file) => file.name);
      return kind === "list" ? node.value.split("\n").map((line) => line.trim()).filter(Boolean) : node.value.trim();
    };
    return Object.fromEntries(this.described.map((field) => [field.name, value(field)]));
  }

  // What was chosen in the fields for files, to be sent beside the values.
  get files() {
    return this.described.filter(({ kind }) => kind === "file" || kind === "files").flatMap(({ name }) => [...at(this.id(name)).files]);
  }

  set values(given) {
    for (const { name, kind } of this.described) {
      const node = at(this.id(name));
      if (kind === "flag") node.checked = given[name] ?? false;
      else if (kind !== "file" && kind !== "files") node.value = kind === "list" ? (given[name] ?? []).join("\n") : (given[name] ?? "");
    }
  }

  // Leave out, or ask again, the fields of some options, and folds with nothing else in them.
  hide(names, hidden) {
    for (const name of names) at(this.id(name)).closest("label").hidden = hidden;
    for (const fold of this.box.querySelectorAll("details")) fold.hidden = !fold.querySelector("label:not([hidden])");
  }

  // Show which fields a refusal speaks of; its words stand in the box of that id.
  refuse(names, words) {
    for (const { name } of this.described) {
      const node = at(this.id(name));
      node.removeAttribute("aria-invalid");
      node.removeAttribute("aria-describedby");
      if (!names.includes(name)) continue;
      node.setAttribute("aria-invalid", "true");
      node.setAttribute("aria-describedby", words);
      const fold = node.closest("details");
      if (fold) fold.open = true;
    }
  }
}

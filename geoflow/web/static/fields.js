// The fields of a form, made from the table of options: {name, label, kind, example, choices} each.

import { at, make, options } from "./parts.js";

const FREE = "as the file says";

export class Fields {
  // `offered`: names of options whose entries the file gives; `begins` goes before the names in the fields' ids.
  constructor(box, described, { offered = [], begins = "" } = {}) {
    this.described = described;
    this.id = (name) => begins + name.replaceAll("_", "-");
    box.append(...described.map((field) => this.label(field, offered.includes(field.name) || field.choices.length > 0)));
  }

  label({ name, label, kind, example, choices }, chosen) {
    const how = { id: this.id(name), autocomplete: "off" };
    if (kind === "flag") return make("label", { class: "tick" }, make("input", { ...how, type: "checkbox" }), ` ${label}`);
    if (kind === "file") return make("label", {}, `${label} `, make("input", { ...how, type: "file", multiple: true }));
    if (kind === "list") return make("label", {}, `${label} `, make("textarea", { ...how, rows: "2", placeholder: example, spellcheck: "false" }));
    if (!chosen) return make("label", {}, `${label} `, make("input", { ...how, type: "text", placeholder: example }));
    const select = make("select", how);
    options(select, [["", choices.length ? `as usual (${choices[0]})` : FREE], ...choices.map((choice) => [choice, choice])], "");
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
      if (kind === "file") return [...node.files].map((file) => file.name);
      return kind === "list" ? node.value.split("\n").map((line) => line.trim()).filter(Boolean) : node.value.trim();
    };
    return Object.fromEntries(this.described.map((field) => [field.name, value(field)]));
  }

  // What was chosen in the fields for files, to be sent beside the values.
  get files() {
    return this.described.filter(({ kind }) => kind === "file").flatMap(({ name }) => [...at(this.id(name)).files]);
  }

  set values(given) {
    for (const { name, kind } of this.described) {
      const node = at(this.id(name));
      if (kind === "flag") node.checked = given[name] ?? false;
      else if (kind !== "file") node.value = kind === "list" ? (given[name] ?? []).join("\n") : (given[name] ?? "");
    }
  }
}

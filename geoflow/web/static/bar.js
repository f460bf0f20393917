// The bar as a form, built from the description the server gives of every key.

import { at, complain, make, put, tell } from "./parts.js";
import { save } from "./talk.js";

let count = 0;

function field(key, value) {
  const id = `key-${(count += 1)}`;
  const input = make("input", {
    id,
    type: "text",
    inputmode: key.number ? "decimal" : null,
    placeholder: key.otherwise ? `${key.otherwise} if left out` : `like ${key.example}`,
    autocomplete: "off",
    spellcheck: "false",
    "aria-describedby": `${id}-note`,
  });
  input.value = value ?? "";
  const label = make("label", { for: id, text: key.name.replaceAll("_", " ") });
  if (key.required) label.append(make("b", { text: " needed" }));
  const note = make("span", { id: `${id}-note`, class: "small", text: key.meaning });
  return { node: make("div", { class: "key" }, label, input, note), read: () => input.value.trim() };
}

function inner(tables, path) {
  const start = path ? `${path}.` : "";
  return tables.filter((t) => t.path && t.path.startsWith(start) && !t.path.slice(start.length).includes("."));
}

// One table: its keys, and the tables within it. `read` gives what was typed, empty fields left out.
function body(tables, table, content) {
  const fields = table.keys.map((key) => [key.name, field(key, content?.[key.name])]);
  const known = new Set([...table.keys.map((key) => key.name), ...inner(tables, table.path).map((t) => t.path.split(".").pop())]);
  // Keys nobody knows stay, so that the reader can complain of them as it does of the file.
  const odd = Object.entries(content ?? {}).filter(([name]) => !known.has(name));
  for (const [name, value] of odd) {
    if (typeof value !== "string") continue;
    const key = { name, otherwise: null, example: "", meaning: "geoflow does not know this key; empty the field.", required: false };
    fields.push([name, field(key, value)]);
  }
  const children = inner(tables, table.path).map((child) => {
    const name = child.path.split(".").pop();
    return [name, group(tables, child, content?.[name])];
  });
  const node = make("div", { class: "keys" }, ...fields.map(([, f]) => f.node), ...children.map(([, c]) => c.node));
  const read = () => {
    const out = {};
    for (const [name, f] of fields) if (f.read() !== "") out[name] = f.read();
    for (const [name, c] of children) {
      const given = c.read();
      if (given !== null) out[name] = given;
    }
    return out;
  };
  return { node, read };
}

function group(tables, table, content) {
  if (table.shape === "one") return single(tables, table, content);
  return several(tables, table, content);
}

function single(tables, table, content) {
  const inside = body(tables, table, content);
  const box = make("fieldset", {}, make("legend", { text: title(table) }));
  const note = make("p", { class: "small", text: table.meaning });
  if (table.required) {
    box.append(note, inside.node);
    return { node: box, read: inside.read };
  }
  const tick = make("input", { type: "checkbox" });
  tick.checked = content !== undefined;
  const show = () => (inside.node.hidden = !tick.checked);
  tick.addEventListener("change", show);
  show();
  box.append(note, make("label", { class: "tick" }, tick, " describe it"), inside.node);
  return { node: box, read: () => (tick.checked ? inside.read() : null) };
}

function several(tables, table, content) {
  const named = table.shape === "named";
  const list = make("div", { class: "entries" });
  const entries = new Set();
  const add = (value, name) => {
    const inside = body(tables, table, value);
    const label = named ? field({ name: "name", example: "small", meaning: "What you call it.", required: true }, name) : null;
    const entry = { read: inside.read, name: () => label.read() };
    const remove = make("button", {
      type: "button",
      text: "Remove",
      on: {
        click: () => {
          entries.delete(entry);
          node.remove();
          more.focus();
        },
      },
    });
    const node = make("fieldset", { class: "entry" }, make("legend", { text: title(table, entries.size + 1) }));
    node.append(...(label ? [label.node] : []), inside.node, remove);
    entries.add(entry);
    list.append(node);
    return node;
  };
  const more = make("button", {
    type: "button",
    text: `Add: ${title(table).toLowerCase()}`,
    on: { click: () => add(undefined, "").querySelector("input").focus() },
  });
  if (named) for (const [name, value] of Object.entries(content ?? {})) add(value, name);
  else for (const value of content ?? []) add(value, "");
  if (table.required && !entries.size) add(undefined, "");
  const box = make("fieldset", {}, make("legend", { text: title(table, 0, true) }), make("p", { class: "small", text: table.meaning }), list, more);
  const read = () => {
    if (!entries.size) return null;
    if (!named) return [...entries].map((entry) => entry.read());
    return Object.fromEntries([...entries].map((entry) => [entry.name(), entry.read()]));
  };
  return { node: box, read };
}

const SINGLE = { sections: "Section", orifices: "Orifice", measured: "Measured point", tank_hoses: "Tank hose", couplings: "Coupling" };

function title(table, number = 0, plural = false) {
  const name = table.path.split(".").pop();
  const words = name.replaceAll("_", " ");
  const one = SINGLE[name] ?? words[0].toUpperCase() + words.slice(1);
  if (plural) return words[0].toUpperCase() + words.slice(1);
  return number ? `${one} ${number}` : one;
}

export function buildForm(form, tables, content) {
  count = 0;
  const top = body(tables, tables.find((table) => table.path === ""), content);
  form.replaceChildren(top.node);
  return top.read;
}

// The form on the page, and which bar it holds: the one in use, one that was changed, or one that was replaced since.
export class BarSection {
  constructor(tables, files, desk) {
    Object.assign(this, { tables, files });
    this.read = null;
    this.name = "bar.toml";
    this.of = null; // the bar that the form was filled from or that was made of it
    this.changed = false;
    at("bar-edit").addEventListener("click", () => {
      files.fold(false);
      desk.show("bar", { focus: true });
    });
    desk.met("bar", () => {
      // A form that was changed and is not in use is not thrown away by looking at it again.
      if (!this.changed) this.fill(files.bar);
    });
    at("bar-form").addEventListener("submit", (event) => event.preventDefault());
    for (const event of ["input", "click"]) at("bar-form").addEventListener(event, () => this.note());
    at("bar-use").addEventListener("click", () => this.use());
    at("bar-save").addEventListener("click", () => save(new Blob([files.bar.text], { type: "application/toml" }), files.bar.fileName));
    this.look();
  }

  fill(bar) {
    this.read = buildForm(at("bar-form"), this.tables, bar?.content);
    this.was = JSON.stringify(this.read());
    this.name = bar?.fileName ?? "bar.toml";
    this.of = bar;
    this.note();
  }

  // What was typed and is not in use, to be kept; and brought back.
  get draft() {
    return this.changed ? { name: this.name, content: this.read() } : null;
  }

  take({ name, content }) {
    this.fill({ fileName: name, content });
    Object.assign(this, { of: null, was: "", changed: true });
    this.look();
  }

  note() {
    this.changed = this.read !== null && JSON.stringify(this.read()) !== this.was;
    this.look();
  }

  async use() {
    const mine = (this.files.newestBar = {});
    try {
      tell(at("bar-trouble"), "");
      const typed = this.read();
      const bar = await this.files.check({ name: this.name, content: typed });
      if (this.files.newestBar !== mine) return; // a bar file was chosen meanwhile
      this.of = bar;
      this.was = JSON.stringify(typed);
      this.note();
      await this.files.want({ bar });
    } catch (problem) {
      complain(at("bar-trouble"), problem);
    }
  }

  look() {
    const { files, of, changed } = this;
    const used = files.bar !== null && files.bar === of && !changed;
    let words = "Not in use: check and use it.";
    if (used) words = "This bar is in use.";
    else if (files.wanted?.bar && files.wanted.bar === of && !changed) words = "Checked; it is in use once the prescription is read with it.";
    else if (changed) words = files.bar ? `Changed and not in use yet. In use is ${files.bar.name} (${files.bar.fileName}).` : "Not in use yet.";
    else if (files.bar) words = `Not in use. In use is ${files.bar.name} (${files.bar.fileName}).`;
    at("bar-title").textContent = `The bar: ${this.name}`;
    put(at("bar-state"), this.read === null ? "" : words);
    at("bar-save").disabled = !used;
    tell(at("bar-words"), used ? files.bar.words : "");
  }
}

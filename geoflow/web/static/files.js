// The bar and the map: what is loaded, and what was chosen since and is on its way. Nothing that is loaded changes
// before what was chosen is read; if that is stopped or refused, everything stays as it was.

import { Fields } from "./fields.js";
import { at, complain, tell } from "./parts.js";
import { ask, contents, frame } from "./talk.js";
import { longWork } from "./work.js";

const NO_BAR = at("bar-name").textContent;
const NO_MAP = at("map-name").textContent;

const named = (files) => files.map((file) => file.name).join(", ");

async function textOf(file) {
  if (file.size > 1_000_000) throw new Error(`the file has ${file.size.toLocaleString("en")} bytes, and a bar file has a few thousand\n  where: ${file.name}\n  cure:  check that this is the bar file`);
  const [{ content }] = await contents([file]);
  try {
    return new TextDecoder("utf-8", { fatal: true, ignoreBOM: true }).decode(content);
  } catch {
    throw new Error(`the bar file is not text in UTF-8\n  where: ${file.name}\n  cure:  save it as plain text in UTF-8 from a text editor, not from a word processor`);
  }
}

export class Files {
  // `barStands` and `mapStands` are called when something is loaded.
  constructor(state, { rateUnits, fields }, { desk, barStands, mapStands }) {
    Object.assign(this, { state, desk, rateUnits, barStands, mapStands });
    this.changed = () => {}; // what is loaded is another than before
    this.fields = new Fields(at("choices-fields"), fields.options, { offered: ["rate_column", "rate_unit", "layer"] });
    at("rate-column").addEventListener("change", () => this.offerUnits());
    this.bar = null; // {name, fileName, text, content, words, sections}
    this.open = null; // {number, field, options, layers, files}
    this.wanted = null; // any of {bar, files, options, layers, waiting}: what was chosen and is not loaded yet
    this.asks = false; // whether the wanted file leaves a question
    at("choices-open").addEventListener("click", () => {
      this.fold(false);
      this.desk.show("reading");
      at("rate-column").focus();
    });
    at("files-open").addEventListener("click", () => this.fold(at("files").hidden));
    at("files-close").addEventListener("click", () => {
      this.fold(false);
      at("files-open").focus();
    });
    at("files").addEventListener("keydown", (event) => {
      if (event.key === "Escape" && this.open) at("files-close").click();
    });
    at("choices").addEventListener("submit", (event) => {
      event.preventDefault();
      tell(at("choices-trouble"), "");
      this.want({ options: this.fields.values });
    });
    at("coming-drop").addEventListener("click", () => {
      tell(at("trouble"), "");
      this.drop();
      at("map-file").focus();
    });
    this.look();
  }

  // Bar files, and the files of one map.
  async take(bars, others) {
    tell(at("note"), "");
    const mine = bars.length ? (this.newestBar = {}) : null;
    try {
      if (bars.length > 1) throw new Error("these are several bar files\n  cure:  choose one");
      tell(at("trouble"), "");
      let bar = bars.length ? await this.check({ name: bars[0].name, text: await textOf(bars[0]) }) : null;
      if (bar && this.newestBar !== mine) bar = null; // another was chosen while this one was looked at
      if (bar || others.length) this.want({ ...(bar ? { bar } : {}), ...(others.length ? { files: others, options: undefined, layers: undefined, waiting: undefined } : {}) });
    } catch (problem) {
      const kept = this.stays();
      tell(at("note"), [others.length ? `${named(others)} was not taken either.` : "", kept].filter(Boolean).join(" "));
      complain(at("trouble"), problem);
    }
  }

  // Ask the reader about a bar: {name, text}, or {name, content} from the form.
  async check(given) {
    const { name, text, content, words, sections } = await ask("bar", { system: this.state.system, ...given });
    return { name, fileName: given.name, text, content, words, sections };
  }

  // The newest choice counts, together with what else is on its way.
  want(parts) {
    this.wanted = { ...this.wanted, ...parts };
    this.asks = false;
    if (this.wanted.bar && !this.open) {
      this.bar = this.wanted.bar;
      delete this.wanted.bar;
      this.barStands(this.bar);
      this.changed();
    }
    if (this.bar && (this.wanted.files || this.open)) return this.read();
    if (!this.wanted.files) this.wanted = null;
    return this.look();
  }

  async read() {
    const wanted = this.wanted;
    this.look();
    const bar = wanted.bar ?? this.bar;
    const header = { bar: { name: bar.fileName, text: bar.text }, options: wanted.options };
    if (!wanted.files) header.opened = this.open.number;
    // Files that left a question wait at the server, and are not sent again.
    if (wanted.waiting) header.waiting = wanted.waiting;
    try {
      const files = wanted.waiting ? [] : await contents(wanted.files ?? []);
      if (this.wanted !== wanted) return;
      // What is kept of them is as it was read, whatever becomes of them on the disk.
      if (files.length) wanted.files = files.map(({ name, content }) => new File([content], name));
      const done = await longWork("read", frame(header, files), at("trouble"), { newest: this.naming(wanted) });
      if (this.wanted !== wanted) return; // something newer took its place
      if (done && "unread" in done) this.unread(done);
      else if (done) this.stand(wanted, done);
      else this.drop();
    } catch (problem) {
      if (this.wanted !== wanted) return;
      this.drop();
      complain(at("trouble"), problem);
    }
  }

  // The reader's own words: with a question if something could be chosen, else as a refusal.
  unread({ unread, asked, waiting, columns, layers }) {
    const { wanted } = this;
    if (this.open && !wanted.files) {
      // Another way of reading what is open was refused: what is open stays, and what was typed as well.
      const typed = wanted.options;
      this.drop();
      this.fields.values = typed ?? this.open.options;
      this.desk.show("reading");
      complain(at("choices-trouble"), new Error(unread));
      return;
    }
    if (columns.length || layers.length > 1) {
      this.asks = true;
      Object.assign(wanted, { layers, waiting });
      this.offer(columns, layers, wanted.options ?? {});
      this.fields.mark([...asked, ...(asked.includes("rate_column") ? ["rate_unit"] : [])]);
      this.look();
      this.desk.show("reading");
      // A question is no error.
      complain(at("choices-asked"), new Error(unread));
      return;
    }
    this.drop();
    complain(at("trouble"), new Error(unread));
  }

  // What was on its way is left; what is loaded stays.
  drop() {
    Object.assign(this, { wanted: null, asks: false });
    this.fields.mark([]);
    tell(at("choices-asked"), "");
    if (this.open) this.offer(this.open.field.columns, this.open.layers, this.open.options);
    tell(at("note"), this.stays());
    this.look();
  }

  stays() {
    return this.open ? `${this.loaded} stays loaded, and everything here belongs to it.` : "";
  }

  stand(wanted, { opened, field }) {
    const before = this.open;
    const layers = wanted.layers ?? (wanted.files ? [] : before.layers);
    const given = wanted.options ?? (wanted.files ? {} : before.options);
    this.open = { number: opened, field, layers, options: given, files: wanted.files ?? before.files };
    const within = at("files").contains(document.activeElement);
    this.fold(false);
    if (within) at("files-open").focus();
    if (this.desk.height === "low") this.desk.sheet("half");
    if (this.desk.name === "reading" || !before) this.desk.show("day", { raise: false });
    Object.assign(this, { wanted: null, asks: false });
    this.offer(field.columns, layers, given);
    this.fields.mark([]);
    for (const id of ["note", "choices-trouble", "choices-asked"]) tell(at(id), "");
    if (wanted.bar) {
      this.bar = wanted.bar;
      this.barStands(this.bar);
    }
    this.look({ quiet: true });
    this.mapStands(this.open);
    this.changed();
  }

  // Files lie in the map's place until there is a map; afterwards they fold to the line above it.
  fold(open) {
    at("files").hidden = !open && this.open !== null;
    at("files").classList.toggle("first", this.open === null);
    at("files-open").hidden = at("files-close").hidden = this.open === null;
    at("files-open").setAttribute("aria-expanded", String(!at("files").hidden));
    if (open) at("files-title").focus();
  }

  get loaded() {
    return `${this.open.field.file} with ${this.bar.name} (${this.bar.fileName})`;
  }

  naming({ files, bar }) {
    return [files && named(files), bar?.fileName].filter(Boolean).join(" and ") || this.open.field.file;
  }

  // Words for what is on its way, and names of what is loaded.
  look({ quiet = false } = {}) {
    const { bar, open, wanted, asks } = this;
    let coming = "";
    let more = "";
    if (wanted) {
      const what = this.naming(wanted);
      coming = bar && !asks ? `Reading ${what}.` : `${what} is not read yet.`;
      if (!bar) more = " Now choose the bar file: the map is read together with it.";
      else if (asks) more = " Answer the question under \u201cWhat was read\u201d.";
      if (open) more += ` Until it is read, ${this.loaded} stays loaded.`;
    }
    at("coming").hidden = !wanted;
    at("coming").classList.toggle("waits", Boolean(wanted && (asks || !bar)));
    at("coming-words").textContent = coming + more;
    at("coming-drop").hidden = !wanted || !(asks || !bar);
    at("bar-name").textContent = bar ? `${bar.name} (${bar.fileName})` : NO_BAR;
    at("map-name").textContent = open ? `${open.field.file}: column '${open.field.column}' in ${open.field.unit}` : NO_MAP;
    at("choices-open").hidden = at("choices").hidden = !open && !asks;
    at("reading-none").hidden = Boolean(open || asks);
    if (!quiet) this.state.set({ coming });
  }

  // Columns with the span of their numbers, units with the rates that span would be.
  offer(columns, layers, chosen) {
    this.columns = columns;
    this.fields.offer("rate_column", columns.map(({ name, span }) => [name, span ? `${name}: ${span}` : `${name}: no numbers`]));
    this.fields.offer("rate_unit", this.rateUnits);
    this.fields.offer("layer", layers);
    at("layer").closest("label").hidden = layers.length < 2;
    this.fields.values = chosen;
    this.offerUnits();
  }

  offerUnits() {
    const named = at("rate-column").value || this.open?.field.column;
    const means = this.columns?.find(({ name }) => name === named)?.means[this.state.system] ?? {};
    this.fields.offer("rate_unit", this.rateUnits.map((unit) => [unit, means[unit] && means[unit] !== unit ? `${unit}: would be ${means[unit]}` : unit]));
  }

  // The server let go of this tab: everything is read again from what the page holds.
  again() {
    const { open, wanted, bar } = this;
    Object.assign(this, { open: null, wanted: null, asks: false });
    const files = wanted?.files ?? open?.files;
    if (files) this.want({ ...(wanted?.bar ? { bar: wanted.bar } : {}), files, options: wanted?.files ? wanted.options : open.options });
    else this.look();
    return Boolean(bar || files);
  }

  // What a reload has to bring back.
  get kept() {
    const files = this.open?.files ?? this.wanted?.files;
    return { bar: this.bar && { name: this.bar.fileName, text: this.bar.text }, map: files ?? null, options: this.open?.options ?? null };
  }

  // Bar and map as they were kept, or as the sample has them.
  async bring({ bar, map, options }) {
    const parts = { ...(bar ? { bar: await this.check(bar) } : {}), ...(map ? { files: map, options: options ?? undefined, layers: undefined, waiting: undefined } : {}) };
    if (parts.bar || parts.files) await this.want(parts);
  }
}

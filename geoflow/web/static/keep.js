// What a person did is kept in this browser, so that a reload, the way back or a closed window loses nothing: small
// things at once, file contents beside them. It can be switched off, and forgotten.

const BEGINS = "geoflow-work-";
const OFF = "geoflow-keeps-nothing";
const MOST = 12;
const DAYS = 30;
const SOON = 150; // ms

const store = (name) => {
  try {
    return window[name];
  } catch {
    return null; // the browser forbids it
  }
};
const settings = store("localStorage");
const ofTab = store("sessionStorage");

let opening = null;

function shelf() {
  opening ??= new Promise((done, failed) => {
    const asked = indexedDB.open("geoflow", 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore("files");
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => failed(asked.error);
  });
  return opening;
}

async function onShelf(mode, act) {
  const database = await shelf();
  return new Promise((done, failed) => {
    const turn = database.transaction("files", mode);
    const asked = act(turn.objectStore("files"));
    turn.oncomplete = () => done(asked?.result);
    turn.onerror = turn.onabort = () => failed(turn.error);
  });
}

export class Keeper {
  // `told` gets words when something could not be kept.
  constructor(told) {
    this.told = told;
    this.parts = {};
    this.soon = 0;
    this.id = null;
    this.title = "";
    addEventListener("pagehide", () => this.soon && this.write());
  }

  get on() {
    return settings !== null && settings.getItem(OFF) === null;
  }

  // A part of the page: `give` returns what is to be kept of it, `take` brings that back.
  holds(name, give, take) {
    this.parts[name] = { give, take };
  }

  // Which work this tab goes on with: its own after a reload; a copy of it where a tab was doubled.
  async begin() {
    if (!this.on) return null;
    const before = ofTab?.getItem(BEGINS);
    const mine = before && (await this.claim(before));
    const kept = before ? await this.read(before) : null;
    if (mine) this.id = before;
    else await this.anew();
    this.prune();
    return kept;
  }

  async anew() {
    this.id = crypto.randomUUID();
    await this.claim(this.id);
    ofTab?.setItem(BEGINS, this.id);
  }

  // Held as long as the tab lives, so that no two write to one work.
  claim(id) {
    if (!navigator.locks) return Promise.resolve(true);
    return new Promise((done) => {
      navigator.locks.request(BEGINS + id, { ifAvailable: true }, (lock) => {
        done(lock !== null);
        return lock && new Promise(() => {});
      });
    });
  }

  async read(id) {
    const small = this.small(id);
    if (!small) return null;
    try {
      return { ...small, files: (await onShelf("readonly", (files) => files.get(id))) ?? {} };
    } catch {
      return { ...small, files: {} };
    }
  }

  small(id) {
    try {
      return JSON.parse(settings.getItem(BEGINS + id));
    } catch {
      return null;
    }
  }

  all() {
    const ids = Object.keys(settings ?? {}).filter((key) => key.startsWith(BEGINS)).map((key) => key.slice(BEGINS.length));
    return ids.map((id) => ({ id, ...this.small(id) })).sort((a, b) => (b.when ?? 0) - (a.when ?? 0));
  }

  // The newest work that no tab has open and that has files.
  async last() {
    if (!this.on) return null;
    const held = navigator.locks ? (await navigator.locks.query()).held.map(({ name }) => name) : [];
    return this.all().find(({ id, title }) => title && id !== this.id && !held.includes(BEGINS + id)) ?? null;
  }

  // Go on with another tab's work in this one.
  async adopt(id) {
    if (!(await this.claim(id))) return null;
    this.drop(this.id);
    this.id = id;
    ofTab?.setItem(BEGINS, id);
    return this.read(id);
  }

  // Something changed: it is kept a moment later, or when the page goes.
  note() {
    if (!this.on || this.id === null || this.soon) return;
    this.soon = setTimeout(() => this.write(), SOON);
  }

  write() {
    clearTimeout(this.soon);
    this.soon = 0;
    if (!this.on || this.id === null) return;
    const parts = Object.fromEntries(Object.entries(this.parts).map(([name, { give }]) => [name, give()]));
    this.safely(() => settings.setItem(BEGINS + this.id, JSON.stringify({ when: Date.now(), title: this.title, parts })));
  }

  // File contents, {name: [File, ...]}, with the words for what they are.
  async writeFiles(title, files) {
    if (!this.on || this.id === null) return;
    this.title = title;
    this.write();
    document.body.dataset.kept = "no";
    await this.safely(() => onShelf("readwrite", (shelved) => shelved.put(files, this.id)));
    document.body.dataset.kept = "yes";
  }

  async safely(act) {
    try {
      await act();
    } catch {
      this.told("This browser has no room to keep the work: a reload would lose it.");
    }
  }

  drop(id) {
    settings?.removeItem(BEGINS + id);
    onShelf("readwrite", (files) => files.delete(id)).catch(() => {});
  }

  prune() {
    this.all().forEach(({ id, when }, place) => {
      if (id !== this.id && (place >= MOST || Date.now() - (when ?? 0) > DAYS * 86_400_000)) this.drop(id);
    });
  }

  // Everything geoflow kept in this browser, of every tab.
  forget() {
    for (const { id } of this.all()) this.drop(id);
    this.drop(this.id);
  }

  set on(yes) {
    if (yes) settings?.removeItem(OFF);
    else {
      this.forget();
      settings?.setItem(OFF, "yes");
    }
  }
}

// What is typed, chosen or ticked anywhere beside the map, by the fields' ids or names.
const FIELDS = "#panel-body :is(input, select, textarea):not([type=file], [type=range], #spans *, #bar-form *, #section-ticks *)";

export function typed() {
  const fields = [...document.querySelectorAll(FIELDS)].filter((field) => field.id || field.name);
  const value = (field) => (["checkbox", "radio"].includes(field.type) ? field.checked : field.value);
  return fields.map((field) => [field.id || `${field.name}=${field.value}`, value(field)]).filter(([, is]) => is !== "");
}

export function typeAgain(entries) {
  const kept = new Map(entries);
  const nameOf = (field) => field.id || `${field.name}=${field.value}`;
  const fields = [...document.querySelectorAll(FIELDS)].filter((field) => kept.has(nameOf(field)));
  for (const field of fields) {
    const was = kept.get(nameOf(field));
    if (field.type === "radio") field.checked ||= was;
    else if (field.type === "checkbox") field.checked = was;
    else field.value = was;
  }
  // Only then is it told: half of it would be something nobody chose.
  for (const field of fields) for (const event of ["input", "change"]) field.dispatchEvent(new Event(event, { bubbles: true }));
}

// What happens on the page, in the order a reader meets it.

import { Answer } from "./answer.js";
import { BarForm } from "./bar.js";
import { Desk } from "./desk.js";
import { Fields } from "./fields.js";
import { Files } from "./files.js";
import { Log } from "./log.js";
import { FieldMap } from "./map.js";
import { Keeper, typeAgain, typed } from "./keep.js";
import { headline, told } from "./outcome.js";
import { at, complain, make, options, put, swatch, tell } from "./parts.js";
import { Phone } from "./phone.js";
import { Pictures } from "./pictures.js";
import { Plan } from "./plan.js";
import { Belonging, State } from "./state.js";
import { ask, fetchMade, leave, nameTab, save, whenGone, work } from "./talk.js";
import { learnTerms, explain, explained } from "./terms.js";
import { longWork } from "./work.js";
import { makeWorks } from "./works.js";
import { ZoneList } from "./zones.js";

const known = await enter();
addEventListener("pagehide", leave);
// A page the browser kept and brings back has lost its tab on the server.
addEventListener("pageshow", (event) => event.persisted && location.reload());

const state = new State(known.system);

async function enter() {
  nameTab("new");
  const said = await ask("open", {});
  nameTab(said.tab);
  return said;
}

// The server had too many tabs, or was started anew: this one is opened again from what the page holds.
whenGone(() => {
  const words = "The page's server had let go of this tab, idle too long or one of too many; it is opened again from what this page holds.";
  if (!state.lost) {
    state.set({ lost: "This tab is being opened again." });
    enterAgain().catch((problem) => {
      state.set({ lost: "This tab was let go and could not be opened again: reload the page." });
      complain(at("trouble"), problem);
    });
  }
  return words;
});

async function enterAgain() {
  await enter();
  state.set({ lost: "", opened: null });
  files.again();
  prepare();
}

// What stays the same whatever is loaded

for (const node of document.querySelectorAll(".told")) node.textContent = known.caution;
at("cautions").textContent = known.cautions;
const cells = {};
const brought = { sections: null };
learnTerms(known.terms);
for (const verdict of known.verdicts) {
  cells[verdict.name] = [make("b"), make("span")];
  const words = make("span", { class: "words" }, make("span", { class: "word", text: verdict.name }), ...cells[verdict.name]);
  const act = (event) => explain(event.currentTarget, verdict.name);
  at("counts").append(make("button", { type: "button", class: "count", "aria-haspopup": "dialog", on: { click: act } }, swatch(verdict), words));
}
options(at("shown"), [["all", "all zones, worst first"], ...known.verdicts.map(({ name }) => [name, name])], "all");
known.policies.forEach(({ name, words }, index) => {
  const radio = make("input", { type: "radio", name: "policy", value: name, checked: index === 0, autocomplete: "off" });
  at("policies").append(make("label", { class: "tick" }, radio, make("span", {}, make("b", { text: name }), ` ${words}`)));
});
document.querySelector(`[name=system][value=${state.system}]`).checked = true;

// The plan, and what follows from it

const desk = new Desk();
const plan = new Plan(at("spans"), known.units, () => planMoved());
plan.set(state.system);
const map = new FieldMap(at("map"), known.verdicts, (index) => list.choose(index, { fromMap: true }));
const list = new ZoneList(state, (index, how) => map.mark(index, how), desk);
const answer = new Answer(state, cells, { map, list, missing: () => plan.missing });
const pictures = new Pictures(state, map, answer, known);
// A cure names a speed: it becomes the plan's.
addEventListener("use-speed", (event) => plan.use("speed", event.detail));

at("sections").after(make("div", { class: "fields", id: "planning" }));
const planning = new Fields(at("planning"), known.fields.planning, { begins: "day-" });
at("planning").addEventListener("input", () => planMoved());

function setPlan() {
  const said = Object.entries(planning.values).filter(([, value]) => value);
  return plan.missing.length ? null : { ...plan.values, sections: chosenSections(), ...Object.fromEntries(said) };
}

function planMoved() {
  state.set({ plan: setPlan() });
  answer.moved();
}

function chosenSections() {
  const ticks = [...at("section-ticks").querySelectorAll("input")];
  return ticks.length && !ticks.every((tick) => tick.checked) ? ticks.filter((tick) => tick.checked).map((tick) => tick.value) : null;
}

function showSections(names) {
  const before = [...at("section-ticks").querySelectorAll("input")].map((tick) => tick.value);
  if (String(before) === String(names)) return;
  const some = brought.sections;
  brought.sections = null;
  at("sections").hidden = names.length < 2;
  const ticked = () => {
    planMoved();
    prepare();
  };
  at("section-ticks").replaceChildren(
    ...names.map((name) => {
      const tick = make("input", { type: "checkbox", value: name, checked: !some || some.includes(name), autocomplete: "off", on: { change: ticked } });
      return make("label", { class: "tick" }, tick, name);
    }),
  );
}

// Solving at every stop of the sliders goes on beside; until it is done each move is solved in full.
function prepare() {
  if (!files.bar) return;
  const asked = { bar: { name: files.bar.fileName, text: files.bar.text }, plan: { sections: chosenSections() } };
  work("prepare", JSON.stringify(asked), () => {}).catch(() => {});
}

// Files

const files = new Files(state, known, {
  desk,
  barStands(bar) {
    showSections(bar.sections);
    state.set({});
    prepare();
  },
  mapStands({ number, field }) {
    at("field").hidden = false;
    at("map-note").textContent = field.geometry.thinned ? "Outlines are drawn with fewer corners; areas and verdicts are of the file's own." : "";
    map.show(field.geometry, state.system);
    answer.drop();
    list.reset(field.numbers);
    facts.drop();
    state.set({ opened: number, coming: "", plan: setPlan() });
    tellFacts();
    answer.moved();
  },
});
const bar = new BarForm(known.form, await ask("questions", {}), files, state, desk);
new Belonging(state, () => bar.look());

for (const id of ["bar-file", "map-file"]) {
  at(id).addEventListener("change", (event) => {
    takeFiles([...event.target.files], id);
    event.target.value = "";
  });
}
addEventListener("dragover", (event) => {
  event.preventDefault();
  document.body.classList.add("dropping");
});
addEventListener("dragleave", (event) => {
  if (!event.relatedTarget) document.body.classList.remove("dropping");
});
addEventListener("drop", (event) => {
  event.preventDefault();
  document.body.classList.remove("dropping");
  takeFiles([...event.dataTransfer.files]);
});

function takeFiles(given, asked = "") {
  const bars = given.filter((file) => file.name.toLowerCase().endsWith(".toml"));
  if (asked === "bar-file" && !bars.length) {
    complain(at("trouble"), new Error(`this is no bar file: its name does not end in .toml\n  where: ${given.map((file) => file.name).join(", ")}\n  cure:  choose the .toml that describes the toolbar, or fill in the bar`));
    return;
  }
  const logs = given.filter((file) => /\.(csv|tsv|txt)$/i.test(file.name));
  const others = given.filter((file) => !bars.includes(file) && !logs.includes(file));
  if (logs.length) log.take(logs);
  if (bars.length || others.length) files.take(bars, others);
}

const facts = new Belonging(state, (current, any) => at("facts").classList.toggle("dim", any && !current), () =>
  state.opened === null || state.coming || state.lost ? null : { opened: state.opened, system: state.system });

async function tellFacts() {
  const question = facts.question();
  if (!question) return;
  try {
    const said = await ask("facts", question);
    if (question.opened !== state.opened) return;
    at("facts").replaceChildren(...said.facts.map((text) => make("li", { text })));
    facts.take(question);
  } catch (problem) {
    complain(at("trouble"), problem);
  }
}

// Units

for (const radio of document.querySelectorAll("[name=system]")) {
  radio.addEventListener("change", async () => {
    const system = radio.value;
    plan.convert(system);
    if (files.bar) files.bar.words = "";
    map.units(system);
    state.set({ system, plan: setPlan() });
    answer.moved();
    tellFacts();
    const said = files.bar;
    if (!said) return;
    try {
      const { words } = await files.check({ name: said.fileName, text: said.text });
      if (state.system === system) said.words = words;
      bar.look();
    } catch (problem) {
      complain(at("trouble"), problem);
    }
  });
}

// Rewriting

const rewritten = new Belonging(
  state,
  (current, any) => {
    at("rewritten").hidden = !any;
    at("rewritten").classList.toggle("dim-inside", any && !current);
    at("rewritten-old").hidden = current;
    at("rewritten-save").disabled = !current;
  },
  () => state.question && { ...state.question, ...rules() },
);

pictures.follow(rewritten);

const ruleFields = new Fields(at("rules-fields"), known.fields.rules);

function rules() {
  return {
    policy: document.querySelector("[name=policy]:checked").value,
    rules: ruleFields.values,
  };
}

at("rules").addEventListener("input", () => state.set({}));
at("rules").addEventListener("submit", async (event) => {
  event.preventDefault();
  const question = rewritten.question();
  if (!question) return;
  try {
    const done = await longWork("rewrite", JSON.stringify(question), at("trouble"), { what: "Rewriting" });
    if (!done) return;
    at("rewritten-of").textContent = `For ${done.of}.`;
    at("rewritten-names").textContent = `One zip with ${done.names.join(" and ")}, byte for byte what the command line writes.`;
    at("rewritten-text").textContent = done.text;
    headline(at("rewritten-answer"), done.shown.answer);
    at("rewritten-shown").replaceChildren(...told(done.shown));
    rewritten.take(question);
    pictures.tookRewriting(done.drawn);
    at("rewritten").focus();
  } catch (problem) {
    complain(at("trouble"), problem);
  }
});
at("rewritten-save").addEventListener("click", () => download("rewritten", rewritten.to, "rewritten.zip"));

// Keeping

const kept = new Belonging(state, (current) => current || tell(at("vetted-names"), ""));
const inWords = new Belonging(state, (current) => current || tell(at("whole"), ""));

for (const [name, what] of [
  ["vetted", "Making the zones and maps"],
  ["report", "Making the report"],
]) {
  at(name).addEventListener("click", async () => {
    const question = state.question;
    if (!question) return;
    try {
      const done = await longWork(name, JSON.stringify(question), at("trouble"), { what });
      if (!done) return;
      kept.take(question);
      if (!kept.current) throw new Error(`what was made is for ${done.of}, and something else is set or loaded now; it was not downloaded\n  cure:  make it again`);
      tell(at("vetted-names"), `One zip with ${done.names.join(", ")}. For ${done.of}.`);
      await download(name, question, `${name}.zip`);
    } catch (problem) {
      complain(at("trouble"), problem);
    }
  });
}

async function download(task, of, name) {
  try {
    save(await fetchMade(task, of), name);
  } catch (problem) {
    complain(at("trouble"), problem);
  }
}

at("words").addEventListener("click", async () => {
  const question = state.question;
  if (!question) return;
  try {
    const { text } = await ask("text", question);
    inWords.take(question);
    if (!inWords.current) return;
    tell(at("whole"), text);
    at("whole").focus();
  } catch (problem) {
    complain(at("trouble"), problem);
  }
});

// The log

const log = new Log(state, files, known.fields.log, desk);

// The other works

makeWorks(state, files, known, {
  "rewrite-report": { question: rules },
  "log-report": { question: () => log.question(), files: () => [...log.chosen, ...log.fields.files] },
});

// Keeping work in the browser

const keeper = new Keeper((words) => tell(at("note"), words));
const keepFiles = () => {
  const { bar, map, options } = files.kept;
  const names = [files.open?.field.file ?? map?.map((file) => file.name).join(", "), files.bar?.name].filter(Boolean);
  keeper.writeFiles(names.join(" with "), { bar, map, options, log: log.chosen });
};
keeper.holds("plan", () => ({ ...plan.values, sections: chosenSections(), system: state.system }), (was) => {
  document.querySelector(`[name=system][value=${was.system}]`).checked = true;
  map.units(was.system);
  plan.set(was.system, was);
  brought.sections = was.sections;
  state.set({ system: was.system, plan: setPlan() });
});
keeper.holds("work", () => desk.name, (name) => desk.show(name, { raise: false }));
keeper.holds("bar", () => bar.draft, (draft) => bar.take(draft));
keeper.holds("typed", typed, typeAgain);
new Belonging(state, () => keeper.note());
for (const event of ["input", "change"]) document.addEventListener(event, () => keeper.note());
desk.moved = () => keeper.note();
files.changed = log.changed = keepFiles;

async function bringBack(work) {
  const { parts = {}, files: found = {} } = work;
  for (const name of ["plan", "bar"]) if (parts[name]) keeper.parts[name].take(parts[name]);
  await files.bring(found);
  if (found.log?.length) log.take(found.log);
  for (const name of ["typed", "work"]) if (parts[name]) keeper.parts[name].take(parts[name]);
}

at("keep-on").checked = keeper.on;
at("keep-on").addEventListener("change", async () => {
  keeper.on = at("keep-on").checked;
  if (!keeper.on) return;
  await keeper.begin();
  keepFiles();
});
at("keep-forget").addEventListener("click", () => {
  keeper.forget();
  at("go-on").hidden = true;
  tell(at("note"), "Everything geoflow kept in this browser is forgotten. What is open here is kept again from its next change on.");
});

// The sample, and the work before

at("sample").addEventListener("click", async () => {
  try {
    const { bar: ofSample, files: given, options: how, plan: values } = await ask("sample", {});
    const reading = files.bring({ bar: ofSample, map: given.map(({ name, text }) => new File([text], name)), options: how });
    plan.set(state.system, values[state.system]);
    planMoved();
    await reading;
  } catch (problem) {
    complain(at("trouble"), problem);
  }
});
const before = await keeper.begin();
if (before) await bringBack(before).catch((problem) => complain(at("trouble"), problem));
const earlier = before ? null : await keeper.last();
if (earlier) {
  at("go-on").textContent = `Go on with ${earlier.title} (${new Date(earlier.when).toLocaleString()})`;
  at("go-on").hidden = false;
  at("go-on").addEventListener("click", async () => {
    at("go-on").hidden = true;
    const work = await keeper.adopt(earlier.id);
    if (work) await bringBack(work).catch((problem) => complain(at("trouble"), problem));
  });
}

new Phone(state, known);

document.body.dataset.ready = "yes";

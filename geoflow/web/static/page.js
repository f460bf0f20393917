// What happens on the page, in the order a reader meets it.

import { buildForm } from "./bar.js";
import { FieldMap } from "./map.js";
import { at, make, options, swatch, tell } from "./parts.js";
import { Plan } from "./plan.js";
import { ask, fetchFile, frame, leave, nameTab, save, work } from "./talk.js";
import { ZoneList } from "./zones.js";

const RESTED = 250; // ms without a move after which the plan is solved in full

const known = await ask_open();
let system = known.system;
let bar = null; // {text, content, fileName}
let loaded = false; // whether a field is on the page
let files = [];
let moves = 0;
let asking = false;
let rest = 0;
let rewrittenFor = null;
let readBar = null;

async function ask_open() {
  nameTab("new");
  const answer = await ask("open", {});
  nameTab(answer.tab);
  return answer;
}

// What stays the same whatever is loaded

for (const node of document.querySelectorAll(".told")) node.textContent = known.caution;
at("cautions").textContent = known.cautions;
const plan = new Plan(at("spans"), known.units, () => planMoved());
const map = new FieldMap(at("map"), known.verdicts, (index) => list.choose(index, { fromMap: true }));
const list = new ZoneList(question, (index, how) => map.mark(index, how));
const cells = {};
for (const verdict of known.verdicts) {
  cells[verdict.name] = [make("b"), make("span")];
  const words = make("div", {}, make("span", { class: "word", text: verdict.name }), ...cells[verdict.name]);
  at("counts").append(make("div", { class: "count", title: verdict.meaning }, swatch(verdict), words));
}
options(at("shown"), [["all", "all zones, worst first"], ...known.verdicts.map(({ name }) => [name, name])], "all");
known.policies.forEach(({ name, words }, index) => {
  const radio = make("input", { type: "radio", name: "policy", value: name, checked: index === 0 });
  at("policies").append(make("label", { class: "tick" }, radio, make("span", {}, make("b", { text: name }), ` ${words}`)));
});
document.querySelector(`[name=system][value=${system}]`).checked = true;
addEventListener("pagehide", leave);

function chosenSections() {
  const ticks = [...at("section-ticks").querySelectorAll("input")];
  return ticks.length && !ticks.every((tick) => tick.checked) ? ticks.filter((tick) => tick.checked).map((tick) => tick.value) : null;
}

function question(more = {}) {
  return { system, plan: { ...plan.values, sections: chosenSections() }, options: readingOptions(), ...more };
}

function readingOptions() {
  return {
    rate_column: at("rate-column").value,
    rate_unit: at("rate-unit").value,
    layer: at("layer").value,
    crs: at("crs").value.trim(),
    volume_temperature: at("volume-temperature").value.trim(),
    swap_axes: at("swap-axes").checked,
    take_as_ammonia: at("take-as-ammonia").checked,
  };
}

// Long work, with its words, its clock and its stop

const STOPPED = "Stopped; nothing was written.";
let working = false;
let sending = null; // ends the post itself, where the server has not begun the work yet

async function longWork(name, body, trouble) {
  if (working) throw new Error("this page is at work already\n  cure:  wait for it, or stop it");
  working = true;
  sending = new AbortController();
  tell(trouble, "");
  at("work").hidden = false;
  at("stop").disabled = false;
  document.body.classList.add("working");
  const began = performance.now();
  let words = "Beginning";
  const show = () => {
    const seconds = Math.round((performance.now() - began) / 1000);
    at("stage").textContent = seconds < 2 ? words : `${words} (${seconds} s)`;
  };
  show();
  const clock = setInterval(show, 1000);
  try {
    const said = await work(name, body, (stage) => {
      words = stage;
      show();
    }, sending.signal);
    if ("stopped" in said) tell(trouble, STOPPED);
    return said.done ?? null;
  } catch (problem) {
    if (problem.name !== "AbortError") throw problem;
    tell(trouble, STOPPED);
    return null;
  } finally {
    clearInterval(clock);
    working = false;
    at("work").hidden = true;
    document.body.classList.remove("working");
  }
}

function complain(box, problem) {
  tell(box, problem.message);
  box.focus?.();
  box.scrollIntoView({ block: "nearest" });
}

at("stop").addEventListener("click", () => {
  at("stop").disabled = true;
  at("stage").textContent = "Stopping";
  ask("stop", {})
    .then(({ stopped }) => stopped || sending.abort())
    .catch(() => sending.abort());
});

// Files

at("bar-file").addEventListener("change", (event) => takeFiles([...event.target.files]).finally(() => (event.target.value = "")));
at("map-file").addEventListener("change", (event) => takeFiles([...event.target.files]).finally(() => (event.target.value = "")));
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

async function takeFiles(given) {
  const bars = given.filter((file) => file.name.toLowerCase().endsWith(".toml"));
  const logs = given.filter((file) => /\.(csv|tsv|txt)$/i.test(file.name));
  const others = given.filter((file) => !bars.includes(file) && !logs.includes(file));
  if (logs.length) takeLog(logs);
  if (!bars.length && !others.length) return;
  try {
    tell(at("trouble"), "");
    if (bars.length > 1) throw new Error("these are several bar files\n  cure:  choose one");
    if (others.length) forgetChoices();
    if (bars.length) await takeBar({ name: bars[0].name, text: await textOf(bars[0]) });
    if (others.length) {
      files = others;
      at("map-name").textContent = others.map((file) => file.name).join(", ");
    }
    await readField();
  } catch (problem) {
    complain(at("trouble"), problem);
  }
}

async function textOf(file) {
  if (file.size > 1_000_000) throw new Error(`the file has ${file.size.toLocaleString("en")} bytes, and a bar file has a few thousand\n  where: ${file.name}\n  cure:  check that this is the bar file`);
  try {
    return new TextDecoder("utf-8", { fatal: true, ignoreBOM: true }).decode(await file.arrayBuffer());
  } catch {
    throw new Error(`the bar file is not text in UTF-8\n  where: ${file.name}\n  cure:  save it as plain text in UTF-8 from a text editor, not from a word processor`);
  }
}

async function takeBar(given) {
  const said = await ask("bar", { system, ...given });
  bar = { text: said.text, content: said.content, fileName: given.name };
  at("bar-name").textContent = `${said.name} (${given.name})`;
  at("bar-save").disabled = false;
  tell(at("bar-words"), said.words);
  const before = [...at("section-ticks").querySelectorAll("input")].map((tick) => tick.value);
  if (String(before) !== String(said.sections)) showSections(said.sections);
  if (!loaded && !plan.system) plan.set(system, said.plan);
}

function showSections(names) {
  at("sections").hidden = names.length < 2;
  at("section-ticks").replaceChildren(
    ...names.map((name) => {
      const tick = make("input", { type: "checkbox", value: name, checked: true, on: { change: () => planMoved({ sections: true }) } });
      return make("label", { class: "tick" }, tick, name);
    }),
  );
}

function forgetChoices() {
  for (const name of ["rate-column", "rate-unit", "layer"]) options(at(name), [["", "as the file says"]], "");
  at("crs").value = at("volume-temperature").value = "";
  at("swap-axes").checked = at("take-as-ammonia").checked = false;
  at("choices").hidden = true;
}

function offerChoices(columns, layers) {
  const free = [["", "as the file says"]];
  options(at("rate-column"), [...free, ...columns.map((name) => [name, name])], at("rate-column").value);
  options(at("rate-unit"), [...free, ...known.rateUnits.map((name) => [name, name])], at("rate-unit").value);
  options(at("layer"), [...free, ...layers.map((name) => [name, name])], at("layer").value);
  at("layer").closest("label").hidden = layers.length < 2;
}

async function readField() {
  if (!files.length || !bar) {
    if (files.length) tell(at("trouble"), "Now choose the bar file: the map is read together with it.");
    return;
  }
  const body = frame(question(), files);
  const done = await longWork("read", body, at("trouble"));
  if (!done) return;
  at("choices-open").hidden = false;
  if ("unread" in done) {
    offerChoices(done.columns, done.layers);
    at("choices").hidden = false;
    hideField();
    complain(at("trouble"), new Error(done.unread));
    return;
  }
  at("choices").hidden = true;
  offerChoices(done.field.columns, []);
  showField(done.field, done.answer);
  prepare();
}

at("choices-open").addEventListener("click", () => {
  at("choices").hidden = !at("choices").hidden;
  if (!at("choices").hidden) at("rate-column").focus();
});
at("choices").addEventListener("submit", (event) => {
  event.preventDefault();
  readField().catch((problem) => complain(at("trouble"), problem));
});

function hideField() {
  loaded = false;
  at("field").hidden = true;
}

function showField(field, answer) {
  loaded = true;
  at("field").hidden = false;
  at("map-name").textContent = `${field.file}: column '${field.column}' in ${field.unit}`;
  at("facts").replaceChildren(...field.facts.map((text) => make("li", { text })));
  at("map-note").textContent = field.geometry.thinned ? "Outlines are drawn with fewer corners; areas and verdicts are of the file's own." : "";
  map.show(field.geometry, system);
  list.reset(field.numbers);
  showAnswer(answer);
  outdate();
}

// Solving at every stop of the sliders goes on beside; until it is done each move is solved in full.
function prepare() {
  work("prepare", JSON.stringify(question()), () => {}).catch(() => {});
}

// Plan and answer

function planMoved({ sections = false } = {}) {
  if (!loaded) return;
  moves += 1;
  outdate();
  if (sections) prepare();
  if (!asking) follow();
}

async function follow() {
  asking = true;
  clearTimeout(rest);
  let exact = false;
  try {
    for (let seen = -1; seen !== moves; ) {
      seen = moves;
      const answer = await ask("vet", question({ quick: true }));
      tell(at("plan-trouble"), "");
      exact = answer.exact;
      showAnswer(answer);
      await new Promise(requestAnimationFrame);
    }
  } catch (problem) {
    noAnswer(problem);
    exact = true;
  }
  asking = false;
  if (!exact) rest = setTimeout(settle, RESTED);
}

async function settle() {
  if (asking) return;
  asking = true;
  const seen = moves;
  try {
    const answer = await ask("vet", question());
    if (seen === moves) showAnswer(answer);
  } catch (problem) {
    noAnswer(problem);
  }
  asking = false;
  if (seen !== moves) follow();
}

// What stands there is of an earlier plan, and must not look like an answer to this one.
function noAnswer(problem) {
  tell(at("plan-trouble"), problem.message);
  put(at("sentence"), "No answer for this plan.");
  put(at("pending"), "Map, counts and zones are of an earlier plan.");
  at("field").classList.add("old");
  list.stale();
}

function put(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

function showAnswer(answer) {
  at("field").classList.remove("old");
  map.colour(answer.verdicts);
  put(at("sentence"), answer.answer);
  put(at("pending"), answer.exact ? "\u00a0" : "Moving: margins and cures follow when it rests.");
  if (at("warnings").dataset.said !== String(answer.warnings)) {
    at("warnings").dataset.said = String(answer.warnings);
    at("warnings").replaceChildren(...answer.warnings.map((text) => make("p", { class: "trouble", text })));
  }
  for (const { name, zones, area } of answer.counts) {
    put(cells[name][0], zones);
    put(cells[name][1], area);
  }
  const rows = answer.window.map(([name, ...shown]) =>
    make("tr", {}, make("th", { scope: "row", text: name }), ...shown.map((text) => make("td", { text }))),
  );
  at("window").tBodies[0].replaceChildren(...rows);
  at("limits").replaceChildren(...answer.limits.map((text) => make("li", { text })));
  if (answer.exact) list.refresh();
  else list.stale();
  tell(at("whole"), "");
  document.body.dataset.shown = String(Number(document.body.dataset.shown ?? 0) + 1);
  document.body.dataset.exact = String(answer.exact);
}

for (const radio of document.querySelectorAll("[name=system]")) {
  radio.addEventListener("change", async () => {
    system = radio.value;
    if (plan.system) plan.convert(system);
    if (bar) await takeBar({ name: bar.fileName, text: bar.text }).catch((problem) => complain(at("trouble"), problem));
    if (!loaded) return;
    map.units(system);
    await readField().catch((problem) => complain(at("trouble"), problem));
  });
}

// The bar as a form

at("bar-edit").addEventListener("click", () => {
  readBar = buildForm(at("bar-form"), known.form, bar?.content);
  at("bar-section").hidden = false;
  at("bar-title").focus();
  at("bar-section").scrollIntoView({ block: "start" });
});
at("bar-close").addEventListener("click", () => {
  at("bar-section").hidden = true;
  at("bar-edit").focus();
});
at("bar-form").addEventListener("submit", (event) => event.preventDefault());
at("bar-use").addEventListener("click", async () => {
  try {
    tell(at("bar-trouble"), "");
    await takeBar({ name: bar?.fileName ?? "bar.toml", content: readBar() });
    await readField();
  } catch (problem) {
    complain(at("bar-trouble"), problem);
  }
});
at("bar-save").addEventListener("click", () => save(new Blob([bar.text], { type: "application/toml" }), bar.fileName));

// Rewriting and keeping

function outdate() {
  at("rewritten-old").hidden = rewrittenFor === null;
  at("rewritten-save").disabled = true;
}

at("rules").addEventListener("input", outdate);
at("rules").addEventListener("submit", async (event) => {
  event.preventDefault();
  const rules = {
    max_rate: at("max-rate").value.trim(),
    heading: at("heading").value.trim(),
    allow_raise: at("allow-raise").checked,
    leave_doubtful: at("leave-doubtful").checked,
    merge_short: at("merge-short").checked,
  };
  const policy = document.querySelector("[name=policy]:checked").value;
  const asked = JSON.stringify(question({ policy, rules }));
  try {
    const done = await longWork("rewrite", asked, at("trouble"));
    if (!done) return;
    rewrittenFor = moves;
    at("rewritten").hidden = false;
    at("rewritten-old").hidden = true;
    at("rewritten-save").disabled = false;
    at("rewritten-names").textContent = `One zip with ${done.names.join(" and ")}, byte for byte what the command line writes.`;
    at("rewritten-text").textContent = done.text;
    at("rewritten").focus();
  } catch (problem) {
    complain(at("trouble"), problem);
  }
});
at("rewritten-save").addEventListener("click", () => download("rewritten files", "rewritten.zip"));
for (const [name, task] of [["vetted", "vetted files"], ["report", "report"]]) {
  at(name).addEventListener("click", async () => {
    try {
      const done = await longWork(name, JSON.stringify(question()), at("trouble"));
      if (!done) return;
      at("vetted-names").textContent = `One zip with ${done.names.join(", ")}.`;
      await download(task, `${name}.zip`);
    } catch (problem) {
      complain(at("trouble"), problem);
    }
  });
}

// The log

let logFiles = [];

function takeLog(given) {
  logFiles = given;
  at("log-name").textContent = given.map((file) => file.name).join(", ");
  at("log-form").hidden = false;
  at("reconciled").hidden = true;
  tell(at("log-trouble"), "");
  at("log-section").scrollIntoView({ block: "start" });
}

at("log-file").addEventListener("change", (event) => {
  if (event.target.files.length) takeLog([...event.target.files]);
  event.target.value = "";
});
at("log-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const lines = (id) => at(id).value.split("\n").map((line) => line.trim()).filter(Boolean);
  const text = (id) => at(id).value.trim();
  const log = {
    columns: lines("log-columns"),
    tickets: lines("log-tickets"),
    rate_unit: text("log-rate-unit"),
    nitrogen: text("log-nitrogen"),
    width: text("log-width"),
    temperature: text("log-temperature"),
    crs: text("log-crs"),
    layer: text("log-layer"),
    swap_axes: at("log-swap-axes").checked,
  };
  const asked = { system, options: readingOptions(), log, with_map: at("log-map").checked && files.length > 0, with_bar: at("log-bar").checked && bar !== null };
  at("reconciled").hidden = true;
  try {
    const done = await longWork("reconcile", frame(asked, logFiles), at("log-trouble"));
    if (!done) return;
    at("reconciled").hidden = false;
    at("reconciled-text").textContent = done.text;
    at("reconciled-pictures").replaceChildren(
      ...done.pictures.map(([name, content]) => make("img", { src: `data:image/png;base64,${content}`, alt: `${name}: its numbers stand in the text above` })),
    );
    at("reconciled").focus();
  } catch (problem) {
    complain(at("log-trouble"), problem);
  }
});
at("reconciled-save").addEventListener("click", () => download("reconciled files", "reconciled.zip"));

async function download(task, name) {
  try {
    save(await fetchFile({ task }), name);
  } catch (problem) {
    complain(at("trouble"), problem);
  }
}

at("words").addEventListener("click", async () => {
  try {
    tell(at("whole"), (await ask("text", question())).text);
    at("whole").focus();
  } catch (problem) {
    complain(at("trouble"), problem);
  }
});

document.body.dataset.ready = "yes";

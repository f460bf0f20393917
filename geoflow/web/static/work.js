// Long work, one piece at a time, with its words, its clock and its stop.

import { at, tell } from "./parts.js";
import { ask, work } from "./talk.js";

const STOPPED = "Stopped; nothing was written.";
let running = null; // {name, what, why, sending}

// Gives what was made, or null if it was stopped. Files chosen meanwhile (`newest`) end what is under way, and say so.
export async function longWork(name, body, trouble, { what = "", newest = "" } = {}) {
  // The same asked for again takes the place of what is under way.
  if (running?.name === name) running.sending.abort();
  else if (running && !newest) throw new Error("this page is at work already\n  cure:  wait for it, or stop it");
  if (running && running.name !== name) endFor(newest);
  const mine = (running = { name, what, why: "", sending: new AbortController() });
  tell(trouble, "");
  tell(at("note"), "");
  at("work").hidden = false;
  at("stop").disabled = false;
  document.body.classList.add("working");
  const began = performance.now();
  let words = "Beginning";
  const show = () => {
    const seconds = Math.round((performance.now() - began) / 1000);
    if (running === mine) at("stage").textContent = seconds < 2 ? words : `${words} (${seconds} s)`;
  };
  show();
  const clock = setInterval(show, 1000);
  try {
    const said = await work(
      name,
      body,
      (stage) => {
        words = stage;
        show();
      },
      mine.sending.signal,
    );
    if ("stopped" in said) tell(trouble, mine.why || STOPPED);
    return said.done ?? null;
  } catch (problem) {
    if (problem.name !== "AbortError") throw problem;
    // A newer read that ended another says nothing here: what is read now is said where files are chosen.
    if (mine.why || running === mine) tell(trouble, mine.why || STOPPED);
    return null;
  } finally {
    clearInterval(clock);
    if (running === mine) {
      running = null;
      at("work").hidden = true;
      document.body.classList.remove("working");
    }
  }
}

function endFor(newest) {
  if (running.what) running.why = `${running.what} was stopped, since ${newest} was chosen. Nothing was written.`;
  running.sending.abort();
}

// End a kind of work, because what it works on was replaced.
export function endWork(name, newest) {
  if (running?.name === name) endFor(newest);
}

at("stop").addEventListener("click", () => {
  const mine = running;
  at("stop").disabled = true;
  at("stage").textContent = "Stopping";
  ask("stop", {})
    .catch(() => {})
    .finally(() => mine?.sending.abort());
});

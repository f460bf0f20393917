// Words that are explained where they stand: a tap or Enter on one says what it means.

import { at, make } from "./parts.js";

const meanings = new Map();

// `terms`: {name, meaning, shown} each; `shown` are the texts on the page that stand for it.
export function learnTerms(terms) {
  for (const { name, meaning, shown } of terms) for (const text of shown) meanings.set(text, { name, meaning });
  for (const node of document.querySelectorAll("[data-term]")) node.replaceChildren(explained(node.textContent));
}

// The text itself, as a button if it is a word with a meaning.
export function explained(text) {
  if (!meanings.has(text)) return text;
  return make("button", { type: "button", class: "term", text, "aria-haspopup": "dialog", on: { click: (event) => explain(event.currentTarget, text) } });
}

export function explain(button, text) {
  const { name, meaning } = meanings.get(text);
  const box = at("term");
  box.replaceChildren(make("p", {}, make("b", { text: `${name}: ` }), meaning));
  box.showPopover();
  const from = button.getBoundingClientRect();
  const { width, height } = box.getBoundingClientRect();
  const below = from.bottom + 6;
  box.style.left = `${Math.max(8, Math.min(from.left, innerWidth - width - 8))}px`;
  box.style.top = `${below + height < innerHeight ? below : Math.max(8, from.top - height - 6)}px`;
}

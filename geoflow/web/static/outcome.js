// A result as the page sets it: sections of paragraphs, lists, tables and pictures; all of it goes in as text.

import { make } from "./parts.js";

const LONG = 28; // letters from which on a cell is a sentence, which no other column may squeeze to a word a line

// The first sentence is the answer; what follows qualifies it.
export function headline(node, answer) {
  const [first] = answer.match(/^.*?\.(?= [A-Z0-9]|$)/) ?? [answer];
  node.replaceChildren(make("b", { text: first }), answer.slice(first.length));
}

// Pictures of the whole stand behind what is said first.
export function told({ sections, notes }, drawn = []) {
  const parts = sections.map(section);
  const ends = notes.map((text) => make("p", { text }));
  return [...(parts[0] ?? []), ...drawn, ...parts.slice(1).flat(), ...ends];
}

function section({ title, blocks }) {
  return [...(title ? [make("h3", { text: title })] : []), ...blocks.map(block)];
}

function block(said) {
  if (said.is === "list") return make(said.ordered ? "ol" : "ul", {}, ...said.texts.map((text) => make("li", { text })));
  if (said.is === "table") return table(said);
  if (said.is === "figure") return picture(said);
  if (said.is === "head") return make("h4", { text: said.text });
  return make("p", { class: { warning: "warned", note: "small" }[said.is] ?? null, text: said.text });
}

function table({ caption, heads, rows, align }) {
  const how = (at) => ({ class: align[at] === ">" ? "right" : null });
  const head = heads.some(Boolean) ? [make("thead", {}, make("tr", {}, ...heads.map((text, at) => make("th", { scope: "col", text, ...how(at) }))))] : [];
  const body = make("tbody", {}, ...rows.map((cells) => make("tr", {}, ...cells.map((text, at) => make("td", { text, ...(text.length > LONG ? { class: "long" } : how(at)) })))));
  const named = caption ? [make("caption", {}, make("span", { text: caption }))] : [];
  return make("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": caption || heads.join(", ") || "Table" }, make("table", {}, ...named, ...head, body));
}

// A picture, which a tap shows as large as it is.
export function picture({ png, alt, caption = "" }) {
  const src = `data:image/png;base64,${png}`;
  const words = caption ? [make("figcaption", { class: "small", text: caption })] : [];
  const larger = make("button", { type: "button", class: "picture", "aria-label": `${alt} Show it larger`, on: { click: () => enlarge(src, alt) } }, make("img", { src, alt: "" }));
  return make("figure", {}, larger, ...words);
}

function enlarge(src, alt) {
  const close = make("button", { type: "button", class: "main", text: "Close", on: { click: () => box.close() } });
  const box = make("dialog", { class: "large", "aria-label": alt }, close, make("div", { class: "scroll", tabindex: "0" }, make("img", { src, alt })));
  box.addEventListener("close", () => box.remove());
  document.body.append(box);
  box.showModal();
}

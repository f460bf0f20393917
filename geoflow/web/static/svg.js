// Pieces of a drawing.

import { at } from "./parts.js";

// The page holds an empty drawing, which knows what drawings are made of.
const SPACE = at("drawing").namespaceURI;

export function draw(kind, how = {}, ...children) {
  const node = document.createElementNS(SPACE, kind);
  for (const [name, value] of Object.entries(how)) node.setAttribute(name, value);
  node.append(...children);
  return node;
}

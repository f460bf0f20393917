// Small pieces of page. Text from files only ever goes in as text, never as markup.

export const at = (id) => document.getElementById(id);

export function make(kind, how = {}, ...children) {
  const node = document.createElement(kind);
  for (const [name, value] of Object.entries(how)) {
    if (name === "text") node.textContent = value;
    else if (name === "on") for (const [event, act] of Object.entries(value)) node.addEventListener(event, act);
    else if (value === true) node.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) node.setAttribute(name, value);
  }
  node.append(...children);
  return node;
}

// Only what is different is written, so that nothing is read aloud twice.
export function put(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

export function tell(box, words) {
  put(box, words ?? "");
  box.hidden = !words;
}

export function complain(box, problem) {
  tell(box, problem.message);
  box.focus?.();
  box.scrollIntoView({ block: "nearest" });
}

export function options(select, entries, chosen) {
  select.replaceChildren(...entries.map(([value, text]) => make("option", { value, text })));
  select.value = entries.some(([value]) => value === chosen) ? chosen : (entries[0]?.[0] ?? "");
}

// A swatch with the colour, pattern and letter of a verdict.
export function swatch(verdict) {
  const canvas = make("canvas", { class: "swatch", width: "112", height: "64", "aria-hidden": "true" });
  const ink = canvas.getContext("2d");
  ink.scale(2, 2);
  ink.fillStyle = verdict.fill;
  ink.fillRect(0, 0, 56, 32);
  const texture = pattern(ink, verdict);
  if (texture) {
    ink.fillStyle = texture;
    ink.fillRect(0, 0, 56, 32);
  }
  if (verdict.letter) badge(ink, verdict.letter, 28, 16, 13);
  return canvas;
}

export function badge(ink, letter, x, y, size) {
  ink.font = `bold ${size}px sans-serif`;
  const half = size * 0.72;
  const wide = Math.max(half, ink.measureText(letter).width / 2 + 2);
  ink.globalAlpha = 1;
  ink.fillStyle = "#ffffff";
  ink.strokeStyle = "#1a1a1a";
  ink.lineWidth = 1;
  ink.beginPath();
  ink.rect(x - wide, y - half, 2 * wide, 2 * half);
  ink.fill();
  ink.stroke();
  ink.fillStyle = "#1a1a1a";
  ink.textAlign = "center";
  ink.textBaseline = "middle";
  ink.fillText(letter, x, y + size * 0.06);
}

// The pattern of a class over its own colour, in the letters of report/symbology.py: // \\ xx ++ -- .. or none.
export function pattern(ink, verdict) {
  if (!verdict.hatch) return null;
  const kind = verdict.hatch[0];
  const side = kind === "x" ? 10 : 8;
  const tile = document.createElement("canvas");
  tile.width = tile.height = 2 * side;
  const draw = tile.getContext("2d");
  draw.scale(2, 2);
  draw.fillStyle = verdict.fill;
  draw.fillRect(0, 0, side, side);
  draw.strokeStyle = draw.fillStyle = verdict.hatchColour;
  draw.lineWidth = kind === "x" ? 0.9 : 1.4;
  draw.beginPath();
  for (const shift of [-side, 0, side]) {
    if (kind === "/" || kind === "x") {
      draw.moveTo(shift - 1, side + 1);
      draw.lineTo(shift + side + 1, -1);
    }
    if (kind === "\\" || kind === "x") {
      draw.moveTo(shift - 1, -1);
      draw.lineTo(shift + side + 1, side + 1);
    }
  }
  if (kind === "-" || kind === "+") {
    draw.moveTo(0, side / 2);
    draw.lineTo(side, side / 2);
  }
  if (kind === "+") {
    draw.moveTo(side / 2, 0);
    draw.lineTo(side / 2, side);
  }
  draw.stroke();
  if (kind === ".") {
    draw.beginPath();
    draw.arc(side / 2, side / 2, 1.1, 0, 2 * Math.PI);
    draw.fill();
  }
  const texture = ink.createPattern(tile, "repeat");
  texture.setTransform(new DOMMatrix().scale(0.5));
  return texture;
}

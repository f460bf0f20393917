"use strict";
// The map of a sheet that asks nothing of anybody: outlines in degrees, drawn in meters around their middle.
(() => {
  const at = (id) => document.getElementById(id);
  const data = JSON.parse(at("zones").textContent);
  const canvas = at("map-canvas");
  const ink = canvas.getContext("2d");
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const INK = "#1a1a1a";

  // Meters per degree at the field's own latitude, on the ellipsoid of WGS 84.
  const [west, south] = data.origin;
  const lat = (south * Math.PI) / 180;
  const square = 0.00669437999014 * Math.sin(lat) ** 2;
  const perLat = (Math.PI / 180) * 6378137 * (1 - 0.00669437999014) / (1 - square) ** 1.5;
  const perLon = ((Math.PI / 180) * 6378137 * Math.cos(lat)) / Math.sqrt(1 - square);
  const meters = (lon, la) => [(lon - west) * perLon, (la - south) * perLat];

  function unstep(flat) {
    let x = 0;
    let y = 0;
    const out = new Float64Array(flat.length);
    for (let i = 0; i < flat.length; i += 2) {
      x += flat[i];
      y += flat[i + 1];
      out[i] = x * 1e-6 * perLon;
      out[i + 1] = y * 1e-6 * perLat;
    }
    return out;
  }

  const corners = unstep(data.corners);
  const labels = unstep(data.labels);
  const whole = [Infinity, Infinity, -Infinity, -Infinity];
  const byLetter = {};
  let corner = 0;
  let ring = 0;
  let part = 0;
  const zones = data.perZone.map((parts, index) => {
    const path = new Path2D();
    const box = [Infinity, Infinity, -Infinity, -Infinity];
    for (let p = 0; p < parts; p += 1, part += 1) {
      for (let r = 0; r < data.perPart[part]; r += 1, ring += 1) {
        for (let c = 0; c < data.perRing[ring]; c += 1, corner += 2) {
          const x = corners[corner];
          const y = corners[corner + 1];
          if (c) path.lineTo(x, y);
          else path.moveTo(x, y);
          for (const b of [box, whole]) {
            b[0] = Math.min(b[0], x);
            b[1] = Math.min(b[1], y);
            b[2] = Math.max(b[2], x);
            b[3] = Math.max(b[3], y);
          }
        }
        path.closePath();
      }
    }
    const letter = data.kinds[data.kind[index]].letter;
    (byLetter[letter] ??= new Path2D()).addPath(path);
    return { path, box, letter, label: [labels[2 * index], labels[2 * index + 1]], room: data.room[index] };
  });

  const rooms = [...data.room].sort((a, b) => a - b);
  const side = 2 * rooms[rooms.length >> 1];

  function pattern(style) {
    if (!style.hatch) return null;
    const side = style.hatch === "x" ? 10 : 8;
    const tile = document.createElement("canvas");
    tile.width = tile.height = 2 * side;
    const draw = tile.getContext("2d");
    draw.scale(2, 2);
    draw.fillStyle = style.fill;
    draw.fillRect(0, 0, side, side);
    draw.strokeStyle = draw.fillStyle = style.hatchColour;
    draw.lineWidth = 1.2;
    draw.beginPath();
    for (const shift of [-side, 0, side]) {
      if (style.hatch === "/" || style.hatch === "x") {
        draw.moveTo(shift - 1, side + 1);
        draw.lineTo(shift + side + 1, -1);
      }
      if (style.hatch === "x") {
        draw.moveTo(shift - 1, -1);
        draw.lineTo(shift + side + 1, side + 1);
      }
    }
    draw.stroke();
    if (style.hatch === ".") {
      draw.beginPath();
      draw.arc(side / 2, side / 2, 1.1, 0, 2 * Math.PI);
      draw.fill();
    }
    return ink.createPattern(tile, "repeat");
  }
  for (const style of Object.values(data.styles)) style.paint = pattern(style);

  // View: meters at the middle of the canvas, and pixels to a meter.
  const view = { x: 0, y: 0, scale: 1, least: 0.01 };
  let chosen = -1;
  let fix = null;
  let follow = false;
  let wide = 0;
  let high = 0;
  let due = false;

  function fit() {
    view.x = (whole[0] + whole[2]) / 2;
    view.y = (whole[1] + whole[3]) / 2;
    view.scale = Math.min(wide / (whole[2] - whole[0] || 1), high / (whole[3] - whole[1] || 1)) * 0.92;
    view.least = view.scale / 4;
    redraw();
  }

  function redraw() {
    if (due) return;
    due = true;
    requestAnimationFrame(() => {
      due = false;
      draw();
    });
  }

  const toScreen = ([x, y]) => [(x - view.x) * view.scale + wide / 2, high / 2 - (y - view.y) * view.scale];
  const toMeters = (x, y) => [(x - wide / 2) / view.scale + view.x, (high / 2 - y) / view.scale + view.y];

  function draw() {
    const dots = devicePixelRatio || 1;
    ink.setTransform(dots, 0, 0, dots, 0, 0);
    ink.fillStyle = dark.matches ? "#141414" : "#ffffff";
    ink.fillRect(0, 0, wide, high);
    const s = view.scale;
    ink.setTransform(dots * s, 0, 0, -dots * s, dots * (wide / 2 - view.x * s), dots * (high / 2 + view.y * s));
    const bordered = side * s >= 8; // borders around zones of a few pixels would hide their colours
    for (const [letter, path] of Object.entries(byLetter)) {
      const style = data.styles[letter];
      style.paint?.setTransform(new DOMMatrix().scale(0.5 / s, -0.5 / s));
      ink.fillStyle = style.paint ?? style.fill;
      ink.fill(path, "evenodd");
      ink.lineWidth = 0.8 / s;
      ink.strokeStyle = INK;
      if (bordered) ink.stroke(path);
    }
    if (chosen >= 0) {
      ink.lineWidth = 7 / s;
      ink.strokeStyle = "#ffffff";
      ink.stroke(zones[chosen].path);
      ink.lineWidth = 3.5 / s;
      ink.strokeStyle = "#000000";
      ink.stroke(zones[chosen].path);
    }
    ink.setTransform(dots, 0, 0, dots, 0, 0);
    ink.font = "bold 13px sans-serif";
    ink.textAlign = "center";
    ink.textBaseline = "middle";
    for (const zone of zones) {
      if (zone.room * s < 14) continue;
      const [x, y] = toScreen(zone.label);
      if (x < -20 || y < -20 || x > wide + 20 || y > high + 20) continue;
      ink.fillStyle = "#ffffff";
      ink.fillRect(x - 9, y - 9, 18, 18);
      ink.strokeStyle = ink.fillStyle = INK;
      ink.lineWidth = 1;
      ink.strokeRect(x - 9, y - 9, 18, 18);
      ink.fillText(zone.letter, x, y + 1);
    }
    if (fix) drawFix();
    drawScale();
  }

  function drawFix() {
    const [x, y] = toScreen(fix.place);
    ink.beginPath();
    ink.arc(x, y, Math.max(fix.off * view.scale, 9), 0, 2 * Math.PI);
    ink.fillStyle = "rgba(217, 119, 6, .25)";
    ink.fill();
    ink.lineWidth = 2;
    ink.strokeStyle = "#ffffff";
    ink.stroke();
    ink.strokeStyle = "#000000";
    ink.setLineDash([4, 4]);
    ink.stroke();
    ink.setLineDash([]);
    ink.beginPath();
    ink.arc(x, y, 7, 0, 2 * Math.PI);
    ink.fillStyle = "#000000";
    ink.fill();
    ink.lineWidth = 3;
    ink.strokeStyle = "#ffb84d";
    ink.stroke();
  }

  const [unit, inMeters] = data.lengths;
  function drawScale() {
    const most = (Math.min(140, wide / 3) / view.scale) / inMeters;
    const ten = 10 ** Math.floor(Math.log10(most));
    const length = [5, 2, 1].map((n) => n * ten).find((one) => one <= most) ?? ten;
    at("bar-of-scale").textContent = `${length.toLocaleString("en")} ${unit}`;
    at("bar-of-scale").style.width = `${length * inMeters * view.scale}px`;
  }

  // Zones

  function zonesAt(x, y) {
    ink.setTransform(1, 0, 0, 1, 0, 0);
    return zones.flatMap(({ path, box }, index) => (x >= box[0] && x <= box[2] && y >= box[1] && y <= box[3] && ink.isPointInPath(path, x, y, "evenodd") ? [index] : []));
  }

  function make(kind, text, ...children) {
    const node = document.createElement(kind);
    if (text) node.textContent = text;
    node.append(...children);
    return node;
  }

  function choose(index, { center = false } = {}) {
    chosen = index;
    const kind = data.kinds[data.kind[index]];
    const style = data.styles[kind.letter];
    const rows = [...kind.rows, ["Area", `${data.area[index]} ${data.areaUnit}`]];
    const list = make("dl", "", ...rows.map(([name, value]) => make("div", "", make("dt", name), make("dd", value))));
    const box = at("zone");
    box.replaceChildren(make("h3", `Zone ${data.names[index]}: ${style.word}`), make("p", style.meaning), list);
    if (kind.limit) box.append(make("p", `Limit: ${kind.limit}`));
    if (kind.cure) box.append(make("p", kind.cure));
    if (center) {
      [view.x, view.y] = zones[index].label;
      const [x0, y0, x1, y1] = zones[index].box;
      const room = Math.min(wide / (x1 - x0 || 1), high / (y1 - y0 || 1)) * 0.5;
      if (view.scale > room * 2 || view.scale < room / 6) view.scale = Math.max(room, view.least);
    }
    redraw();
  }

  function step(by) {
    const { order } = data;
    const place = order.indexOf(chosen);
    choose(order[place < 0 ? 0 : (place + by + order.length) % order.length], { center: true });
  }

  // Fingers, wheel and keys

  const fingers = new Map();
  let began = null;
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, [event.offsetX, event.offsetY]);
    began = fingers.size === 1 ? [event.offsetX, event.offsetY] : null;
  });
  canvas.addEventListener("pointermove", (event) => {
    if (!fingers.has(event.pointerId)) return;
    const before = [...fingers.values()];
    fingers.set(event.pointerId, [event.offsetX, event.offsetY]);
    const now = [...fingers.values()];
    if (began && Math.hypot(now[0][0] - began[0], now[0][1] - began[1]) < 8) return;
    began = null;
    follow = false;
    const middle = (all) => [all.reduce((sum, [x]) => sum + x, 0) / all.length, all.reduce((sum, [, y]) => sum + y, 0) / all.length];
    const [bx, by] = middle(before);
    const [nx, ny] = middle(now);
    view.x -= (nx - bx) / view.scale;
    view.y += (ny - by) / view.scale;
    if (now.length === 2) {
      const apart = ([[ax, ay], [cx, cy]]) => Math.hypot(ax - cx, ay - cy) || 1;
      zoom(apart(now) / apart(before), nx, ny);
    }
    redraw();
  });
  const lifted = (event) => {
    if (event.type === "pointerup" && began) {
      const [x, y] = toMeters(event.offsetX, event.offsetY);
      const found = zonesAt(x, y);
      if (found.length) choose(found[0]);
    }
    fingers.delete(event.pointerId);
    began = null;
  };
  canvas.addEventListener("pointerup", lifted);
  canvas.addEventListener("pointercancel", lifted);
  canvas.addEventListener("wheel", (event) => {
    event.preventDefault();
    zoom(2 ** (-event.deltaY / 300), event.offsetX, event.offsetY);
  }, { passive: false });

  function zoom(by, x = wide / 2, y = high / 2) {
    const before = toMeters(x, y);
    view.scale = Math.min(Math.max(view.scale * by, view.least), 60);
    const after = toMeters(x, y);
    view.x += before[0] - after[0];
    view.y += before[1] - after[1];
    redraw();
  }

  canvas.addEventListener("keydown", (event) => {
    const move = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
    if (move) {
      view.x += (move[0] * 60) / view.scale;
      view.y += (move[1] * 60) / view.scale;
      follow = false;
      redraw();
    } else if (event.key === "+" || event.key === "=") zoom(1.4);
    else if (event.key === "-") zoom(1 / 1.4);
    else return;
    event.preventDefault();
  });
  at("in").addEventListener("click", () => zoom(1.6));
  at("out").addEventListener("click", () => zoom(1 / 1.6));
  at("all").addEventListener("click", () => {
    follow = false;
    fit();
  });
  at("before").addEventListener("click", () => step(-1));
  at("after").addEventListener("click", () => step(1));

  // Where the phone is

  const REFUSED = "The phone gives this page no position. Allow it for the browser in the phone's settings and tap again; some browsers give none to a page opened from a file. The map works without it.";
  const said = (words) => (at("place").textContent = words);
  let watched = null;

  function found({ coords }) {
    const place = meters(coords.longitude, coords.latitude);
    fix = { place, off: coords.accuracy || 0 };
    const near = new Set(zonesAt(...place));
    const sure = near.size;
    for (let turn = 0; turn < 16; turn += 1) {
      const angle = (turn * Math.PI) / 8;
      for (const share of [0.5, 1]) zonesAt(place[0] + share * fix.off * Math.cos(angle), place[1] + share * fix.off * Math.sin(angle)).forEach((one) => near.add(one));
    }
    const off = `${Math.round(fix.off / inMeters).toLocaleString("en")} ${unit}`;
    const names = [...near].slice(0, 4).map((one) => `${data.names[one]} (${data.styles[zones[one].letter].word})`).join(", ");
    if (!near.size) said(`You are in no zone of this map (position good to ${off}).`);
    else if (near.size === 1 && sure) said(`You are in zone ${names} (position good to ${off}).`);
    else said(`Position good to ${off} only: it may be zone ${names}${near.size > 4 ? " or others" : ""}${sure ? "" : ", or none"}.`);
    if (follow) [view.x, view.y] = place;
    // Driving over the field, the zone under the phone is the one to read about.
    if (follow && near.size === 1 && sure && chosen !== [...near][0]) choose([...near][0]);
    redraw();
  }

  at("here").addEventListener("click", () => {
    follow = true;
    if (!isSecureContext) {
      said("A phone gives its position to no page that comes over a plain network address, as this one does. Find your place on the map, or keep the sheet as a file and open that; some browsers give it to a file. ");
      const keep = make("a", "Keep this sheet on the phone");
      keep.href = "/sheet.html";
      at("place").append(keep);
      return undefined;
    }
    if (!navigator.geolocation) return said(REFUSED);
    if (watched !== null) navigator.geolocation.clearWatch(watched);
    said("Asking the phone for its position ...");
    const lost = ({ code }) => {
      fix = null;
      redraw();
      said(code === 1 ? REFUSED : "The phone has no position just now; it goes on trying. Under a roof it often has none.");
    };
    watched = navigator.geolocation.watchPosition(found, lost, { enableHighAccuracy: true, maximumAge: 2000, timeout: 20000 });
    return undefined;
  });

  // Beginning

  for (const letter of Object.keys(data.styles).filter((one) => byLetter[one])) {
    const style = data.styles[letter];
    const swatch = document.createElement("canvas");
    swatch.width = 84;
    swatch.height = 48;
    const pen = swatch.getContext("2d");
    pen.scale(2, 2);
    style.paint?.setTransform(new DOMMatrix().scale(0.5));
    pen.fillStyle = style.paint ?? style.fill;
    pen.fillRect(0, 0, 42, 24);
    const count = zones.filter((zone) => zone.letter === letter).length;
    at("legend").append(make("li", "", swatch, make("span", `${letter} ${style.word}: ${count.toLocaleString("en")}`)));
  }
  at("thinned").textContent = data.thinned;
  at("no-map").hidden = true;
  at("map").hidden = false;
  let shown = false;
  new ResizeObserver(() => {
    const { width, height } = canvas.parentElement.getBoundingClientRect();
    if (!width) return;
    [wide, high] = [width, height];
    canvas.width = Math.round(wide * (devicePixelRatio || 1));
    canvas.height = Math.round(high * (devicePixelRatio || 1));
    if (shown) redraw();
    else fit();
    shown = true;
  }).observe(canvas.parentElement);
  dark.addEventListener("change", redraw);
})();

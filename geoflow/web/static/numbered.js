// A map of very many zones: which zone each pixel shows is worked out once for a view; colours are then only looked up.

import { INK, Lettered, UNLIT } from "./drawing.js";

const L = window.L;
const TILE = 40; // the tiles of all patterns fit into this a whole number of times [px]

export const Numbered = Lettered.extend({
  zones: [], // {parts, options}

  again() {
    this.stale = true;
    Lettered.prototype.again.call(this);
  },

  // Always all of it: pixels are put whole.
  _redraw() {
    this._redrawBounds = null;
    L.Canvas.prototype._redraw.call(this);
  },

  _draw() {
    const { min } = this._bounds;
    const size = this._bounds.getSize();
    if (!size.x || !size.y) return;
    const view = String([this._zoom, this.origin, min, size, this.zones[0]?.options.stroke]);
    if (view !== this.view) this.number(min, size);
    const seam = this.split === null ? min.x : this._map.containerPointToLayerPoint([this.split, 0]).x;
    const middle = Math.min(this.grid.wide, Math.max(0, Math.round(this.dense * (seam - min.x))));
    const stripes = [["before", 0, middle], ["after", middle, this.grid.wide]].filter(([, from, to]) => from < to);
    if (view !== this.view || this.stale) for (const stripe of stripes) this.look(min, ...stripe);
    this.view = view;
    this.stale = false;
    this._ctx.putImageData(this.image, 0, 0);
    if (this.lines) this._ctx.drawImage(this.lines.canvas, min.x, min.y, size.x, size.y);
    for (const stripe of stripes) this.letter(min, ...stripe);
    L.Canvas.prototype._draw.call(this);
  },

  // The number of the zone, from one, whose middle of a pixel this is; zero outside. Lines are drawn once for all colours.
  number(min, size) {
    const dense = (this.dense = L.Browser.retina ? 2 : 1);
    const scale = dense * 2 ** this._zoom;
    const wide = dense * size.x;
    const high = dense * size.y;
    const grid = { numbers: new Uint32Array(wide * high), turns: new Uint8Array((wide + 1) * high), wide, high };
    const place = ([north, east]) => [east * scale - dense * (this.origin.x + min.x), -north * scale - dense * (this.origin.y + min.y)];
    this.grid = grid;
    this.image = new ImageData(wide, high);
    this.lines = this.zones[0]?.options.stroke ? sheet(wide, high) : null;
    if (this.lines) Object.assign(this.lines, { strokeStyle: INK, lineWidth: 0.8 * dense, lineJoin: "round" });
    this.zones.forEach(({ parts }, index) => {
      for (const part of parts) {
        const rings = part.map((ring) => ring.map(place));
        if (fill(grid, rings, index + 1) && this.lines) outline(this.lines, rings);
      }
    });
  },

  letter(min, state, from, to) {
    const ink = this._ctx;
    ink.save();
    ink.beginPath();
    ink.rect(min.x + from / this.dense, min.y, (to - from) / this.dense, this.grid.high / this.dense);
    ink.clip();
    for (const { options } of this.zones) {
      const { letter } = (state === "before" && options.before) || options;
      if (letter && !options.unlit) this.write(options, letter);
    }
    ink.restore();
  },

  // Every pixel of some columns in its zone's colour and pattern, which stays where it is when the map moves.
  look(min, state, from, to) {
    const { numbers, wide, high } = this.grid;
    const side = this.dense * TILE;
    const tiles = [new Uint32Array(side * side)];
    const known = [new Map(), new Map()]; // lit, unlit: where a paint's tile begins
    const begins = new Uint32Array(this.zones.length + 1);
    this.zones.forEach(({ options }, index) => {
      const { fillColor } = (state === "before" && options.before) || options;
      const of = known[options.unlit ? 1 : 0];
      let begin = of.get(fillColor);
      if (begin === undefined) {
        begin = side * side * tiles.length;
        of.set(fillColor, begin);
        tiles.push(tile(fillColor, options.unlit ? UNLIT : 1, this.dense));
      }
      begins[index + 1] = begin;
    });
    const colours = new Uint32Array(tiles.length * side * side);
    tiles.forEach((one, place) => colours.set(one, place * side * side));
    const pixels = new Uint32Array(this.image.data.buffer);
    const within = (number) => ((number % side) + side) % side;
    for (let row = 0; row < high; row += 1) {
      const across = side * within(row + this.dense * min.y);
      let along = across + within(from + this.dense * min.x);
      let last = 0;
      let begin = 0;
      for (let at = row * wide + from, end = row * wide + to; at < end; at += 1) {
        const number = numbers[at];
        if (number !== last) {
          last = number;
          begin = begins[number];
        }
        pixels[at] = colours[begin + along];
        along += 1;
        if (along === across + side) along = across;
      }
    }
  },

  // The zone at a place of the layer, or near it where there is none; null for none.
  zoneAt(place) {
    if (!this.grid) return null;
    const { numbers, wide, high } = this.grid;
    const [x, y] = [place.x - this._bounds.min.x, place.y - this._bounds.min.y].map((part) => Math.floor(part * this.dense));
    for (let reach = 0; reach <= this.options.tolerance * this.dense; reach += 1) {
      for (let row = Math.max(0, y - reach); row <= Math.min(high - 1, y + reach); row += 1) {
        for (let column = Math.max(0, x - reach); column <= Math.min(wide - 1, x + reach); column += 1) {
          if (numbers[row * wide + column]) return numbers[row * wide + column] - 1;
        }
      }
    }
    return null;
  },

  _onMouseMove(event) {
    L.Canvas.prototype._onMouseMove.call(this, event);
    const over = this._map && this.zoneAt(this._map.mouseEventToLayerPoint(event)) !== null;
    this._container.classList.toggle("leaflet-interactive", over);
  },
});

function sheet(wide, high, how = {}) {
  const canvas = document.createElement("canvas");
  Object.assign(canvas, { width: wide, height: high });
  return canvas.getContext("2d", how);
}

function tile(paint, opacity, dense) {
  const side = dense * TILE;
  const ink = sheet(side, side, { willReadFrequently: true });
  ink.scale(dense, dense);
  ink.globalAlpha = opacity;
  ink.fillStyle = paint;
  ink.fillRect(0, 0, TILE, TILE);
  return new Uint32Array(ink.getImageData(0, 0, side, side).data.buffer);
}

function outline(ink, rings) {
  ink.beginPath();
  for (const ring of rings) {
    ring.forEach(([x, y], corner) => (corner ? ink.lineTo(x, y) : ink.moveTo(x, y)));
    ink.closePath();
  }
  ink.stroke();
}

// Write a number where the middle of a pixel lies within rings (even-odd); whether any of them is in view.
// Each side of a ring turns from outside to inside, or back, at the first middle to the right of it in each row.
function fill({ numbers, turns, wide, high }, rings, number) {
  let [top, bottom, west, east] = [high, 0, wide, 0];
  for (const ring of rings) {
    let last = ring[ring.length - 1];
    for (const next of ring) {
      // Always from above, so that neighbours share a side to the pixel.
      const [[x, y], [ex, ey]] = last[1] < next[1] ? [last, next] : [next, last];
      last = next;
      const from = Math.max(0, Math.ceil(y - 0.5));
      const to = Math.min(high, Math.ceil(ey - 0.5));
      if (from >= to) continue;
      const slope = (ex - x) / (ey - y);
      for (let row = from; row < to; row += 1) {
        const column = Math.min(wide, Math.max(0, Math.ceil(x + (row + 0.5 - y) * slope - 0.5)));
        turns[row * (wide + 1) + column] ^= 1;
        if (column < west) west = column;
        if (column > east) east = column;
      }
      if (from < top) top = from;
      if (to > bottom) bottom = to;
    }
  }
  for (let row = top; row < bottom; row += 1) {
    let inside = 0;
    for (let column = west; column <= east; column += 1) {
      const turn = row * (wide + 1) + column;
      inside ^= turns[turn];
      turns[turn] = 0;
      if (inside) numbers[row * wide + column] = number;
    }
  }
  return top < bottom && west < east;
}

// How zones are drawn on the map's canvas: their class's letter where there is room, some of them lit, two states at once.

import { badge } from "./parts.js";

const L = window.L;
export const INK = "#1a1a1a";
export const UNLIT = 0.16; // how much of an unlit zone is left

export const Lettered = L.Canvas.extend({
  // Between "before" and "after" at this place across the map's box [px]; null for one state.
  split: null,

  _update() {
    // Of the view that is drawn: until a zoom ends, the map's own is ahead of it.
    if (!(this._map._animatingZoom && this._bounds)) this.origin = this._map.getPixelOrigin();
    L.Canvas.prototype._update.call(this);
  },

  _draw() {
    if (this.split === null) {
      L.Canvas.prototype._draw.call(this);
      return;
    }
    const ink = this._ctx;
    const { min, max } = this._bounds;
    const middle = this._map.containerPointToLayerPoint([this.split, 0]).x;
    for (const [state, from, to] of [["before", min.x, middle], ["after", middle, max.x]]) {
      this.state = state;
      ink.save();
      ink.beginPath();
      ink.rect(from, min.y, Math.max(0, to - from), max.y - min.y);
      ink.clip();
      L.Canvas.prototype._draw.call(this);
      ink.restore();
    }
    this.state = null;
  },

  _updatePoly(layer, closed) {
    const { options } = layer;
    const { fillColor, letter, fillOpacity } = options;
    if (this.state === "before" && options.before) Object.assign(options, options.before);
    if (options.unlit) options.fillOpacity = UNLIT;
    L.Canvas.prototype._updatePoly.call(this, layer, closed);
    if (this._drawing && options.letter && !options.unlit) this.write(options, options.letter);
    Object.assign(options, { fillColor, letter, fillOpacity });
  },

  write({ label, room }, letter) {
    const scale = 2 ** this._zoom;
    const pixels = room * scale;
    if (pixels < 10 + 5 * Math.max(0, letter.length - 1)) return;
    const [north, east] = label;
    const place = L.point(east * scale, -north * scale)._round()._subtract(this.origin);
    if (this._bounds.contains(place)) badge(this._ctx, letter, place.x, place.y, pixels < 16 ? 9 : 12);
  },

  // Everything anew, in the next frame.
  again() {
    if (this.waiting || !this._map) return;
    this.waiting = requestAnimationFrame(() => {
      this.waiting = 0;
      if (!this._map || !this._ctx) return;
      this._redrawBounds = null;
      this._redraw();
    });
  },
});

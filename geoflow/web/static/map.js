// The map: shapes come once, afterwards only letters; Leaflet moves, zooms and draws.

import { INK, Lettered } from "./drawing.js";
import { Numbered } from "./numbered.js";
import { make, pattern } from "./parts.js";

const L = window.L;
const calm = matchMedia("(prefers-reduced-motion: reduce)").matches;

export class FieldMap {
  static many = 2000; // zones from which on Leaflet is too slow to draw each

  constructor(box, verdicts, chosen) {
    this.box = box;
    this.styles = Object.fromEntries(verdicts.map((verdict) => [verdict.letter, verdict]));
    this.chosen = chosen;
    this.letters = "";
    this.zones = [];
    this.map = null;
    this.ink = document.createElement("canvas").getContext("2d");
    this.painted(Object.values(this.styles));
  }

  painted(styles) {
    for (const style of styles) style.paint ??= pattern(this.ink, style) ?? style.fill;
    return styles;
  }

  show(geometry, system) {
    this.map?.remove();
    this.letters = "";
    const shapes = readShapes(geometry);
    const many = shapes.length >= FieldMap.many;
    this.renderer = new (many ? Numbered : Lettered)({ tolerance: 4, padding: 0.2 });
    const map = (this.map = L.map(this.box, {
      crs: L.CRS.Simple,
      renderer: this.renderer,
      zoomSnap: 0.25,
      zoomDelta: 0.5,
      minZoom: -12,
      trackResize: false,
      maxZoom: 6,
      attributionControl: false,
      zoomAnimation: !calm,
      fadeAnimation: !calm,
      inertia: !calm,
    }));
    const [west, south, east, north] = geometry.bounds;
    this.bounds = L.latLngBounds([south, west], [north, east]);
    this.fit();
    map.setMaxBounds(this.bounds.pad(0.8));
    this.zones = shapes.map(({ parts, ...more }, index) => {
      const options = { weight: 0.8, color: INK, fillColor: "#ffffff", fillOpacity: 1, index, ...more };
      return many ? { parts, options, getLatLngs: () => parts, setStyle: (how) => Object.assign(options, how) } : L.polygon(parts, options);
    });
    const sides = geometry.room.filter((room) => room > 0).sort((a, b) => a - b);
    this.side = 2 * (sides[sides.length >> 1] ?? 0);
    this.stroke = null;
    this.bordered();
    if (many) {
      this.renderer.zones = this.zones;
      map.addLayer(this.renderer);
      map.on("click", ({ originalEvent, layerPoint }) => {
        const index = originalEvent.target === this.renderer._container ? this.renderer.zoneAt(layerPoint) : null;
        if (index !== null) this.chosen(index);
      });
    } else {
      const group = L.featureGroup(this.zones).addTo(map);
      group.on("click", (event) => this.chosen(event.propagatedFrom.options.index));
    }
    map.on("zoomend", () => this.bordered());
    map.on("move", () => this.renderer.split !== null && this.renderer.again());
    this.frame = L.polygon([], { weight: 7, color: "#ffffff", fill: false, interactive: false });
    this.ring = L.polygon([], { weight: 3.5, color: "#000000", fill: false, interactive: false, dashArray: "7 4" });
    this.north();
    this.units(system);
    this.follow();
  }

  fit(how = { animate: false }) {
    const room = Math.min(12, this.box.clientHeight / 8, this.box.clientWidth / 8);
    this.map.setMinZoom(-12);
    const zoom = this.map.getBoundsZoom(this.bounds, false, L.point(2 * room, 2 * room));
    this.map.fitBounds(this.bounds, { padding: [room, room], ...how });
    // Not above the zoom that was just set: the map would leave it, and no longer be where it was put.
    this.map.setMinZoom(zoom - 2);
    this.placed = { centre: this.map.getCenter(), zoom: this.map.getZoom() };
  }

  // A box that changes its size shows what it showed; until somebody moved the map, that is the whole field.
  follow() {
    this.seen?.disconnect();
    this.seen = new ResizeObserver(() => {
      if (!this.box.clientHeight || this.map === null) return;
      const whole = this.map.getZoom() === this.placed.zoom && this.map.getCenter().equals(this.placed.centre, 1e-3);
      this.map.invalidateSize({ animate: false });
      if (whole) this.fit();
    });
    this.seen.observe(this.box);
  }

  // Borders around zones of a few pixels would hide their colours.
  bordered() {
    const stroke = this.side * 2 ** this.map.getZoom() >= 8;
    if (stroke === this.stroke) return;
    this.stroke = stroke;
    this.zones.forEach((zone) => zone.setStyle({ stroke }));
  }

  colour(letters) {
    const changed = [];
    for (let index = 0; index < letters.length; index += 1) {
      if (letters[index] !== this.letters[index]) changed.push(index);
    }
    this.letters = letters;
    if (changed.length) this.fill(changed, (index) => this.styles[letters[index]]);
  }

  // A class for each zone, one letter from "0" on each, which is its place in the key.
  paint(kinds, key) {
    this.painted(key);
    this.letters = "";
    this.fill(this.zones.keys(), (index) => key[kinds.charCodeAt(index) - 48]);
  }

  fill(indices, style) {
    for (const index of indices) {
      const { options } = this.zones[index];
      options.fillColor = style(index).paint;
      options.letter = style(index).letter;
    }
    this.renderer.again();
  }

  // Only some zones keep their colours: those for which `lit` says so; all of them without it.
  light(lit = null) {
    this.zones.forEach(({ options }, index) => {
      options.unlit = lit !== null && !lit(index);
    });
    this.renderer.again();
  }

  // What is to be seen left of a place across the map [px]; null for one state all over.
  before(kinds, key) {
    this.painted(key);
    this.zones.forEach(({ options }, index) => {
      const { paint, letter } = key[kinds.charCodeAt(index) - 48];
      options.before = { fillColor: paint, letter };
    });
  }

  split(place) {
    if (!this.map) return;
    this.renderer.split = place;
    this.renderer.again();
  }

  mark(index, { move = false } = {}) {
    this.frame.remove();
    this.ring.remove();
    if (index === null) return;
    const zone = this.zones[index];
    this.frame.setLatLngs(zone.getLatLngs()).addTo(this.map).bringToFront();
    this.ring.setLatLngs(zone.getLatLngs()).addTo(this.map).bringToFront();
    if (move && !this.map.getBounds().contains(zone.options.label)) this.map.panTo(zone.options.label, { animate: !calm });
  }

  units(system) {
    this.scale?.remove();
    this.scale = L.control.scale({ imperial: system === "us", metric: system !== "us", maxWidth: 140 });
    if (this.map) this.scale.addTo(this.map);
  }

  north() {
    const control = L.control({ position: "topright" });
    control.onAdd = () => make("div", { class: "north", role: "img", "aria-label": "north is up", text: "N ↑" });
    control.addTo(this.map);
    const whole = L.control({ position: "topleft" });
    whole.onAdd = () => {
      const act = () => this.fit({ animate: !calm });
      const button = make("button", { type: "button", class: "whole", text: "All", title: "The whole field", on: { click: act } });
      button.setAttribute("aria-label", "All: show the whole field");
      L.DomEvent.disableClickPropagation(button);
      return button;
    };
    whole.addTo(this.map);
  }
}

function readShapes(geometry) {
  const { corners, perRing, perPart, perZone, labels, room } = geometry;
  let corner = 0;
  let ring = 0;
  let part = 0;
  return perZone.map((parts, zone) => {
    const shape = [];
    for (let p = 0; p < parts; p += 1, part += 1) {
      const rings = [];
      for (let r = 0; r < perPart[part]; r += 1, ring += 1) {
        const line = [];
        for (let c = 0; c < perRing[ring]; c += 1, corner += 2) line.push([corners[corner + 1] / 10, corners[corner] / 10]);
        rings.push(line);
      }
      shape.push(rings);
    }
    return { parts: shape, label: [labels[2 * zone + 1] / 10, labels[2 * zone] / 10], room: room[zone] };
  });
}

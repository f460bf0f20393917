// The desk: one work beside the map at a time; on a phone the panel is a sheet of three heights.

import { at, make } from "./parts.js";

const SHEETS = ["low", "half", "full"];
const NARROW = "(max-width: 61.99rem) and (min-height: 34rem)";
const SAID = { low: "down", half: "half up", full: "all the way up" };

export class Desk {
  constructor() {
    this.moved = () => {};
    this.meet = {};
    this.works = [...document.querySelectorAll(".work")].map((node) => ({ name: node.id.replace("work-", ""), node, tab: null }));
    for (const work of this.works) {
      const { name, node } = work;
      work.tab = make("button", { type: "button", role: "tab", id: `tab-${name}`, "aria-controls": node.id, text: node.dataset.name, on: { click: () => this.show(name) } });
      node.setAttribute("role", "tabpanel");
      node.setAttribute("aria-labelledby", work.tab.id);
      at("works").append(work.tab);
    }
    at("works").addEventListener("keydown", (event) => this.key(event));
    at("grip").addEventListener("click", () => this.dragged || this.sheet(SHEETS[(SHEETS.indexOf(this.height) + 1) % SHEETS.length]));
    at("grip").addEventListener("keydown", (event) => {
      const step = { ArrowUp: 1, ArrowDown: -1 }[event.key];
      if (!step) return;
      event.preventDefault();
      this.sheet(SHEETS[Math.min(Math.max(SHEETS.indexOf(this.height) + step, 0), 2)]);
    });
    at("grip").addEventListener("pointerdown", (event) => this.drag(event));
    const across = matchMedia(NARROW);
    const turned = () => {
      at("works").setAttribute("aria-orientation", across.matches ? "horizontal" : "vertical");
      // Where there is little room the caution stands below the work itself.
      if (across.matches) document.querySelector("footer").before(at("caution"));
      else at("files").after(at("caution"));
      const here = this.works.find((work) => work.name === this.name);
      if (here) this.inSight(here.tab);
    };
    across.addEventListener("change", turned);
    turned();
    // What scrolls by itself can be scrolled with the keyboard.
    const reach = new ResizeObserver((seen) => {
      for (const { target } of seen) {
        const box = at("said").contains(target) ? at("said") : at("panel-body");
        if (box.scrollHeight > box.clientHeight + 1) box.tabIndex = 0;
        else box.removeAttribute("tabindex");
      }
    });
    for (const node of [at("said"), at("sentence"), at("panel-body"), ...this.works.map((work) => work.node)]) reach.observe(node);
    this.sheet("low");
    this.show("day", { raise: false });
  }

  // Only this work is seen; `focus` goes to its heading's box, for what was reached from elsewhere.
  show(name, { focus = false, raise = true } = {}) {
    if (!this.works.some((work) => work.name === name)) return;
    const before = this.name;
    this.name = name;
    for (const work of this.works) {
      const mine = work.name === name;
      work.node.hidden = !mine;
      work.tab.setAttribute("aria-selected", String(mine));
      work.tab.tabIndex = mine ? 0 : -1;
      if (mine) this.inSight(work.tab);
    }
    if (before !== name) {
      at("panel-body").scrollTop = 0;
      for (const act of this.meet[name] ?? []) act();
    }
    if (raise && this.height === "low") this.sheet("half");
    if (focus) {
      const title = at(`work-${name}`).querySelector("h2") ?? at(`work-${name}`);
      title.tabIndex = -1;
      title.focus({ preventScroll: true });
    }
    this.moved();
  }

  // What is done each time a work comes to be seen.
  met(name, act) {
    (this.meet[name] ??= []).push(act);
    if (this.name === name) act();
  }

  // The row of works is moved by itself, never the page.
  inSight(tab) {
    const box = at("works");
    box.scrollLeft = Math.max(0, tab.offsetLeft - (box.clientWidth - tab.offsetWidth) / 2);
    if (tab.offsetTop < box.scrollTop) box.scrollTop = tab.offsetTop;
    box.scrollTop = Math.max(box.scrollTop, tab.offsetTop + tab.offsetHeight - box.clientHeight);
  }

  key(event) {
    const here = this.works.findIndex((work) => work.name === this.name);
    const last = this.works.length - 1;
    const to = { ArrowDown: here + 1, ArrowRight: here + 1, ArrowUp: here - 1, ArrowLeft: here - 1, Home: 0, End: last }[event.key];
    if (to === undefined) return;
    event.preventDefault();
    const { name, tab } = this.works[(to + last + 1) % (last + 1)];
    this.show(name);
    tab.focus({ preventScroll: true });
  }

  sheet(height) {
    this.height = height;
    document.body.dataset.sheet = height;
    at("panel").style.height = "";
    at("grip").setAttribute("aria-label", `The panel is ${SAID[height]}: change its height`);
    this.moved();
  }

  drag(event) {
    this.dragged = false;
    const panel = at("panel");
    const from = event.clientY;
    const high = panel.getBoundingClientRect().height;
    at("grip").setPointerCapture(event.pointerId);
    const move = ({ clientY }) => {
      if (Math.abs(clientY - from) > 8) this.dragged = true;
      if (this.dragged) panel.style.height = `${Math.max(80, Math.min(innerHeight, high + from - clientY))}px`;
    };
    const end = () => {
      at("grip").removeEventListener("pointermove", move);
      if (!this.dragged) return;
      const share = panel.getBoundingClientRect().height / innerHeight;
      this.sheet(share < 0.3 ? "low" : share < 0.7 ? "half" : "full");
      setTimeout(() => (this.dragged = false));
    };
    at("grip").addEventListener("pointermove", move);
    for (const how of ["pointerup", "pointercancel"]) at("grip").addEventListener(how, end, { once: true });
  }
}

// A point measured on ammonia, as it was read: each part by the way it was read, its numbers with their units.

import { make, options, tell } from "./parts.js";

export class Points {
  // `add` is given {orifice, values} and says what is wrong with it, or nothing; `changed` is called afterwards.
  constructor(box, pointWays, { add, remove }) {
    this.remove = remove;
    this.orifice = make("select", { id: "point-orifice", autocomplete: "off" });
    this.orificeRow = make("label", { for: "point-orifice" }, "Orifice it was read with ", this.orifice);
    this.parts = pointWays.map((one, at) => part(one, at));
    this.trouble = make("div", { class: "trouble", role: "alert", tabindex: "-1", hidden: true });
    this.list = make("ul", { id: "point-list" });
    this.none = make("p", { class: "small", text: "First answer what there is no bar without; then a point can be added." });
    this.add = make("button", { type: "button", id: "point-add", text: "Add this point" });
    this.add.addEventListener("click", async () => {
      this.add.disabled = true;
      const point = { orifice: this.orifice.value, values: Object.assign({}, ...this.parts.map((one) => one.read())) };
      const wrong = await add(point);
      this.add.disabled = false;
      tell(this.trouble, wrong);
      if (wrong) this.trouble.focus();
      else for (const one of this.parts) one.clear();
    });
    box.append(this.list, this.none, this.orificeRow, ...this.parts.map((one) => one.node), this.add, this.trouble);
  }

  look(points, sizes) {
    options(this.orifice, sizes.map(([name, size]) => [name, `${name}: ${size}`]), this.orifice.value);
    this.orificeRow.hidden = sizes.length < 2;
    this.none.hidden = sizes.length > 0;
    this.add.disabled = sizes.length === 0;
    this.list.replaceChildren(
      ...points.map((point, at) => {
        const words = `${Object.values(point.values).join(", ")} (${point.orifice}) `;
        const button = make("button", { type: "button", text: "Remove", "aria-label": `Remove the point ${words}`, on: { click: () => this.remove(at) } });
        return make("li", {}, words, button);
      }),
    );
  }
}

function part({ title, ways }, number) {
  const id = (name) => `point-${number}-${name}`;
  const way = make("select", { "aria-label": `${title}: how`, autocomplete: "off" });
  options(way, ways.map(({ words }, at) => [String(at), words]), "0");
  const fields = make("div", { class: "point-fields" });
  let read = [];
  const build = () => {
    read = [];
    const rows = ways[Number(way.value)].keys.map(({ name, units, meaning }) => {
      const unit = make("select", { "aria-label": `unit of ${name.replaceAll("_", " ")}`, autocomplete: "off" });
      options(unit, units.map((one) => [one, one]), units[0]);
      const input = make("input", { id: id(name), type: "text", inputmode: "decimal", autocomplete: "off", "aria-describedby": `${id(name)}-note` });
      read.push(() => (input.value.trim() ? { [name]: `${input.value.trim()} ${unit.value}` } : {}));
      const note = make("span", { id: `${id(name)}-note`, class: "small", text: meaning });
      return make("div", {}, make("label", { for: id(name), text: name.replaceAll("_", " ") }), make("div", { class: "answered" }, input, unit), note);
    });
    fields.replaceChildren(...rows);
  };
  way.addEventListener("change", build);
  build();
  const clear = () => fields.querySelectorAll("input").forEach((input) => (input.value = ""));
  return { node: make("fieldset", {}, make("legend", { text: title }), way, fields), read: () => Object.assign({}, ...read.map((one) => one())), clear };
}

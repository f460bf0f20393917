// The sheet for a phone: made for the answer on the screen, kept as a file, or shared with phones on this network.

import { at, complain, make, put, tell } from "./parts.js";
import { Belonging } from "./state.js";
import { ask, fetchMade, save } from "./talk.js";
import { longWork } from "./work.js";

const LOOK = 10_000; // [ms] between looks at who has come in
const STANDING = {
  open: "",
  used: "The code has let a phone in. Another phone needs a new code.",
  locked: "The code is locked: too many wrong ones were tried from this network.",
  expired: "The code is too old.",
  ended: "Sharing is ended: no phone sees anything.",
};

export class Phone {
  constructor(state, known) {
    Object.assign(this, { state, shared: null });
    this.buildSheet(known);
    this.buildShare();
    this.sheet = new Belonging(state, (current, any) => this.look(current, any));
    this.share({}).catch(() => {});
    // Phones come in by themselves; that is looked at only while it is on the screen.
    setInterval(() => {
      if (this.shared?.on && at("share-box").offsetParent) this.share({}).catch(() => {});
    }, LOOK);
  }

  buildSheet(known) {
    this.go = make("button", { type: "button", id: "phone-go", class: "main", text: "Make the sheet for the phone", on: { click: () => this.makeSheet() } });
    this.of = make("p", { id: "phone-of" });
    this.old = make("p", { class: "trouble", id: "phone-old", text: "Something else is set or loaded now. This belongs to what is named below it: make it again, or go back to that.", hidden: true });
    this.keep = make("button", { type: "button", id: "phone-save", text: "Download the sheet", on: { click: () => this.download() } });
    this.show = make("button", { type: "button", id: "phone-share", text: "Share it with phones on this network", on: { click: () => this.shareSheet() } });
    this.box = make("div", { id: "phone-made", hidden: true, tabindex: "-1" }, this.old, this.of, make("div", { class: "row" }, this.keep, this.show));
    at("phone-box").append(
      make("h3", { text: "For the phone" }),
      make("p", { class: "small", text: "One HTML file with the field card and the map: tap a zone for its rate, speed, verdict and limit. It asks nothing of any network; the phone's own position shows where the phone allows it." }),
      make("p", { class: "caution", text: known.caution }),
      make("p", { class: "reason", id: "phone-reason", text: "Load a bar and a prescription and set the plan; then the sheet can be made." }),
      this.go,
      this.box,
    );
  }

  buildShare() {
    this.none = make("p", { class: "small", text: "No phone can reach this page. To show a sheet to phones on this network, start it with geoflow page --share." });
    this.canvas = make("canvas", { id: "share-code", role: "img" });
    this.words = make("div", { id: "share-words" });
    this.renew = make("button", { type: "button", id: "share-new", text: "New code", on: { click: () => this.act({ act: "code" }) } });
    this.end = make("button", { type: "button", id: "share-end", text: "End sharing", on: { click: () => this.act({ act: "end" }) } });
    this.trouble = make("div", { class: "trouble", role: "alert", tabindex: "-1", hidden: true });
    this.open = make("div", { id: "share-open", hidden: true }, make("h3", { text: "Phones on this network" }), make("div", { class: "pair" }, this.canvas, this.words), make("div", { class: "row" }, this.renew, this.end), this.trouble);
    at("share-box").append(this.none, this.open);
  }

  look(current, any) {
    at("phone-reason").hidden = Boolean(this.state.question);
    this.go.disabled = !this.state.question;
    this.box.hidden = !any;
    this.old.hidden = current;
    this.keep.disabled = this.show.disabled = !current;
    this.show.hidden = !this.shared?.on;
  }

  async makeSheet() {
    const { question } = this.state;
    if (!question) return;
    try {
      const done = await longWork("phone", JSON.stringify(question), at("trouble"), { what: "Making the sheet for the phone" });
      if (!done) return;
      put(this.of, `${done.text} For ${done.of}. ${Math.ceil(done.bytes / 1000).toLocaleString("en")} kB.`);
      this.sheet.take(question);
      this.box.focus();
    } catch (problem) {
      complain(at("trouble"), problem);
    }
  }

  async download() {
    try {
      const made = await fetchMade("phone sheet", this.sheet.to);
      save(new Blob([made], { type: "text/html" }), "phone.html");
    } catch (problem) {
      complain(at("trouble"), problem);
    }
  }

  async shareSheet() {
    try {
      await this.share({ act: "share", of: this.sheet.to });
      tell(at("note"), "Phones that are in see this sheet now. The code and the address stand under Files.");
    } catch (problem) {
      complain(at("trouble"), problem);
    }
  }

  async act(question) {
    tell(this.trouble, "");
    try {
      await this.share(question);
    } catch (problem) {
      complain(this.trouble, problem);
    }
  }

  async share(question) {
    const said = (this.shared = await ask("shared", question));
    this.none.hidden = said.on;
    this.open.hidden = !said.on;
    this.sheet.look();
    const leaves = said.on ? "Nothing leaves this machine but the sheet that you share with phones." : "Nothing leaves this machine.";
    for (const node of document.querySelectorAll(".leaves")) put(node, leaves);
    if (!said.on) return;
    this.draw(said);
    const line = (text, how = {}) => make("p", { text, ...how });
    const phones = said.phones === 1 ? "1 phone is in." : `${said.phones} phones are in.`;
    const lines = said.code
      ? [line("Scan it, or type into the phone's browser:"), line(said.place, { class: "code" }), line("and the code, which lets one phone in:"), line(said.code, { class: "code" }), line(`It counts for ${said.minutes} more minutes.`, { class: "small" })]
      : [line(STANDING[said.standing], { class: "reason" })];
    lines.push(line(said.of ? `${phones} Shared is: ${said.of}.` : `${phones} No sheet is shared yet: make one under Field card.`));
    lines.push(line("Everyone on this network who has the code can see the sheet that is shared, its map and its card, and nothing else. Nothing can be sent or changed. The connection is not encrypted: who can listen on this network can read the sheet too.", { class: "small" }));
    // Only what is different is written, so that nothing is read aloud twice.
    const text = JSON.stringify(lines.map((node) => node.textContent));
    if (text !== this.told) this.words.replaceChildren(...lines);
    this.told = text;
  }

  // The QR code as squares with its quiet border, always dark on light.
  draw({ squares, place }) {
    this.canvas.hidden = squares.length === 0;
    if (!squares.length) return;
    const side = 6;
    const size = (squares.length + 8) * side;
    this.canvas.width = this.canvas.height = size;
    this.canvas.setAttribute("aria-label", `QR code of ${place} with the code`);
    const ink = this.canvas.getContext("2d");
    ink.fillStyle = "#ffffff";
    ink.fillRect(0, 0, size, size);
    ink.fillStyle = "#000000";
    squares.forEach((row, y) => [...row].forEach((dark, x) => dark === "1" && ink.fillRect((x + 4) * side, (y + 4) * side, side, side)));
  }
}

// What is open and set now, and what each thing on the screen belongs to.
//
// A question names what is open (the number the server gave), the units and the plan. Whatever is shown or made keeps
// the question it answers. Once that is not the question of the moment it is old: dimmed, and not to be downloaded.

export const stamp = (question) => JSON.stringify(question);

export class State {
  constructor(system) {
    Object.assign(this, { system, opened: null, plan: null, coming: "", lost: "" });
    this.things = [];
  }

  // Any of: system, opened, plan (null until it is set), coming (words for files on their way), lost (words).
  set(parts) {
    Object.assign(this, parts);
    for (const thing of this.things) thing.look();
  }

  // What can be asked now; null as long as that is nothing.
  get question() {
    if (this.opened === null || !this.plan || this.coming || this.lost) return null;
    return { opened: this.opened, system: this.system, plan: this.plan };
  }
}

// One thing on the screen. `look` is told whether it is current, and whether there is anything at all.
export class Belonging {
  constructor(state, look, question = () => state.question) {
    this.question = question;
    this.to = null;
    this.look = () => look(this.current, this.to !== null);
    state.things.push(this);
  }

  take(question) {
    this.to = question;
    this.look();
  }

  drop() {
    this.take(null);
  }

  isOf(question) {
    return this.to !== null && question !== null && stamp(this.to) === stamp(question);
  }

  get current() {
    return this.isOf(this.question());
  }
}

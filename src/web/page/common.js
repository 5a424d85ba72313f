// What both pages share: the stop, light and dark, units, and how the connection is shown.

import { Link, order } from "./link.js";
import { Picture } from "./picture.js";
import { units, state } from "./words.js";

export const byId = (id) => document.getElementById(id);

/** Text of an element, touched only when it changes: a screen reader is told nothing twice. */
export function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

const kept = (name) => { try { return localStorage.getItem(name); } catch { return null; } };
const keep = (name, value) => { try { localStorage.setItem(name, value); } catch { /* private window */ } };

export function typing(event) {
  const at = event.target;
  return at instanceof HTMLInputElement || at instanceof HTMLTextAreaElement || at instanceof HTMLSelectElement;
}

/** Everything a page has: the picture, its link, whose name stops go by. */
export class Page {
  constructor({ width, face, who }) {
    this.picture = new Picture();
    this.who = who;
    this.changed = () => {};
    this.link = new Link({
      width,
      window: 24,
      face,
      update: (message) => { this.picture.apply(message); this.changed(message.type); },
      samples: (frame) => this.picture.samples(frame),
      alive: (lost) => this.#alive(lost),
    });
    this.#look(kept("ramprig-look") ?? (matchMedia("(prefers-color-scheme: light)").matches ? "light" : "dark"));
    units.choose(kept("ramprig-units") ?? "si");
    byId("stop").addEventListener("click", () => this.stop());
    document.addEventListener("keydown", (event) => this.#key(event));
    byId("token-box").addEventListener("submit", (event) => {
      event.preventDefault();
      this.#token();
    });
  }

  #alive(lost) {
    this.lost = lost !== null;
    this.head();
    document.documentElement.dataset.lost = lost ? "yes" : "no";
    say(byId("connection"), lost ?? "connected");
    byId("token-box").hidden = !this.link.refused;
  }

  #token() {
    this.link.useToken(byId("token").value.trim());
    byId("token").value = "";
  }

  #look(look) {
    this.look = look;
    document.documentElement.dataset.look = look;
    keep("ramprig-look", look);
  }

  /** Keys of both pages; others go on to the page's own. Letters are never a clicker's. */
  #key(event) {
    if (event.ctrlKey || event.altKey || event.metaKey || event.repeat || typing(event)) return;
    const key = event.key.toLowerCase();
    if (key === "s") this.stop();
    else if (key === "l") this.#look(this.look === "dark" ? "light" : "dark");
    else if (key === "u") {
      const next = units.now === "si" ? "us" : "si";
      units.choose(next);
      keep("ramprig-units", next);
      this.changed("units");
    } else this.pressed?.(key, event);
  }

  async stop() {
    const said = byId("stop-said");
    say(said, "stop ordered");
    try {
      const report = await order("stop", { by: this.who() });
      say(said, report.text);
    } catch (error) {
      say(said, `STOP NOT SENT: ${error.message}. Use the emergency stop.`);
    }
  }

  /** Name, badge and state of the rig in words. */
  head() {
    const now = this.picture.state;
    if (!now) return;
    say(byId("rig"), now.rig_name);
    byId("virtual").hidden = !now.is_virtual;
    // What was so when the connection broke may be otherwise by now.
    const { words, kind } = this.lost ? { words: "NOT KNOWN NOW", kind: "danger" } : state(now);
    say(byId("state"), words);
    byId("state").dataset.kind = kind;
    const holder = now.controller;
    const note = now.controls_note ? `; ${now.controls_note}` : "";
    say(byId("controller"), `Controls: ${holder ? `${holder.name}, ${holder.from}` : "nobody"}${note}`);
    byId("controller").dataset.silent = holder && note ? "yes" : "no";
  }
}

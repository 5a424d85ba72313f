// The desk of whoever leads: the controls, the run, the question that waits, the notes.

import { Page, byId, say } from "./common.js";
import { farewell, look, order } from "./link.js";
import { ready } from "./readiness.js";
import { pressure, progress, rpm, starterKind, units } from "./words.js";

const KEEP_MS = 4000;
const LOG_SHOWN = 60;
/** Keys of a presentation clicker, and those by which a button is pressed without a pointer: nothing moves by them. */
const CLICKER = new Set([" ", "Enter", "ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown", "PageUp", "PageDown"]);
const LEVELS = { note: "", notice: "NOTICE ", caution: "CAUTION ", warning: "WARNING ", danger: "DANGER " };

const face = `desk ${Array.from(crypto.getRandomValues(new Uint8Array(8)), (byte) => byte.toString(16).padStart(2, "0")).join("")}`;
const page = new Page({ width: 64, face, who: () => byId("name").value.trim() || "the desk" });
const { picture } = page;
const hall = new BroadcastChannel("ramprig-hall");
let key = null;
let rig = null;

function answer(text) {
  say(byId("answer"), text);
}

/** An order that needs the controls; its refusal in the daemon's words. */
async function ordered(path, body, done) {
  if (!key) {
    answer("Take the controls first.");
    return;
  }
  try {
    await order(path, body, key);
    answer(done);
  } catch (error) {
    answer(error.message);
  }
}

async function take() {
  try {
    const grant = await order("control/take", { name: byId("name").value });
    key = grant.key;
    answer(`${grant.name} holds the controls.`);
  } catch (error) {
    answer(error.message);
  }
  write();
}

async function give() {
  if (key) await ordered("control/give", undefined, "The controls are given back.");
  key = null;
  write();
}

let kept = 0;

/** A sign of life, on the beat of what comes from the daemon: a page in the background keeps no time of its own. */
async function keep() {
  if (!key || performance.now() - kept < KEEP_MS) return;
  kept = performance.now();
  try {
    await order("control/keep", undefined, key);
  } catch (error) {
    if (error.message.includes("no answer")) return;
    key = null;
    answer("The controls are no longer held here.");
    write();
  }
}

const start = () => ordered("run", { sequence: byId("sequence").value, starter: byId("starter").value, face }, "Run ordered.");

function again(fromCycle) {
  const run = picture.state?.run;
  if (!run) return;
  const known = rig?.sequences.find((sequence) => sequence.id === run.sequence);
  if (!known) {
    answer("The last run's sequence is not one of the rig's own.");
    return;
  }
  ordered("run", { sequence: known.id, starter: run.starter, face, from_cycle: fromCycle }, "Run ordered.");
}

/** Cycle at which an aborted run is taken up again. */
function resumable() {
  const run = picture.state?.run;
  if (!run?.end?.aborted || run.end.refused || !run.progress) return null;
  const cycle = run.end.cycles + 1;
  return cycle <= run.progress.cycles ? cycle : null;
}

function confirmQuestion() {
  const question = picture.state?.run?.question;
  if (question) ordered("confirm", { question: question[0] }, "Confirmed.");
}

function putDown() {
  const value = Number(byId("guess").value.trim().replace(",", "."));
  if (byId("guess").value.trim() === "" || !Number.isFinite(value)) {
    answer("A guess is a number.");
    return;
  }
  ordered("guess", { value_pa: value / units.table.pressure.by }, "Written down.");
}

const skip = () => {
  const step = picture.state?.run?.progress?.step_number;
  if (step) ordered("skip", { step }, "Ordered to pass over.");
};

const ACTS = { take, give, start, repeat: () => again(undefined), resume: () => again(resumable() ?? undefined), confirm: confirmQuestion, skip, "put-down": putDown };
for (const [id, act] of Object.entries(ACTS)) byId(id).addEventListener("click", act);
for (const button of document.querySelectorAll(".moves")) {
  for (const type of ["keydown", "keyup"]) {
    button.addEventListener(type, (event) => {
      if (!CLICKER.has(event.key)) return;
      event.preventDefault();
      if (type === "keydown") answer("Start and confirm answer to their letters and the pointer alone.");
    });
  }
}
for (const button of document.querySelectorAll("[data-show]")) {
  button.addEventListener("click", () => hall.postMessage(button.dataset.show));
}
const LETTERS = { t: "take", b: "give", g: "start", c: "confirm", k: "skip" };
page.pressed = (letter) => {
  const id = LETTERS[letter];
  if (id && !byId(id).disabled) ACTS[id]();
};

function options(select, items) {
  const chosen = select.value;
  select.replaceChildren(...items.map(([value, text]) => new Option(text, value, false, value === chosen)));
}

async function loadRig() {
  try {
    rig = await look("rig");
    options(byId("sequence"), rig.sequences.map(({ id, name }) => [id, name]));
    about();
  } catch { /* asked again with the next snapshot */ }
}

function about() {
  say(byId("about"), rig?.sequences.find(({ id }) => id === byId("sequence").value)?.about ?? "");
  write();
}
byId("sequence").addEventListener("change", about);

page.changed = (type) => {
  if (type === "snapshot") {
    loadRig();
    options(byId("starter"), picture.state.starters.map(({ id, kind }) => [id, `${id}: ${starterKind(kind)}`]));
  }
  page.head();
  write();
  keep();
  if (type === "log" || type === "snapshot") writeLog();
};

const yesNo = (value, yes, no) => (value === null ? "not said" : value ? yes : no);

function write() {
  const { state } = picture;
  if (!state) return;
  const run = state.run;
  const on = state.activity !== "idle";
  const mine = key !== null;
  byId("take").disabled = mine || state.controller !== null;
  byId("give").disabled = !mine;
  byId("start").disabled = !mine || on;
  byId("repeat").disabled = !mine || on || !run;
  const cycle = resumable();
  byId("resume").disabled = !mine || on || cycle === null;
  say(byId("resume"), cycle === null ? "Resume" : `Resume at cycle ${cycle}`);
  const question = run?.question ?? null;
  say(byId("question"), question ? question[1] : "Nothing waits.");
  byId("confirm").disabled = !mine || !question;
  byId("put-down").disabled = !mine;
  byId("skip").disabled = !mine || !(run?.progress?.may_be_skipped && !run.end);
  say(byId("progress"), progress(state) || "No run is on.");
  const next = run?.progress?.next;
  say(byId("next"), run && !run.end ? `Next: ${next ?? "the end"}` : "");
  say(byId("notes"), (run && !run.end && run.progress?.notes) || "None for this step.");
  say(byId("said"), run?.said ?? "");
  byId("said-box").hidden = !run?.said;
  say(byId("guess-unit"), units.table.pressure.unit);
  say(byId("guessed"), state.guess ? `written down: ${pressure(state.guess.value_pa)}` : "");
  say(byId("speed"), rpm(picture.value(picture.channelOf("rad/s"))));
  say(byId("pressure"), pressure(picture.value(picture.headline)));
  say(byId("starters-now"), state.starters.map(({ id, running, fault, link }) => {
    if (link !== "Up") return `${id}: link down`;
    return `${id}: ${yesNo(running, "on", "off")}${fault ? `, fault ${fault}` : ""}`;
  }).join("; "));
  ready(state, rig, byId("sequence").value);
}

function writeLog() {
  const lines = picture.log.slice(-LOG_SHOWN).reverse().map((event) => {
    const item = document.createElement("li");
    item.textContent = `${event.at_s.toFixed(1)} s: ${LEVELS[event.level] ?? ""}${event.text}`;
    return item;
  });
  byId("log").replaceChildren(...lines);
}

addEventListener("pagehide", () => { if (key) farewell("control/give", key); });

// For the tests.
window.ramprig = { page, picture, get key() { return key; } };

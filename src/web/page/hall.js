// The page for the hall: large, to be read from the back row. It sees and orders nothing, but a stop.

import { Chart } from "./chart.js";
import { Page, byId, say } from "./common.js";
import { Elevation } from "./elevation.js";
import { look } from "./link.js";
import { Starters } from "./starters.js";
import { amps, chartUnit, head, pressure, progress, rpm } from "./words.js";

const VIEWS = ["trace", "elevation", "starters"];
/** What is drawn stays behind the newest sample by this much, so that it moves evenly. */
const BEHIND_S = 0.06;
const WORDS_EVERY_MS = 2000;

const page = new Page({ width: Math.max(320, Math.min(2000, byId("stage").clientWidth || 800)), who: () => "the page for the hall" });
const { picture } = page;
const chart = new Chart(byId("trace-canvas"));
const elevation = new Elevation(byId("elevation-canvas"));
const starters = new Starters(byId("starters-canvas"), byId("starters-table"));
let view = "trace";
let shown = 0;
let last = performance.now();
let worded = 0;
let ended = null;
let before = null;

function show(wanted) {
  view = wanted;
  for (const name of VIEWS) {
    byId(name).hidden = name !== wanted;
    byId(`show-${name}`).setAttribute("aria-pressed", String(name === wanted));
  }
  if (wanted === "starters") starters.refresh().then(() => { byId("starters-none").hidden = starters.overlays.length > 0; });
}
for (const name of VIEWS) byId(`show-${name}`).addEventListener("click", () => show(name));
page.pressed = (key) => {
  const wanted = VIEWS[Number(key) - 1];
  if (wanted) show(wanted);
};

// The desk beside it, in the same browser, may say what the hall sees.
new BroadcastChannel("ramprig-hall").onmessage = (event) => { if (VIEWS.includes(event.data)) show(event.data); };

async function loadRig() {
  try {
    elevation.load(await look("rig"));
  } catch { /* the connection's own line says so; asked again with the next snapshot */ }
}

page.changed = (type) => {
  if (type === "snapshot" && elevation.rig?.id !== picture.state.rig_id) loadRig();
  page.head();
  write();
  const run = picture.state.run;
  if (run && run.number !== before) {
    if (before !== null && !run.end) show("trace");
    before = run.number;
  }
  if (run?.end && ended !== run.number && picture.state.activity === "idle") {
    ended = run.number;
    starters.refresh().then(() => {
      byId("starters-none").hidden = starters.overlays.length > 0;
      if (starters.names.length > 1 && view === "trace") show("starters");
    });
  }
};

/** Everything that is words. */
function write() {
  const { state } = picture;
  const run = state.run;
  const asked = run?.asked && !run.end ? run.asked : null;
  const waits = run?.question && !run.for_audience ? `To confirm at the rig: ${run.question[1]}` : null;
  const said = asked ?? waits ?? (run?.end ? null : run?.said) ?? "";
  say(byId("said"), said);
  byId("said").dataset.long = said.length > 64 ? "yes" : "no";
  say(byId("progress"), progress(state));
  const channel = state.channels[picture.headline];
  const caution = channel?.calibration_caution;
  say(byId("channel"), channel ? `${channel.label}${caution ? `. CAUTION ${caution}` : ""}` : "");
  byId("guess-row").hidden = !state.guess;
  byId("legend-guess").hidden = !state.guess;
  if (state.guess) say(byId("guess"), pressure(state.guess.value_pa));
  const foretold = picture.predictedHighest(picture.cycle, picture.headline);
  say(byId("predicted"), foretold ? pressure(foretold.value) : "--");
  say(byId("between"), foretold?.upper != null ? `band ${chart1(foretold.lower)} to ${pressure(foretold.upper)}` : "");
}

const chart1 = (pa) => { const { by, digits } = chartUnit("Pa"); return (pa * by).toFixed(digits); };

function figures() {
  const gauge = picture.value(picture.headline);
  say(byId("speed"), rpm(picture.value(picture.channelOf("rad/s"))));
  say(byId("pressure"), pressure(gauge));
  say(byId("head"), `${head(gauge === null || !elevation.rig ? null : gauge / elevation.rig.pa_per_m)} head`);
  say(byId("current"), amps(picture.value(picture.channelOf("A"))));
  say(byId("highest"), Number.isFinite(picture.highest) ? pressure(picture.highest) : "--");
}

/** The drawings in words, for whoever does not see them; seldom, since they are read aloud when asked for. */
function inWords() {
  const text = [`newest ${pressure(picture.value(picture.headline))}`, `highest since the start ${byId("highest").textContent}`,
    `predicted highest ${byId("predicted").textContent}`].join("; ");
  say(byId("trace-words"), text);
  say(byId("elevation-words"), elevation.words);
}

function frame(now) {
  const passed = Math.min(0.2, (now - last) / 1000);
  last = now;
  const wanted = picture.newest - BEHIND_S;
  shown = Math.abs(wanted - shown) > 1 ? wanted : shown + passed + 0.08 * (wanted - shown - passed);
  if (picture.state && picture.traces.length) {
    figures();
    if (view === "trace") chart.draw(picture, picture.headline, shown);
    else if (view === "elevation") elevation.draw(picture, passed);
    else starters.draw();
    if (now - worded > WORDS_EVERY_MS) {
      worded = now;
      inWords();
    }
  }
  requestAnimationFrame(frame);
}
requestAnimationFrame(frame);

// For the tests: what is drawn, in numbers.
window.ramprig = { page, picture, chart, elevation, starters, get shown() { return shown; }, get view() { return view; } };

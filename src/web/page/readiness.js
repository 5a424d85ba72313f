// Before a start, at the desk: what it needs and how that stands, the line-up valve by valve, what will be asked, the warnings.
// Texts are changed in place, so that whoever reads with a screen reader keeps their place.

import { byId, say } from "./common.js";
import { chartUnit, fixed, length } from "./words.js";

const SIGNS = { yes: "ok", no: "NO", unknown: "not known" };
const holds = ({ holds: does }) => (does === true ? "yes" : does === false ? "no" : "unknown");

/** A measured value and its limits, in the units of a person. */
function reading({ value, low, high, unit: si }) {
  const { by, unit, digits } = chartUnit(si);
  const number = (of) => (of === null ? "--" : fixed(of * by, digits));
  let needs = "a value";
  if (low !== null && high !== null) needs = `${number(low)} to ${number(high)} ${unit}`;
  else if (high !== null) needs = `at most ${number(high)} ${unit}`;
  else if (low !== null) needs = `at least ${number(low)} ${unit}`;
  return { found: `${number(value)} ${unit} (${needs})`, needs };
}

function words(one) {
  const { found, needs } = one.reading ? reading(one.reading) : one;
  return one.holds === true ? `${one.what}: ${found}` : `${one.what}: ${found}; needs: ${needs}`;
}

/** As many items as there are texts; each says its own. */
function list(element, texts, make = () => document.createElement("li")) {
  while (element.children.length > texts.length) element.lastElementChild.remove();
  while (element.children.length < texts.length) element.append(make());
  texts.forEach((text, index) => say(element.children[index].lastElementChild ?? element.children[index], text));
}

function need() {
  const item = document.createElement("li");
  item.append(document.createElement("b"), " ", document.createElement("span"));
  return item;
}

function needed(state) {
  const all = state.readiness;
  list(byId("needs"), all.map(words), need);
  all.forEach((one, index) => {
    const item = byId("needs").children[index];
    item.dataset.holds = holds(one);
    say(item.firstElementChild, SIGNS[holds(one)]);
  });
  const missing = all.filter((one) => one.holds !== true).map((one) => one.what);
  const brief = missing.length ? `${missing.length} missing: ${missing.join(", ")}` : all.length ? "all there" : "not told";
  say(byId("needed"), `Needed for a start: ${brief}`);
  byId("needed").dataset.holds = missing.length ? "no" : "yes";
}

const opened = (share) => (share <= 0 ? "shut" : share >= 1 ? "open" : `${Math.round(share * 100)} % open`);

function lineUp(state, rig) {
  const stands = rig.line_ups.find(({ id }) => id === state.line_up);
  const shown = stands ?? rig.line_ups[0];
  say(byId("line-up-name"), shown ? `${shown.id} (${stands ? "stands so" : "not read back: look at the valves"})` : "The rig has none.");
  const rows = (shown?.valves ?? []).map(([element, share]) => [rig.elements[element]?.name ?? "?", opened(share)])
    .concat((shown?.levels ?? []).map(([node, level]) => [rig.nodes[node]?.name ?? "?", `level ${length(level)}`]));
  const body = byId("line-up");
  while (body.rows.length > rows.length) body.deleteRow(-1);
  while (body.rows.length < rows.length) {
    const head = document.createElement("th");
    head.scope = "row";
    body.insertRow().append(head, document.createElement("td"));
  }
  rows.forEach(([name, how], index) => {
    say(body.rows[index].cells[0], name);
    say(body.rows[index].cells[1], how);
  });
}

/** Everything that is to be looked at before a start of the chosen sequence. */
export function ready(state, rig, sequence) {
  needed(state);
  if (rig) {
    lineUp(state, rig);
    list(byId("confirms"), rig.sequences.find(({ id }) => id === sequence)?.confirms ?? []);
    byId("confirms-none").hidden = byId("confirms").children.length > 0;
  }
  const cautions = state.channels.filter((channel) => channel.calibration_caution)
    .map((channel) => `CAUTION ${channel.id}: ${channel.calibration_caution}`);
  list(byId("warnings"), cautions.concat(state.warnings));
  byId("warnings-none").hidden = byId("warnings").children.length > 0;
}

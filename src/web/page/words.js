// Numbers in the units that people read, and states in words.

const PA_PER_PSI = 6894.757293168;
const M_PER_FT = 0.3048;
const M3_S_PER_GPM = 6.30902e-5;
const W_PER_HP = 745.6999;

const SI = {
  pressure: { by: 1e-5, unit: "bar", digits: 2 },
  head: { by: 1, unit: "m", digits: 1 },
  length: { by: 1, unit: "m", digits: 1 },
  flow: { by: 3600, unit: "m3/h", digits: 1 },
  power: { by: 1e-3, unit: "kW", digits: 2 },
};
const US = {
  pressure: { by: 1 / PA_PER_PSI, unit: "psi", digits: 1 },
  head: { by: 1 / M_PER_FT, unit: "ft", digits: 0 },
  length: { by: 1 / M_PER_FT, unit: "ft", digits: 1 },
  flow: { by: 1 / M3_S_PER_GPM, unit: "gpm", digits: 1 },
  power: { by: 1 / W_PER_HP, unit: "hp", digits: 2 },
};

export const units = {
  now: "si",
  choose(word) { this.now = word === "us" ? "us" : "si"; },
  get table() { return this.now === "us" ? US : SI; },
};

/** Without a minus before nothing. */
export const fixed = (value, digits) => value.toFixed(digits).replace(/^-(0(\.0*)?)$/, "$1");

const shown = (value, { by, unit, digits }) => (value === null || value === undefined || !Number.isFinite(value)
  ? `-- ${unit}` : `${fixed(value * by, digits)} ${unit}`);

export const pressure = (pa) => shown(pa, units.table.pressure);
export const head = (m) => shown(m, units.table.head);
export const length = (m) => shown(m, units.table.length);
export const rpm = (rad) => (rad === null ? "-- rpm" : `${Math.round((rad * 60) / (2 * Math.PI))} rpm`);
export const amps = (a) => (a === null ? "-- A" : `${a.toFixed(1)} A`);

/** Factor and unit of a channel's chart. */
export function chartUnit(si) {
  if (si === "Pa" || si === "Pa difference") return units.table.pressure;
  if (si === "rad/s") return { by: 60 / (2 * Math.PI), unit: "rpm", digits: 0 };
  if (si === "m3/s") return units.table.flow;
  if (si === "W") return units.table.power;
  if (si === "1") return { by: 1, unit: "", digits: 2 };
  return { by: 1, unit: si, digits: 1 };
}

const STARTERS = {
  "across-the-line": "across the line",
  "soft-starter": "soft starter",
  "variable-speed": "variable-speed drive",
};
export const starterKind = (kind) => STARTERS[kind] ?? kind;

/** The rig's state in words; `kind` only repeats it as a colour (IEC 60073). */
export function state(now) {
  if (now.emergency_stop_ok === false) return { words: "EMERGENCY STOP is open", kind: "danger" };
  if (now.remote === false) return { words: "LOCAL: the rig is switched to its own panel", kind: "notice" };
  const stop = now.run?.stop;
  switch (now.activity) {
    case "running": return inARun(now);
    case "stopping": return { words: "Stopping: watch for stop confirmed", kind: "notice" };
    case "closing": return { words: `${stopWords(stop)}. Closing the recording`, kind: stopKind(stop) };
    case "shutting-down": return { words: "The program is shutting down", kind: "notice" };
    default: break;
  }
  if (now.samples_lost) return { words: "No run is on. NO SAMPLES", kind: "notice" };
  const end = now.run?.end;
  if (!end) return { words: restWords(now), kind: "rest" };
  if (end.refused) return { words: `Refused: ${end.aborted}`, kind: "notice" };
  const how = end.aborted ? `Ended early: ${end.aborted}` : "All steps done";
  return { words: `${how}. ${stopWords(end.stop)}`, kind: stopKind(end.stop) };
}

export function stopWords(stop) {
  if (stop === "confirmed") return "Stop confirmed";
  if (stop === "inferred") return "Stop inferred from status only: look at the motor";
  if (stop === "NOT confirmed") return "Stop NOT confirmed: use the emergency stop";
  return "No stop yet";
}

/** A run is on; green only while a motor is. */
function inARun(now) {
  const says = (on) => (starter) => starter.running === on;
  if (now.starters.some(says(true))) return { words: `Running: ${stepWords(now)}`, kind: "running" };
  if (now.starters.every(says(false))) return { words: `Run on, motor off: ${stepWords(now)}`, kind: "notice" };
  return { words: `Run on: ${stepWords(now)}`, kind: "notice" };
}

/** Somebody else may have started the motor. */
function restWords(now) {
  const on = now.starters.filter((starter) => starter.running === true).map((starter) => starter.id);
  return on.length ? `No run is on, but ${on.join(", ")} is ON` : "No run is on";
}

const stopKind = (stop) => (stop === "confirmed" ? "rest" : stop ? "danger" : "rest");

function stepWords(now) {
  const step = now.run?.progress;
  if (now.run?.question) return "waits for an answer";
  return step ? step.step : "getting ready";
}

/** Where the run stands. */
export function progress(now) {
  const run = now.run;
  const step = run?.progress;
  if (!step || run.end) return "";
  const of = step.step_s === null || step.in_step_s > step.step_s ? "" : ` of ${step.step_s.toFixed(1)}`;
  const cycle = step.cycle === 0 ? "before the first start" : `cycle ${step.cycle} of ${step.cycles}`;
  return `${run.starter} · ${cycle} · step ${step.step_number} of ${step.steps}: ${step.step}, ${step.in_step_s.toFixed(1)}${of} s`;
}

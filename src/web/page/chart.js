// The live chart: a whole cycle on one axis, counted from the start. The predicted trace and its band lie there before the
// start; the measured trace grows over them. Line kinds tell them apart as well as colours do.

import { chartUnit } from "./words.js";

const LEAD_S = 2;
const LONGEST_S = 90;
const IDLE_S = 20;
const LEAST_PA = 0.5e5;

const style = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

export function colours() {
  return {
    ground: style("--ground"), text: style("--text"), faint: style("--faint"), measured: style("--measured"),
    predicted: style("--predicted"), band: style("--band"), guess: style("--guess"), water: style("--water"),
    second: style("--second"), third: style("--third"),
  };
}

/** A canvas as sharp as the screen is, and its size in CSS points. */
export function sheet(canvas) {
  const ratio = window.devicePixelRatio || 1;
  const { clientWidth: width, clientHeight: height } = canvas;
  if (width === 0 || height === 0) return null;
  if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
  }
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.clearRect(0, 0, width, height);
  return { pen, width, height, size: Math.max(15, Math.min(26, width / 34)) };
}

/** Steps of 1, 2 or 5 so that about `count` fit. */
export function steps(low, high, count) {
  const raw = (high - low) / count;
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((factor) => factor * power).find((candidate) => candidate >= raw) ?? raw;
  const marks = [];
  for (let value = Math.ceil(low / step) * step; value <= high + step * 1e-6; value += step) marks.push(value);
  return { marks, digits: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
}

/** Axes of a chart; gives back how values become points. */
export function axes({ pen, width, height, size }, { from, to, low, high, unit, along }, colour) {
  const left = size * 3.1, right = width - size * 0.6, top = size * 1.5, bottom = height - size * 1.7;
  const x = (time) => left + ((time - from) / (to - from)) * (right - left);
  const y = (value) => bottom - ((value - low) / (high - low)) * (bottom - top);
  pen.font = `${size}px system-ui, sans-serif`;
  pen.lineWidth = 1;
  const ups = steps(low, high, Math.max(3, Math.round((bottom - top) / (size * 3))));
  pen.textAlign = "right";
  pen.textBaseline = "middle";
  for (const mark of ups.marks) {
    pen.strokeStyle = colour.faint;
    pen.beginPath();
    pen.moveTo(left, y(mark));
    pen.lineTo(right, y(mark));
    pen.stroke();
    pen.fillStyle = colour.text;
    pen.fillText(mark.toFixed(ups.digits), left - size * 0.35, y(mark));
  }
  const overs = steps(from, to, Math.max(3, Math.round((right - left) / (size * 5))));
  pen.textAlign = "center";
  pen.textBaseline = "top";
  for (const mark of overs.marks) {
    const words = mark.toFixed(overs.digits);
    if (x(mark) + pen.measureText(words).width / 2 > right - pen.measureText(along).width - size * 0.5) continue;
    pen.fillText(words, x(mark), bottom + size * 0.3);
  }
  pen.textAlign = "right";
  pen.fillText(along, right, bottom + size * 0.3);
  pen.textAlign = "left";
  pen.fillText(unit, size * 0.2, size * 0.1);
  return { x, y, left, right, top, bottom };
}

/** A cycle's axis, as far as it is known: predicted lengths, marks, and what is drawn where. */
function cycleOf(picture) {
  const run = picture.state?.run;
  const start = picture.piece(picture.cycle, "start");
  if (!run || !start || !start.series.length) return null;
  const lasts = (piece) => piece.t0_s + piece.dt_s * (piece.series[0]?.length ?? 0);
  const stop = picture.piece(picture.cycle, "stop");
  const known = picture.cycleMarks() ?? {};
  const predictedStop = lasts(start);
  const begun = known.start ?? (known.stop === undefined ? null : known.stop - predictedStop);
  const stopAt = known.stop !== undefined ? known.stop - begun : predictedStop;
  const end = stopAt + (stop ? lasts(stop) : 0);
  const now = begun === null ? 0 : picture.newest - begun;
  const over = Boolean(run.end);
  let to = over ? end : Math.max(end, now) + 0.5;
  let from = -LEAD_S;
  if (to - from > LONGEST_S) {
    to = Math.min(to, Math.max(now + LONGEST_S / 3, LONGEST_S));
    from = to - LONGEST_S;
  }
  return { start, stop, begun, stopAt, stopKnown: known.stop !== undefined, from, to, zero: begun ?? picture.newest };
}

function line(pen, points, dash, wide, colour) {
  pen.strokeStyle = colour;
  pen.lineWidth = wide;
  pen.setLineDash(dash);
  pen.lineJoin = "round";
  pen.beginPath();
  let down = false;
  for (const [x, y] of points) {
    if (!Number.isFinite(y)) { down = false; continue; }
    if (down) pen.lineTo(x, y); else pen.moveTo(x, y);
    down = true;
  }
  pen.stroke();
  pen.setLineDash([]);
}

function* pieceValues(piece, series, offset, until) {
  if (!series) return;
  // What a stop's piece says of the time before the stop is the start's to say.
  const from = piece.phase === "stop" ? 0 : -Infinity;
  for (let index = 0; index < series.length; index += 1) {
    const time = piece.t0_s + index * piece.dt_s;
    if (time >= from && time <= until) yield [offset + time, series[index]];
  }
}

/** Intervals of the stream between two rig times. */
function* spans(picture, channel, from, to) {
  const trace = picture.traces[channel];
  if (!trace || picture.first === null) return;
  const width = picture.width;
  const begin = Math.max(0, Math.floor(from / width) - picture.first);
  const end = Math.min(trace.least.length, Math.ceil(to / width) - picture.first);
  for (let index = begin; index < end; index += 1) yield [(picture.first + index + 0.5) * width, trace.least[index], trace.most[index]];
}

export class Chart {
  constructor(canvas) {
    this.canvas = canvas;
    this.scale = null;
  }

  draw(picture, channel, shownNow) {
    const on = sheet(this.canvas);
    const view = picture.state?.channels[channel];
    if (!on || !view) return;
    const colour = colours();
    const { by, unit } = chartUnit(view.unit);
    const cycle = cycleOf(picture);
    const zero = cycle ? cycle.zero : picture.newest;
    const from = cycle ? cycle.from : -IDLE_S;
    const to = cycle ? cycle.to : 0.5;
    const pieces = cycle ? [[cycle.start, 0], [cycle.stop, cycle.stopAt]].filter(([piece]) => piece) : [];
    const until = Math.min(zero + to, shownNow);
    const ends = this.#ends(picture, channel, pieces, zero + from, until, by);
    const place = axes(on, { from, to, ...ends, unit, along: cycle ? "s from the start" : "s" }, colour);
    const { pen, size } = on;
    pen.save();
    pen.beginPath();
    pen.rect(place.left, place.top, place.right - place.left, place.bottom - place.top);
    pen.clip();
    if (cycle) this.#moments(on, place, cycle, colour);
    for (const [piece, offset] of pieces) {
      // A stop that came sooner than predicted ends what was predicted of the running.
      const until = piece === cycle.start && cycle.stopKnown ? cycle.stopAt : Infinity;
      this.#foretold(on, place, piece, { offset, until }, channel, by, colour);
    }
    this.#guess(on, place, picture, channel, by, colour);
    this.#measured(on, place, picture, channel, zero, from, until, by, colour);
    pen.restore();
    this.drawn = { cycle: cycle !== null, predicted: pieces.length > 0, zero, from, to, size };
  }

  /** Ends of the upright axis; they only ever widen within a cycle, so that nothing jumps. */
  #ends(picture, channel, pieces, fromS, toS, by) {
    let low = Infinity, high = -Infinity;
    const take = (value) => {
      if (!Number.isFinite(value)) return;
      low = Math.min(low, value * by);
      high = Math.max(high, value * by);
    };
    for (const [piece] of pieces) {
      for (const which of [piece.series, piece.lower, piece.upper]) which[channel]?.forEach(take);
    }
    for (const [, least, most] of spans(picture, channel, fromS, toS)) { take(least); take(most); }
    const guess = picture.state.guess;
    if (guess && channel === picture.headline) take(guess.value_pa);
    if (low > high) { low = 0; high = 1; }
    const least = picture.state.channels[channel].unit.startsWith("Pa") ? LEAST_PA * by : 0;
    // Noise at rest is not blown up to fill the chart.
    const margin = Math.max(0.08 * (high - low), (least - (high - low)) / 2, 0.02);
    const key = `${picture.state.run?.number} ${channel} ${by} ${pieces.length}`;
    const wanted = { low: low - margin, high: high + margin };
    if (pieces.length && this.scale?.key === key) {
      wanted.low = Math.min(wanted.low, this.scale.low);
      wanted.high = Math.max(wanted.high, this.scale.high);
    }
    this.scale = { key, ...wanted };
    return wanted;
  }

  /** Upright lines at the start and the stop, with their names. */
  #moments({ pen, size }, { x, top, bottom, right }, cycle, colour) {
    const stopWords = cycle.stopKnown ? "stop" : "stop, to come";
    pen.fillStyle = colour.text;
    pen.textBaseline = "bottom";
    pen.textAlign = "left";
    for (const [at, words] of [[0, cycle.begun === null ? "start, to come" : "start"], [cycle.stopAt, stopWords]]) {
      line(pen, [[x(at), top], [x(at), bottom]], [2, 5], 2, colour.text);
      const fits = x(at) + size * 0.3 + pen.measureText(words).width < right;
      pen.textAlign = fits ? "left" : "right";
      pen.fillText(words, x(at) + size * (fits ? 0.3 : -0.3), bottom - size * 0.2);
    }
  }

  #foretold({ pen }, { x, y }, piece, { offset, until }, channel, by, colour) {
    const upper = [...pieceValues(piece, piece.upper[channel], offset, until)];
    const lower = [...pieceValues(piece, piece.lower[channel], offset, until)];
    if (upper.length && upper.length === lower.length) {
      pen.fillStyle = colour.band;
      pen.beginPath();
      upper.forEach(([time, value], index) => (index ? pen.lineTo(x(time), y(value * by)) : pen.moveTo(x(time), y(value * by))));
      lower.reverse().forEach(([time, value]) => pen.lineTo(x(time), y(value * by)));
      pen.closePath();
      pen.fill();
    }
    const points = [...pieceValues(piece, piece.series[channel], offset, until)].map(([time, value]) => [x(time), y(value * by)]);
    line(pen, points, [10, 7], 3, colour.predicted);
  }

  #guess({ pen, size }, { y, left, right, top }, picture, channel, by, colour) {
    const guess = picture.state.guess;
    if (!guess || channel !== picture.headline) return;
    const at = y(guess.value_pa * by);
    line(pen, [[left, at], [right, at]], [3, 6], 4, colour.guess);
    pen.fillStyle = colour.guess;
    pen.textAlign = "right";
    const above = at - top > size * 1.3;
    pen.textBaseline = above ? "bottom" : "top";
    pen.fillText("guess", right - size * 0.4, above ? at - 3 : at + 4);
  }

  #measured({ pen }, { x, y }, picture, channel, zero, from, until, by, colour) {
    const mids = [];
    pen.fillStyle = colour.measured;
    for (const [time, least, most] of spans(picture, channel, zero + from, until)) {
      const at = x(time - zero);
      mids.push([at, y(((least + most) / 2) * by)]);
      const low = y(least * by), high = y(most * by);
      if (low - high > 2) pen.fillRect(at - 1, high, 2, low - high);
    }
    line(pen, mids, [], 3.5, colour.measured);
    const last = mids.at(-1);
    if (last && Number.isFinite(last[1])) {
      pen.beginPath();
      pen.arc(last[0], last[1], 6, 0, 2 * Math.PI);
      pen.fill();
    }
  }
}

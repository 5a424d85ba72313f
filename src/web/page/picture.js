// What a page knows, built from the daemon's messages alone: the state, the log, the prediction, the stream, the marks.

const KEPT_INTERVALS = 24000;
const LOG_KEPT = 200;

/** Smallest and largest of each interval of one channel. */
class Trace {
  constructor() {
    this.least = [];
    this.most = [];
  }
}

export class Picture {
  constructor() {
    this.state = null;
    this.log = [];
    this.predicted = [];
    this.clear();
    this.marks = new Map();
    this.highest = -Infinity;
  }

  clear() {
    this.first = null;
    this.width = 0.03;
    this.traces = [];
    this.newest = 0;
  }

  apply({ type, data }) {
    if (type === "snapshot") {
      // What follows a snapshot is the prediction, where there is one.
      this.log = data.log;
      this.predicted = [];
      if (this.state && data.rig_time_s < this.state.rig_time_s - 1) this.marks.clear();
      this.#take(data);
    } else if (type === "state") this.#take(data);
    else if (type === "predicted") this.predicted = data;
    else if (type === "log") {
      this.log.push(data);
      if (this.log.length > LOG_KEPT) this.log.shift();
    }
  }

  #take(state) {
    const before = this.state?.run?.number;
    this.state = state;
    if (before !== state.run?.number) {
      if (before !== undefined) this.predicted = [];
      this.marks.clear();
      this.highest = -Infinity;
    }
    const anchor = state.run?.anchor;
    if (anchor) {
      const [at, phase, cycle] = anchor;
      const known = this.marks.get(cycle) ?? {};
      if (phase === "start" && known.start !== at) this.highest = -Infinity;
      known[phase] = at;
      this.marks.set(cycle, known);
    }
  }

  samples(frame) {
    if (frame.afresh || (this.first !== null && frame.first < this.first)) this.clear();
    if (frame.intervals === 0) return;
    if (this.first === null) {
      this.first = frame.first;
      this.width = frame.width;
    }
    while (this.traces.length < frame.channels) this.traces.push(new Trace());
    const expected = this.first + (this.traces[0]?.least.length ?? 0);
    for (let channel = 0; channel < frame.channels; channel += 1) {
      const trace = this.traces[channel];
      for (let hole = expected; hole < frame.first; hole += 1) {
        trace.least.push(NaN);
        trace.most.push(NaN);
      }
      let at = 2 * channel * frame.intervals;
      for (let index = 0; index < frame.intervals; index += 1, at += 2) {
        trace.least.push(frame.values[at]);
        trace.most.push(frame.values[at + 1]);
      }
    }
    this.newest = (frame.first + frame.intervals) * this.width;
    this.#note(frame);
    const surplus = this.traces[0].least.length - KEPT_INTERVALS;
    if (surplus > KEPT_INTERVALS / 4) {
      for (const trace of this.traces) {
        trace.least.splice(0, surplus);
        trace.most.splice(0, surplus);
      }
      this.first += surplus;
    }
  }

  /** The highest of the headline channel since the latest start. */
  #note(frame) {
    const headline = this.headline;
    const start = this.cycleMarks()?.start;
    if (headline < 0 || start === undefined || !this.state.run || this.state.run.end) return;
    for (let index = 0; index < frame.intervals; index += 1) {
      const at = (frame.first + index) * this.width;
      const value = frame.values[2 * (headline * frame.intervals + index) + 1];
      if (at >= start && value > this.highest) this.highest = value;
    }
  }

  get headline() {
    return this.state ? this.state.channels.findIndex((channel) => channel.headline) : -1;
  }

  /** Cycle that is on, or was last; before the first start the first. */
  get cycle() {
    return this.state?.run?.anchor?.[2] ?? 1;
  }

  cycleMarks() {
    return this.marks.get(this.cycle);
  }

  channelOf(unit) {
    return this.state ? this.state.channels.findIndex((channel) => channel.unit === unit) : -1;
  }

  /** Newest mean of a channel, SI. */
  value(channel) {
    const trace = this.traces[channel];
    if (!trace || trace.least.length === 0) return null;
    const last = trace.least.length - 1;
    const value = (trace.least[last] + trace.most[last]) / 2;
    return Number.isFinite(value) ? value : null;
  }

  /** Predicted piece of a cycle's phase. */
  piece(cycle, phase) {
    return this.predicted.find((piece) => piece.cycle === cycle && piece.phase === phase) ?? null;
  }

  /** Predicted highest of a channel in a cycle, with the ends of its band. */
  predictedHighest(cycle, channel) {
    const piece = this.piece(cycle, "start");
    const series = piece?.series[channel];
    if (!series?.length) return null;
    const top = (values) => (values?.length ? values.reduce((most, value) => Math.max(most, value), -Infinity) : null);
    return { value: top(series), upper: top(piece.upper[channel]), lower: top(piece.lower[channel]) };
  }
}

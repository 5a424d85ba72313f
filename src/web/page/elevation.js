// The rig in elevation, made from the rig file: heights true, lengths drawn short. Levels, valve positions, the pump and its
// speed, the head line by the gauges, and how far a line is filled (predicted, since nothing measures it).

import { colours, sheet, steps } from "./chart.js";
import { head, length, rpm, units } from "./words.js";

export class Elevation {
  constructor(canvas) {
    this.canvas = canvas;
    this.turned = 0;
    this.still = matchMedia("(prefers-reduced-motion: reduce)").matches;
  }

  /** Places along the drawing, from the tank that the pump draws from; what forks off is drawn beside. */
  load(rig) {
    this.rig = rig;
    const count = rig.nodes.length;
    this.along = new Array(count).fill(null);
    const pump = rig.elements.find((element) => element.kind === "pump");
    const wide = (element) => (element.kind === "pipe" ? 1.5 + 1.5 * Math.sqrt(element.length_m) : 1.8);
    const walk = (from, start, skip) => {
      this.along[from] = start;
      const queue = [from];
      while (queue.length) {
        const node = queue.shift();
        rig.elements.forEach((element) => {
          if (element === skip || (element.from !== node && element.to !== node)) return;
          const next = element.from === node ? element.to : element.from;
          if (this.along[next] !== null) return;
          const sign = skip ? -1 : 1;
          this.along[next] = this.along[node] + sign * wide(element);
          queue.push(next);
        });
      }
    };
    if (pump) walk(pump.from, 0, pump);
    if (pump && this.along[pump.to] === null) walk(pump.to, wide(pump), null);
    for (let node = 0; node < count; node += 1) if (this.along[node] === null) walk(node, 0, null);
  }

  /** Openings of the elements as the line-up that stands sets them. */
  #lineUp(state) {
    const chosen = this.rig.line_ups.find((lineUp) => lineUp.id === state.line_up) ?? this.rig.line_ups[0];
    const openings = new Map(this.rig.elements.map((element, index) => [index, element.opening]));
    chosen?.valves.forEach(([element, opening]) => openings.set(element, opening));
    const levels = this.rig.nodes.map((node) => node.level_m);
    chosen?.levels.forEach(([node, level]) => { levels[node] = level; });
    return { chosen, openings, levels };
  }

  /** Elements that water may pass from the pump, shut valves apart. */
  #wet(openings) {
    const wet = new Set();
    const reached = new Set();
    const pump = this.rig.elements.find((element) => element.kind === "pump");
    const queue = pump ? [pump.from] : [];
    while (queue.length) {
      const node = queue.shift();
      if (reached.has(node)) continue;
      reached.add(node);
      this.rig.elements.forEach((element, index) => {
        if (element.from !== node && element.to !== node) return;
        if (openings.get(index) === 0) return;
        wet.add(index);
        queue.push(element.from === node ? element.to : element.from);
      });
    }
    return wet;
  }

  /** Nodes of the way that stands open. */
  #drawnNodes(wet) {
    return [...new Set(this.rig.elements.flatMap((element, index) => (wet.has(index) ? [element.from, element.to] : [])))];
  }

  /** Tanks on the way, and those that an outlet on the way falls into, where they are drawn. */
  #tanks(wet, levels) {
    return this.#drawnNodes(wet).flatMap((index) => {
      const tank = this.rig.nodes[index].level_m !== null ? index : this.rig.nodes[index].falls_into;
      if (tank === null || tank === undefined) return [];
      return [{ along: this.along[index], node: this.rig.nodes[tank], level: levels[tank] }];
    });
  }

  /** Lines that fill, in words, where nothing else stands. */
  #fronts({ pen, size, width }, fronts, colour) {
    fronts.forEach((words, index) => label(pen, size, words, width - pen.measureText(words).width / 2 - 6, size * (0.8 + 1.3 * index), "center", colour));
  }

  /** How full a pipe is, 0 to 1, by the prediction; full where no line fills. */
  #filled(picture, element) {
    const cycle = picture.cycle;
    const marks = picture.cycleMarks() ?? {};
    const phase = marks.stop !== undefined ? "stop" : "start";
    const piece = picture.piece(cycle, phase) ?? picture.piece(cycle, "start");
    const front = piece?.fronts.find(([name]) => name === element.name)?.[1];
    if (!front || element.length_m <= 0) return 1;
    const since = marks[phase] === undefined ? 0 : picture.newest - marks[phase];
    const index = Math.round((since - piece.t0_s) / piece.dt_s);
    return Math.min(1, front[Math.max(0, Math.min(front.length - 1, index))] / element.length_m);
  }

  draw(picture, passed) {
    const on = sheet(this.canvas);
    if (!on || !this.rig || !picture.state) return;
    const { rig } = this;
    const colour = colours();
    const { chosen, openings, levels } = this.#lineUp(picture.state);
    const wet = this.#wet(openings);
    const heads = this.#heads(picture, wet);
    const tanks = this.#tanks(wet, levels);
    const place = this.#scale(on, heads, picture, wet, tanks);
    const fronts = [];
    this.#heights(on, place, colour);
    const onWay = rig.elements.filter((element, index) => wet.has(index));
    onWay.filter((element) => element.kind === "pipe").forEach((element) => this.#pipe(on, place, picture, element, colour, fronts));
    tanks.forEach((tank) => this.#tank(on, place, tank, colour));
    this.#headLine(on, place, heads, colour);
    onWay.filter((element) => element.kind !== "pipe").forEach((element) => {
      this.#fitting(on, place, picture, element, openings.get(rig.elements.indexOf(element)), colour, passed);
    });
    this.#shutOff(on, place, wet, openings, colour);
    this.#fronts(on, fronts, colour);
    this.#words = this.#inWords(picture, chosen, openings, heads, levels, fronts);
  }

  #words = "";

  get words() {
    return this.#words;
  }

  /** (place, head above datum in m, id) of every gauge on the way that stands open. */
  #heads(picture, wet) {
    const { rig } = this;
    return rig.gauges.flatMap((gauge) => {
      const value = picture.value(gauge.channel);
      const on = gauge.element !== null ? wet.has(gauge.element)
        : rig.elements.some((element, index) => wet.has(index) && (element.from === gauge.node || element.to === gauge.node));
      if (value === null || !on) return [];
      const mix = (values) => {
        if (gauge.node !== null) return values[gauge.node];
        const element = rig.elements[gauge.element];
        return values[element.from] + gauge.share * (values[element.to] - values[element.from]);
      };
      return [{ along: mix(this.along), head: gauge.elevation_m + value / rig.pa_per_m, z: mix(rig.nodes.map((node) => node.elevation_m)) }];
    }).sort((one, other) => one.along - other.along);
  }

  #scale({ width, height, size }, heads, picture, wet, tanks) {
    const { rig } = this;
    const seen = this.#drawnNodes(wet);
    const alongs = seen.map((index) => this.along[index]);
    const [first, last] = [Math.min(...alongs), Math.max(...alongs)];
    const heights = seen.map((index) => rig.nodes[index]).flatMap((node) => [node.elevation_m])
      .concat(tanks.map((tank) => tank.level));
    const bottom = Math.min(...heights) - 0.5;
    const top = picture.predictedHighest(picture.cycle, picture.headline);
    const gauge = rig.gauges.find((one) => one.channel === picture.headline);
    const foretold = top && gauge ? gauge.elevation_m + (top.upper ?? top.value) / rig.pa_per_m : 0;
    const highest = Math.max(...heights, foretold, ...heads.map((one) => one.head));
    // It only grows, so that the drawing does not breathe.
    this.top = Math.max(this.top ?? -Infinity, highest);
    const left = size * 4.6, right = width - size * 3, up = size * 2, down = height - size * 1.6;
    return {
      x: (along) => left + ((along - first) / Math.max(1e-9, last - first)) * (right - left),
      y: (z) => down - ((z - bottom) / Math.max(1e-9, this.top * 1.04 - bottom)) * (down - up),
      low: bottom, high: this.top * 1.04, left, right, down,
    };
  }

  #heights({ pen, size }, { y, low, high, left }, colour) {
    const { by, unit } = units.table.length;
    const { marks, digits } = steps(low * by, high * by, 5);
    pen.font = `${size}px system-ui, sans-serif`;
    pen.fillStyle = colour.text;
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    for (const mark of marks) {
      pen.fillText(mark.toFixed(digits), left - size * 2.7, y(mark / by));
      pen.strokeStyle = colour.faint;
      pen.lineWidth = 1;
      pen.beginPath();
      pen.moveTo(left - size * 2.6, y(mark / by));
      pen.lineTo(left - size * 2.3, y(mark / by));
      pen.stroke();
    }
    pen.textAlign = "left";
    pen.fillText(`height, ${unit}`, size * 0.2, size * 0.8);
  }

  #ends(place, element) {
    const at = (node) => [place.x(this.along[node]), place.y(this.rig.nodes[node].elevation_m)];
    return [at(element.from), at(element.to)];
  }

  #pipe({ pen }, place, picture, element, colour, fronts) {
    const [[x1, y1], [x2, y2]] = this.#ends(place, element);
    const wide = Math.max(6, Math.min(16, element.bore_m * 160));
    const stroke = (ink, by, share) => {
      pen.strokeStyle = ink;
      pen.lineWidth = by;
      pen.lineCap = "butt";
      pen.beginPath();
      pen.moveTo(x1, y1);
      pen.lineTo(x1 + (x2 - x1) * share, y1 + (y2 - y1) * share);
      pen.stroke();
    };
    stroke(colour.text, wide + 4, 1);
    stroke(colour.ground, wide, 1);
    const share = this.#filled(picture, element);
    stroke(colour.water, wide, share);
    if (share <= 0 || share >= 0.999) return;
    fronts.push(`${plain(element.name)}: water to ${length(share * element.length_m)} of ${length(element.length_m)}, predicted`);
  }

  #tank({ pen, size, width }, place, { along, node, level }, colour) {
    const x = place.x(along);
    const half = size * 2.2;
    const bottom = Math.max(place.y(Math.min(node.elevation_m, level) - 0.3), place.y(level) + size * 0.6);
    const rim = place.y(level + 0.5);
    pen.fillStyle = colour.water;
    pen.fillRect(x - half, place.y(level), 2 * half, bottom - place.y(level));
    pen.strokeStyle = colour.text;
    pen.lineWidth = 3;
    pen.beginPath();
    pen.moveTo(x - half, rim);
    pen.lineTo(x - half, bottom);
    pen.lineTo(x + half, bottom);
    pen.lineTo(x + half, rim);
    pen.stroke();
    const words = `${node.name}, level ${length(level)}`;
    const reach = pen.measureText(words).width / 2;
    const at = Math.max(reach + 4, Math.min(width - reach - 4, x));
    label(pen, size, words, at, bottom + size * 0.75, "center", colour);
  }

  /** Ways that a shut valve closes off: the valve on a stub, and nothing of what lies behind it. */
  #shutOff({ pen, size }, place, wet, openings, colour) {
    const taken = new Map();
    this.rig.elements.forEach((element, index) => {
      if (wet.has(index) || element.kind !== "valve" || openings.get(index) !== 0) return;
      const node = [element.from, element.to].find((end) => this.#drawnNodes(wet).includes(end));
      if (node === undefined) return;
      const number = taken.get(node) ?? 0;
      taken.set(node, number + 1);
      const [x, y] = [place.x(this.along[node]), place.y(this.rig.nodes[node].elevation_m)];
      const way = number % 2 === 0 ? 1 : -1;
      const end = y + way * size * 2.6;
      pen.strokeStyle = colour.text;
      pen.lineWidth = 3;
      pen.beginPath();
      pen.moveTo(x, y);
      pen.lineTo(x, end);
      pen.stroke();
      this.#valve(pen, size, x, end - way * size * 0.7, Math.PI / 2, 0, colour);
      label(pen, size, `${plain(element.name)} shut`, x + size * 0.9, end - way * size * 0.6, "left", colour);
    });
  }

  #fitting({ pen, size }, place, picture, element, opening, colour, passed) {
    const [[x1, y1], [x2, y2]] = this.#ends(place, element);
    const [x, y] = [(x1 + x2) / 2, (y1 + y2) / 2];
    const ink = colour.text;
    pen.strokeStyle = ink;
    pen.lineWidth = 3;
    pen.beginPath();
    pen.moveTo(x1, y1);
    pen.lineTo(x2, y2);
    pen.stroke();
    if (element.kind === "pump") this.#pump(pen, size, x, y, picture, colour, passed);
    else if (element.kind === "valve") {
      this.#valve(pen, size, x, y, Math.atan2(y2 - y1, x2 - x1), opening, colour);
      label(pen, size, `${plain(element.name)} ${openingWords(opening)}`, x, y - size * 1.6, "center", colour);
    }
    else if (element.kind === "check-valve") this.#check(pen, size, x, y, Math.atan2(y2 - y1, x2 - x1), ink, colour);
  }

  #pump(pen, size, x, y, picture, colour, passed) {
    const speed = picture.value(picture.channelOf("rad/s"));
    const round = size * 1.1;
    // Slower than it is, so that an eye can follow.
    if (!this.still && speed !== null) this.turned += (speed / 25) * passed;
    pen.fillStyle = colour.ground;
    pen.strokeStyle = colour.text;
    pen.lineWidth = 4;
    pen.beginPath();
    pen.arc(x, y, round, 0, 2 * Math.PI);
    pen.fill();
    pen.stroke();
    for (let vane = 0; vane < 3; vane += 1) {
      const angle = this.turned + (vane * 2 * Math.PI) / 3;
      pen.beginPath();
      pen.moveTo(x, y);
      pen.lineTo(x + 0.85 * round * Math.cos(angle), y + 0.85 * round * Math.sin(angle));
      pen.stroke();
    }
    const rests = picture.state.readiness.some((one) => one.reading?.unit === "rad/s" && one.holds === true);
    label(pen, size, rests ? "pump at rest" : `pump ${rpm(speed)}`, x, y - round - size * 0.8, "center", colour);
  }

  #valve(pen, size, x, y, angle, opening, colour) {
    const reach = size * 0.75;
    pen.save();
    pen.translate(x, y);
    pen.rotate(angle);
    pen.beginPath();
    pen.moveTo(-reach, -reach * 0.7);
    pen.lineTo(-reach, reach * 0.7);
    pen.lineTo(reach, -reach * 0.7);
    pen.lineTo(reach, reach * 0.7);
    pen.closePath();
    pen.fillStyle = opening === 0 ? colour.text : colour.ground;
    pen.fill();
    pen.lineWidth = 3;
    pen.strokeStyle = colour.text;
    pen.stroke();
    pen.restore();
  }

  #check(pen, size, x, y, angle, ink, colour) {
    const reach = size * 0.7;
    pen.save();
    pen.translate(x, y);
    pen.rotate(angle);
    pen.fillStyle = colour.ground;
    pen.strokeStyle = ink;
    pen.lineWidth = 3;
    pen.beginPath();
    pen.moveTo(-reach, -reach * 0.7);
    pen.lineTo(-reach, reach * 0.7);
    pen.lineTo(reach, 0);
    pen.closePath();
    pen.fill();
    pen.stroke();
    pen.beginPath();
    pen.moveTo(reach, -reach * 0.7);
    pen.lineTo(reach, reach * 0.7);
    pen.stroke();
    pen.restore();
  }

  #headLine({ pen, size }, { x, y }, heads, colour) {
    if (heads.length === 0) return;
    pen.strokeStyle = colour.measured;
    pen.fillStyle = colour.measured;
    pen.lineWidth = 1.5;
    for (const one of heads) {
      pen.setLineDash([2, 4]);
      pen.beginPath();
      pen.moveTo(x(one.along), y(one.z));
      pen.lineTo(x(one.along), y(one.head));
      pen.stroke();
      pen.setLineDash([]);
      pen.beginPath();
      pen.arc(x(one.along), y(one.head), 6, 0, 2 * Math.PI);
      pen.fill();
    }
    pen.lineWidth = 4;
    pen.beginPath();
    heads.forEach((one, index) => (index ? pen.lineTo(x(one.along), y(one.head)) : pen.moveTo(x(one.along), y(one.head))));
    pen.stroke();
    const highest = heads.reduce((most, one) => (one.head > most.head ? one : most));
    label(pen, size, `head line, measured: ${head(highest.head)}`, x(highest.along) + size * 0.4, y(highest.head) - size * 0.8, "left", { ...colour, text: colour.measured });
  }

  #inWords(picture, chosen, openings, heads, heights, fronts) {
    const levels = this.rig.nodes.flatMap((node, index) => (heights[index] === null ? [] : [`${node.name} level ${length(heights[index])}`]));
    const valves = this.rig.elements.flatMap((element, index) => (element.kind === "valve" ? [`valve ${element.name} ${openingWords(openings.get(index))}`] : []));
    const highest = heads.length ? `highest head ${head(Math.max(...heads.map((one) => one.head)))}` : "no head measured";
    const speed = `pump ${rpm(picture.value(picture.channelOf("rad/s")))}`;
    return [`line-up ${chosen?.id ?? "unknown"}`, ...levels, ...valves, ...fronts, speed, highest].join("; ");
  }
}

function openingWords(opening) {
  if (opening === null || opening === undefined) return "";
  if (opening <= 0) return "shut";
  return opening >= 1 ? "open" : `${Math.round(opening * 100)} % open`;
}

const plain = (name) => name.replaceAll(/[_-]/g, " ");

/** Words on a plate, so that a line behind them does not cross them. */
function label(pen, size, words, x, y, align, colour) {
  const wide = pen.measureText(words).width;
  const wanted = align === "left" ? x : x - wide / 2;
  const left = Math.max(4, Math.min(wanted, pen.canvas.clientWidth - wide - 4));
  pen.globalAlpha = 0.8;
  pen.fillStyle = colour.ground;
  pen.fillRect(left - 3, y - size * 0.6, wide + 6, size * 1.2);
  pen.globalAlpha = 1;
  pen.fillStyle = colour.text;
  pen.textAlign = "left";
  pen.textBaseline = "middle";
  pen.fillText(words, left, y);
}

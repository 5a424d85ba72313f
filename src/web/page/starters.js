// The starters over one another on one scale: the latest measured cycle of each, start on the left, stop on the right.

import { axes, colours, sheet } from "./chart.js";
import { look } from "./link.js";
import { pressure, starterKind, units } from "./words.js";

const DASHES = [[], [14, 6], [4, 5]];

export class Starters {
  constructor(canvas, table) {
    this.canvas = canvas;
    this.table = table;
    this.overlays = [];
  }

  async refresh() {
    try {
      this.overlays = await look("overlays");
      this.#write();
    } catch { /* the connection's own line says so */ }
  }

  get names() {
    return [...new Set(this.overlays.map((overlay) => overlay.starter))];
  }

  #of(phase) {
    return this.overlays.filter((overlay) => overlay.phase === phase);
  }

  draw() {
    const on = sheet(this.canvas);
    if (!on) return;
    const colour = colours();
    const { by, unit } = units.table.pressure;
    let low = Infinity, high = -Infinity;
    for (const overlay of this.overlays) {
      for (const [least, most] of overlay.spans) {
        if (!(least > -1e30)) continue;
        low = Math.min(low, least * by);
        high = Math.max(high, most * by);
      }
    }
    if (low > high) return;
    const margin = 0.08 * (high - low);
    const half = on.width / 2;
    for (const [index, phase] of ["start", "stop"].entries()) {
      const parts = this.#of(phase);
      const lasts = Math.max(3, ...parts.map((overlay) => overlay.t0_s + overlay.dt_s * overlay.spans.length));
      on.pen.save();
      on.pen.translate(index * half, 0);
      const place = axes({ ...on, width: half }, {
        from: -1, to: lasts, low: low - margin, high: high + margin, unit: `${unit}, ${phase}`, along: "s",
      }, colour);
      parts.forEach((overlay) => this.#line(on, place, overlay, by, colour));
      on.pen.restore();
    }
  }

  #line({ pen }, { x, y }, overlay, by, colour) {
    const number = this.names.indexOf(overlay.starter) % 3;
    pen.strokeStyle = pen.fillStyle = [colour.measured, colour.second, colour.third][number];
    pen.lineWidth = 4;
    pen.lineJoin = "round";
    pen.setLineDash(DASHES[number]);
    pen.beginPath();
    let down = false;
    overlay.spans.forEach(([least, most], index) => {
      if (!(least > -1e30)) { down = false; return; }
      const at = x(overlay.t0_s + (index + 0.5) * overlay.dt_s);
      const middle = y(((least + most) / 2) * by);
      if (down) pen.lineTo(at, middle); else pen.moveTo(at, middle);
      pen.fillRect(at - 0.5, y(most * by), 1, y(least * by) - y(most * by));
      down = true;
    });
    pen.stroke();
    pen.setLineDash([]);
  }

  /** The same as a table, for everybody who does not see lines. */
  #write() {
    const rows = this.names.map((name) => {
      const extremes = (phase) => {
        const spans = this.#of(phase).find((overlay) => overlay.starter === name)?.spans ?? [];
        const seen = spans.filter(([least]) => least > -1e30);
        return {
          most: seen.length ? Math.max(...seen.map(([, most]) => most)) : null,
          least: seen.length ? Math.min(...seen.map(([least]) => least)) : null,
        };
      };
      const kind = this.overlays.find((overlay) => overlay.starter === name).kind;
      return [starterKind(kind), pressure(extremes("start").most), pressure(extremes("stop").least)];
    });
    const row = (cells, tag, number) => {
      const line = document.createElement("tr");
      cells.forEach((text, index) => {
        const cell = document.createElement(index === 0 || tag === "th" ? "th" : "td");
        cell.scope = tag === "th" ? "col" : "row";
        if (cell.tagName === "TD") cell.removeAttribute("scope");
        if (index === 0 && number !== null) {
          const sample = document.createElement("i");
          sample.className = `line starter-${number % 3}`;
          cell.append(sample);
        }
        cell.append(text);
        line.append(cell);
      });
      return line;
    };
    const head = document.createElement("thead");
    head.append(row(["starter", "highest at start", "lowest at stop"], "th", null));
    const body = document.createElement("tbody");
    body.append(...rows.map((cells, number) => row(cells, "td", number)));
    this.table.replaceChildren(head, body);
    this.table.hidden = rows.length === 0;
  }
}

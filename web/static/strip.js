// Draws lift over time for every corner, with error band, and gaps where nothing was seen.

import { clock } from "./words.js";

// Distinguishable with any colour vision, and told apart by their dashes besides.
export const LOOKS = [
  { colour: "#f0a63a", dash: [] },
  { colour: "#6fc3f2", dash: [8, 3] },
  { colour: "#5fd0a5", dash: [3, 3] },
  { colour: "#f08fc4", dash: [10, 3, 2, 3] },
  { colour: "#e8dc5a", dash: [14, 4] },
  { colour: "#c0b2ff", dash: [2, 5] },
];

const LEFT = 44;
const RIGHT = 12;
const TOP = 34;
const AXIS = 22;
const LANE = 7;
const TEXT = "#b8ab9b";
const GRID = "#2c2722";

export class Strip {
  constructor(canvas) {
    this.canvas = canvas;
    this.frames = [];
    this.series = [];
    this.moments = [];
    this.times = [0, 1];
  }

  // `moments`: elapsed seconds of the flagged moments. `series`: [{place, points: [{index, value, sigma}|null where unseen], look}], in step with frames.
  set(frames, series, moments) {
    this.frames = frames;
    this.moments = moments;
    this.series = series;
    const first = frames[0]?.elapsed_s ?? 0;
    const last = frames.at(-1)?.elapsed_s ?? 1;
    this.times = [first, last > first ? last : first + 1];
  }

  get width() {
    return this.canvas.clientWidth;
  }

  x(seconds) {
    const [first, last] = this.times;
    return LEFT + ((seconds - first) / (last - first)) * (this.width - LEFT - RIGHT);
  }

  // Index of the frame nearest to a place `x` px from the strip's left edge.
  indexAt(x) {
    const [first, last] = this.times;
    const wanted = first + ((x - LEFT) / (this.width - LEFT - RIGHT)) * (last - first);
    let low = 0;
    let high = this.frames.length - 1;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.frames[middle].elapsed_s < wanted) low = middle + 1;
      else high = middle;
    }
    const before = this.frames[low - 1];
    if (before && wanted - before.elapsed_s < this.frames[low].elapsed_s - wanted) return low - 1;
    return Math.max(0, low);
  }

  draw() {
    const ratio = window.devicePixelRatio || 1;
    const width = this.width;
    const height = this.canvas.clientHeight;
    this.canvas.width = Math.round(width * ratio);
    this.canvas.height = Math.round(height * ratio);
    const pen = this.canvas.getContext("2d");
    pen.scale(ratio, ratio);
    const gappy = this.series.filter((s) => s.points.some((p) => p && p.value === null));
    const bottom = height - AXIS - (gappy.length ? gappy.length * LANE + 4 : 0);
    const [least, most] = this.#range();
    const y = (mm) => bottom - 4 - ((mm - least) / (most - least)) * (bottom - 4 - TOP);
    this.#axes(pen, width, height, bottom, y, least, most);
    this.#moments(pen, bottom);
    for (const one of this.series) this.#curve(pen, one, y);
    gappy.forEach((one, lane) => this.#gaps(pen, one, bottom + 4 + lane * LANE));
  }

  #range() {
    let most = 1;
    let least = -0.2;
    for (const { points } of this.series) {
      for (const p of points) {
        if (!p || p.value === null) continue;
        const error = Math.min(p.sigma ?? 0, 0.5);
        most = Math.max(most, p.value + error);
        least = Math.min(least, p.value - error);
      }
    }
    return [least, most * 1.05];
  }

  #axes(pen, width, height, bottom, y, least, most) {
    pen.font = "12px system-ui, sans-serif";
    pen.fillStyle = TEXT;
    pen.strokeStyle = GRID;
    pen.lineWidth = 1;
    pen.textBaseline = "middle";
    pen.textAlign = "right";
    const step = [0.2, 0.5, 1, 2, 5, 10, 20].find((s) => (most - least) / s <= 4.5) ?? 50;
    for (let mm = Math.ceil(least / step) * step; mm <= most; mm += step) {
      pen.beginPath();
      pen.moveTo(LEFT, y(mm));
      pen.lineTo(width - RIGHT, y(mm));
      pen.stroke();
      pen.fillText(mm.toFixed(step < 1 ? 1 : 0).replace("-0.0", "0.0").replace("-", "−"), LEFT - 6, y(mm));
    }
    pen.textAlign = "left";
    pen.fillText("lift in mm", 6, 12);
    pen.textAlign = "center";
    const [first, last] = this.times;
    const minutes = (last - first) / 60;
    const room = Math.max(2, Math.trunc((width - LEFT) / 62));
    const every = [1, 2, 5, 10, 15, 30, 60, 120, 240, 480].find((m) => minutes / m <= room) ?? 1440;
    for (let m = Math.ceil(first / 60 / every) * every; m * 60 <= last; m += every) {
      const x = Math.min(Math.max(this.x(m * 60), LEFT), width - 22);
      pen.fillText(m === 0 ? "start" : `${clock(m * 60)} h`, x, height - AXIS / 2);
    }
  }

  #moments(pen, bottom) {
    pen.strokeStyle = "#8f8272";
    pen.setLineDash([3, 4]);
    for (const seconds of this.moments) {
      pen.beginPath();
      pen.moveTo(this.x(seconds), TOP);
      pen.lineTo(this.x(seconds), bottom);
      pen.stroke();
    }
    pen.setLineDash([]);
  }

  // Calls `each(run)` for every unbroken run of seen points.
  #runs(points, each) {
    let run = [];
    points.forEach((p, index) => {
      if (p && p.value !== null) {
        run.push({ x: this.x(this.frames[index].elapsed_s), ...p });
      } else if (run.length) {
        each(run);
        run = [];
      }
    });
    if (run.length) each(run);
  }

  #curve(pen, one, y) {
    this.#runs(one.points, (run) => {
      const band = new Path2D();
      for (const p of run) band.lineTo(p.x, y(p.value + (p.sigma ?? 0)));
      for (const p of run.toReversed()) band.lineTo(p.x, y(p.value - (p.sigma ?? 0)));
      pen.globalAlpha = 0.22;
      pen.fillStyle = one.look.colour;
      pen.fill(band);
      pen.globalAlpha = 1;
      const line = new Path2D();
      if (run.length === 1) line.arc(run[0].x, y(run[0].value), 1, 0, 7);
      for (const p of run) line.lineTo(p.x, y(p.value));
      pen.setLineDash(one.look.dash);
      pen.strokeStyle = one.look.colour;
      pen.lineWidth = 2;
      pen.lineJoin = "round";
      pen.stroke(line);
      pen.setLineDash([]);
    });
  }

  #gaps(pen, one, top) {
    pen.fillStyle = one.look.colour;
    one.points.forEach((p, index) => {
      if (!p || p.value !== null) return;
      const here = this.frames[index].elapsed_s;
      const from = this.x((here + (this.frames[index - 1]?.elapsed_s ?? here)) / 2);
      const to = this.x((here + (this.frames[index + 1]?.elapsed_s ?? here)) / 2);
      for (let x = from; x < Math.max(to, from + 2); x += 4) {
        pen.fillRect(x, top, 2, LANE - 2);
      }
    });
  }
}

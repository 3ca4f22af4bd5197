// Draws lift over time for every corner, with error band, and gaps where nothing was seen; below
// it how the advice changed.

import { columns, unbroken } from "./columns.js";
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

export const LEFT = 44;
export const RIGHT = 12;
export const TEXT = "#b8ab9b";
const TOP = 34;
const AXIS = 22;
const LANE = 7;
const ADVICE = 8;
const GRID = "#2c2722";
// Share of the advice's band that is filled: told by height as well as by colour.
const LEVELS = {
  "carry on": { fill: "#93bf9c", height: 2 },
  "have a look": { fill: "#f2b544", height: 5 },
  stop: { fill: "#ff8a76", height: 8 },
};

// A canvas as sharp as the screen, cleared, with its pen in CSS pixels.
export function cleared(canvas) {
  const ratio = window.devicePixelRatio || 1;
  canvas.width = Math.round(canvas.clientWidth * ratio);
  canvas.height = Math.round(canvas.clientHeight * ratio);
  const pen = canvas.getContext("2d");
  pen.scale(ratio, ratio);
  return pen;
}

// A curve through the means, with its error band. `y(value)` in px.
export function drawCurve(pen, parts, look, y) {
  unbroken(parts, (run) => {
    const band = new Path2D();
    for (const p of run) band.lineTo(p.x, y(p.high));
    for (const p of run.toReversed()) band.lineTo(p.x, y(p.low));
    pen.globalAlpha = 0.22;
    pen.fillStyle = look.colour;
    pen.fill(band);
    pen.globalAlpha = 1;
    const line = new Path2D();
    if (run.length === 1) line.arc(run[0].x, y(run[0].mean), 1, 0, 7);
    for (const p of run) line.lineTo(p.x, y(p.mean));
    pen.setLineDash(look.dash);
    pen.strokeStyle = look.colour;
    pen.lineWidth = 2;
    pen.lineJoin = "round";
    pen.stroke(line);
    pen.setLineDash([]);
  });
}

export function drawMoments(pen, places, top, bottom) {
  pen.strokeStyle = "#8f8272";
  pen.lineWidth = 1;
  pen.setLineDash([3, 4]);
  for (const x of places) {
    pen.beginPath();
    pen.moveTo(x, top);
    pen.lineTo(x, bottom);
    pen.stroke();
  }
  pen.setLineDash([]);
}

export class Strip {
  constructor(canvas) {
    this.canvas = canvas;
    this.frames = [];
    this.series = [];
    this.moments = [];
    this.advice = [];
    this.times = [0, 1];
  }

  // `series`: places with values and sigmas in step with the frames. `moments`: elapsed seconds of
  // the flagged moments. `advice`: [{elapsed_s, level}] in order.
  set(frames, series, moments, advice) {
    Object.assign(this, { frames, series, moments, advice });
    const first = frames[0]?.elapsed_s ?? 0;
    const last = frames.at(-1)?.elapsed_s ?? 1;
    this.times = [first, last > first ? last : first + 1];
    this.width = this.canvas.clientWidth;
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
    const pen = cleared(this.canvas);
    const width = (this.width = this.canvas.clientWidth);
    const height = this.canvas.clientHeight;
    const gappy = this.series.filter((s) => s.values.includes(null));
    const bottom = height - AXIS - ADVICE - (gappy.length ? gappy.length * LANE + 4 : 0);
    const count = this.frames.length;
    const x = (i) => this.x(this.frames[i].elapsed_s);
    const drawn = this.series.map((s) => columns(s.values, s.sigmas, count, x));
    const [least, most] = range(this.series, count);
    const y = (mm) => bottom - 4 - ((mm - least) / (most - least)) * (bottom - 4 - TOP);
    this.#axes(pen, width, height, y, least, most);
    drawMoments(pen, this.moments.map((seconds) => this.x(seconds)), TOP, bottom);
    pen.save();
    // An error of centimetres must not run over the words above.
    pen.beginPath();
    pen.rect(0, TOP - 8, width, bottom - TOP + 8);
    pen.clip();
    this.series.forEach((one, i) => drawCurve(pen, drawn[i], one.look, y));
    pen.restore();
    gappy.forEach((one, lane) => this.#gaps(pen, one, bottom + 4 + lane * LANE));
    this.#advice(pen, height - AXIS - ADVICE);
  }

  #axes(pen, width, height, y, least, most) {
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

  #gaps(pen, one, top) {
    pen.fillStyle = one.look.colour;
    let drawnTo = -Infinity;
    one.values.forEach((value, index) => {
      if (value !== null) return;
      const here = this.frames[index].elapsed_s;
      const from = this.x((here + (this.frames[index - 1]?.elapsed_s ?? here)) / 2);
      const to = this.x((here + (this.frames[index + 1]?.elapsed_s ?? here)) / 2);
      for (let x = Math.max(from, drawnTo); x < Math.max(to, from + 2); x += 4) {
        pen.fillRect(x, top, 2, LANE - 2);
        drawnTo = x + 4;
      }
    });
  }

  #advice(pen, top) {
    this.advice.forEach((one, i) => {
      const { fill, height } = LEVELS[one.level];
      const from = this.x(one.elapsed_s);
      const to = this.x(this.advice[i + 1]?.elapsed_s ?? this.times[1]);
      pen.fillStyle = fill;
      pen.fillRect(from, top + ADVICE - height, Math.max(1.5, to - from), height);
    });
  }
}

function range(series, count) {
  let most = 1;
  let least = -0.2;
  for (const { values, sigmas } of series) {
    for (let i = 0; i < count; i++) {
      if (values[i] == null) continue;
      const error = Math.min(sigmas[i] ?? 0, 0.5);
      most = Math.max(most, values[i] + error);
      least = Math.min(least, values[i] - error);
    }
  }
  return [least, most * 1.05];
}

// Small curves under the lift, on its time axis: strands, motion, growth, chamber. Each has its own
// unit and scale, and can be switched off.

import { columns } from "./columns.js";
import { LEFT, LOOKS, RIGHT, TEXT, cleared, drawCurve, drawMoments } from "./strip.js";

const REMEMBERED = "lanes-off";
const PAD = 5;
const LABEL = 15;

export class Lanes {
  // `place` holds the canvases, `choice` the switches; `strip` gives the time axis.
  constructor(place, choice, strip) {
    this.place = place;
    this.choice = choice;
    this.strip = strip;
    this.lanes = [];
    this.surroundings = [];
    this.off = new Set(remembered());
    this.shown = new Map(); // key -> {canvas, label}
  }

  // Chamber and humidity: [{name, unit, points: [[seconds, value]]}].
  setSurroundings(series) {
    this.surroundings = series.map((one, i) => ({
      key: one.name, name: one.name, unit: one.unit, times: one.points.map((p) => p[0]),
      series: [{ look: LOOKS[i], values: one.points.map((p) => p[1]), sigmas: [] }],
    }));
  }

  set(lanes) {
    this.lanes = lanes;
  }

  draw() {
    const all = [...this.lanes, ...this.surroundings];
    this.choice.hidden = all.length === 0;
    for (const lane of all) this.#prepare(lane);
    for (const lane of all) {
      const { canvas } = this.shown.get(lane.key);
      canvas.hidden = this.off.has(lane.key);
      if (!canvas.hidden) this.#lane(canvas, lane);
    }
  }

  #prepare(lane) {
    if (this.shown.has(lane.key)) return;
    const canvas = document.createElement("canvas");
    canvas.className = "lane";
    canvas.setAttribute("role", "img");
    this.place.append(canvas);
    const box = Object.assign(document.createElement("input"), {
      type: "checkbox", checked: !this.off.has(lane.key),
    });
    const label = document.createElement("label");
    label.append(box, ` ${lane.name}`);
    this.choice.append(label);
    box.addEventListener("change", () => {
      if (box.checked) this.off.delete(lane.key);
      else this.off.add(lane.key);
      remember(this.off);
      this.draw();
    });
    this.shown.set(lane.key, { canvas, label });
  }

  #lane(canvas, lane) {
    const frames = this.strip.frames;
    const count = lane.times?.length ?? frames.length;
    const x = lane.times
      ? (i) => this.strip.x(lane.times[i])
      : (i) => this.strip.x(frames[i].elapsed_s);
    const [least, most] = extent(lane, count);
    const told = [least, most].map((value) => figure(value, most - least));
    canvas.setAttribute("aria-label", `${lane.name} ${told.join(" to ")} ${lane.unit}`.trim());
    const pen = cleared(canvas);
    const height = canvas.clientHeight;
    const spread = most > least ? most - least : 1;
    const y = (value) =>
      height - PAD - ((value - least) / spread) * (height - LABEL - 2 * PAD);
    const marks = this.strip.moments.map((seconds) => this.strip.x(seconds));
    drawMoments(pen, marks, LABEL, height);
    pen.save();
    pen.beginPath();
    pen.rect(LEFT, LABEL - 2, canvas.clientWidth - LEFT - RIGHT, height - LABEL + 2);
    pen.clip();
    for (const one of lane.series) {
      drawCurve(pen, columns(one.values, one.sigmas, count, x, spread / 2), one.look, y);
    }
    pen.restore();
    pen.font = "12px system-ui, sans-serif";
    pen.fillStyle = TEXT;
    pen.textBaseline = "middle";
    pen.textAlign = "left";
    pen.fillText(lane.unit ? `${lane.name} in ${lane.unit}` : lane.name, 6, 9);
    pen.textAlign = "right";
    // Closer together than letters are high they would be written over each other.
    const close = y(least) - y(most) < 13;
    pen.fillText(told[1], LEFT - 6, close ? height - 14 : Math.max(y(most), LABEL + 6));
    if (!close && told[0] !== told[1]) pen.fillText(told[0], LEFT - 6, Math.min(y(least), height - 7));
  }
}

// Least and greatest value over all places of a lane.
function extent(lane, count) {
  let least = Infinity;
  let most = -Infinity;
  for (const { values } of lane.series) {
    for (let i = 0; i < count; i++) {
      if (values[i] == null) continue;
      least = Math.min(least, values[i]);
      most = Math.max(most, values[i]);
    }
  }
  return [least, most];
}

function figure(value, spread) {
  const digits = spread >= 5 ? 0 : spread >= 0.5 ? 1 : 2;
  return value.toFixed(digits).replace(/^-(0\.?0*)$/, "$1").replace("-", "−");
}

function remembered() {
  try {
    return JSON.parse(localStorage.getItem(REMEMBERED)) ?? [];
  } catch {
    return []; // storage is forbidden here
  }
}

function remember(off) {
  try {
    localStorage.setItem(REMEMBERED, JSON.stringify([...off]));
  } catch {
    // It holds for this page alone, then.
  }
}

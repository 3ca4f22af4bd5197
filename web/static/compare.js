// Two runs by layer: their pictures side by side, and the lift of their corners on one plot.

import { LOOKS } from "./strip.js";
import { amount } from "./words.js";

const LEFT = 44;
const RIGHT = 12;
const TOP = 10;
const AXIS = 22;
const DASHES = [[], [7, 4]];

const pair = document.querySelector("#pair");
const slider = document.querySelector("#layer");
const told = document.querySelector("#layer-words");
const canvas = document.querySelector("#curves");
const pictures = [0, 1].map((k) => document.querySelector(`#picture-${k}`));

let data = null;
let places = [];
let last = 1;
const lookOf = (place) => LOOKS[places.indexOf(place) % LOOKS.length];

document.querySelector("#trouble-again").addEventListener("click", load);
slider.addEventListener("input", show);
addEventListener("resize", draw);
await load();

async function load() {
  const trouble = document.querySelector("#trouble");
  try {
    const answer = await fetch(pair.dataset.address);
    const fresh = await answer.json();
    if (!answer.ok) throw new Error(fresh.trouble);
    take(fresh);
    trouble.hidden = true;
  } catch (error) {
    told.textContent = "";
    const words = document.querySelector("#trouble-words");
    words.textContent = `The curves and pictures could not be loaded: ${error.message}`;
    trouble.hidden = false;
  }
}

function take(fresh) {
  data = fresh;
  places = [...new Set(data.runs.flatMap((run) => run.series.map((s) => s.place)))];
  last = Math.max(1, data.steps.at(-1)?.layer ?? 1);
  if (!data.steps.length) told.textContent = "none: no layer of the two is known";
  slider.max = String(Math.max(0, data.steps.length - 1));
  slider.value = slider.max;
  list();
  show();
  pair.setAttribute("aria-busy", "false");
  document.body.dataset.ready = "yes";
}

function show() {
  if (!data) return;
  const step = data.steps[Number(slider.value)];
  if (step) {
    told.textContent = `${step.layer} of ${last}`;
    slider.setAttribute("aria-valuetext", `layer ${step.layer} of ${last}`);
    data.runs.forEach((run, k) => {
      const name = step.pictures[k];
      pictures[k].hidden = name === null;
      if (name === null) return;
      pictures[k].src = `/run/${run.id}/picture/${encodeURIComponent(name)}?v=${run.version}`;
      pictures[k].alt = `${run.name} at layer ${step.layer}`;
    });
  }
  draw();
}

// The names of the corners with their colour, and what each run had at most.
function list() {
  const names = document.querySelector("#curve-names");
  names.replaceChildren();
  for (const place of places) {
    const item = document.createElement("li");
    const swatch = document.createElement("canvas");
    swatch.className = "swatch";
    swatch.width = 48;
    swatch.height = 18;
    const pen = swatch.getContext("2d");
    pen.fillStyle = lookOf(place).colour;
    pen.fillRect(0, 6, 48, 6);
    const most = data.runs.map((run) => {
      const points = run.series.find((s) => s.place === place)?.points ?? [];
      const top = points.reduce((a, b) => (a === null || b[1] > a[1] ? b : a), null);
      return top ? amount(top[1], top[2], "mm") : "not seen";
    });
    item.append(swatch, ` ${place}: at most ${most.join(" and ")}`);
    names.append(item);
  }
}

function draw() {
  if (!data) return;
  const ratio = window.devicePixelRatio || 1;
  const width = canvas.clientWidth;
  const height = canvas.clientHeight;
  canvas.width = Math.round(width * ratio);
  canvas.height = Math.round(height * ratio);
  const pen = canvas.getContext("2d");
  pen.scale(ratio, ratio);
  const points = data.runs.flatMap((run) => run.series.flatMap((s) => s.points));
  const most = Math.max(1, ...points.map((p) => p[1] + Math.min(p[2], 0.5))) * 1.05;
  const least = Math.min(-0.2, ...points.map((p) => p[1] - Math.min(p[2], 0.5)));
  const x = (layer) => LEFT + (layer / last) * (width - LEFT - RIGHT);
  const y = (mm) => height - AXIS - ((mm - least) / (most - least)) * (height - AXIS - TOP);
  pen.font = "12px system-ui, sans-serif";
  pen.fillStyle = "#b8ab9b";
  pen.strokeStyle = "#2c2722";
  pen.textAlign = "right";
  pen.textBaseline = "middle";
  const step = [0.2, 0.5, 1, 2, 5, 10].find((s) => (most - least) / s <= 5) ?? 20;
  for (let mm = Math.ceil(least / step) * step; mm <= most; mm += step) {
    line(pen, [[LEFT, y(mm)], [width - RIGHT, y(mm)]]);
    pen.fillText(mm.toFixed(step < 1 ? 1 : 0).replace("-", "−"), LEFT - 6, y(mm));
  }
  pen.textAlign = "center";
  const every = [1, 2, 5, 10, 20, 50, 100, 200, 500].find((n) => last / n <= width / 60) ?? 1000;
  for (let layer = 0; layer <= last; layer += every) pen.fillText(layer, x(layer), height - AXIS / 2);
  pen.lineWidth = 2;
  data.runs.forEach((run, k) => {
    pen.setLineDash(DASHES[k]);
    for (const series of run.series) {
      pen.strokeStyle = lookOf(series.place).colour;
      line(pen, series.points.map(([layer, mm]) => [x(layer), y(mm)]));
    }
  });
  pen.setLineDash([]);
  const here = data.steps[Number(slider.value)];
  if (here) {
    pen.strokeStyle = "#ffcf5c";
    line(pen, [[x(here.layer), TOP], [x(here.layer), height - AXIS]]);
  }
}

function line(pen, points) {
  const path = new Path2D();
  for (const [a, b] of points) path.lineTo(a, b);
  pen.stroke(path);
}

// Chamber and humidity under the lift curve, on its time axis.

import { LOOKS } from "./strip.js";

const LEFT = 44;
const RIGHT = 12;
const ROW = 76;

const canvas = document.querySelector("#conditions");
const answer = await fetch(canvas.dataset.address);
const data = answer.ok ? await answer.json() : { series: [] };
canvas.hidden = data.series.length === 0;
if (!canvas.hidden) {
  const words = data.series.map((one) => {
    const values = one.points.map((p) => p[1]);
    const [low, high] = [Math.min(...values), Math.max(...values)];
    return `${one.name} ${low.toFixed(0)} to ${high.toFixed(0)} ${one.unit}`;
  });
  canvas.setAttribute("aria-label", words.join(", "));
  canvas.style.height = `${data.series.length * ROW}px`;
  addEventListener("resize", draw);
  draw();
}

function draw() {
  const ratio = window.devicePixelRatio || 1;
  const width = canvas.clientWidth;
  canvas.width = Math.round(width * ratio);
  canvas.height = Math.round(data.series.length * ROW * ratio);
  const pen = canvas.getContext("2d");
  pen.scale(ratio, ratio);
  pen.font = "12px system-ui, sans-serif";
  pen.textBaseline = "middle";
  const span = Math.max(1, data.last_s - data.first_s);
  const x = (s) => LEFT + ((s - data.first_s) / span) * (width - LEFT - RIGHT);
  data.series.forEach((one, row) => {
    const values = one.points.map((p) => p[1]);
    const low = Math.floor(Math.min(...values) - 1);
    const high = Math.ceil(Math.max(...values) + 1);
    const top = row * ROW + 28;
    const y = (v) => top + (1 - (v - low) / (high - low)) * (ROW - 36);
    pen.fillStyle = "#b8ab9b";
    pen.textAlign = "left";
    pen.fillText(`${one.name} in ${one.unit}`, 6, row * ROW + 9);
    pen.textAlign = "right";
    for (const v of [low, high]) pen.fillText(v, LEFT - 6, y(v));
    pen.strokeStyle = LOOKS[row].colour;
    pen.lineWidth = 2;
    const path = new Path2D();
    for (const [s, v] of one.points) path.lineTo(x(s), y(v));
    pen.stroke(path);
  });
}

// Draws the measured and expected lines of a frame over its picture.

const CHUNK = 50;

const STYLES = {
  expected: { colour: "#e4dccf", dash: [5, 5], width: 1.25, closed: false },
  region: { colour: "#a89c8c", dash: [2, 5], width: 1.5, closed: true },
  strand: { colour: "#ff7fd4", dash: [], width: 2, closed: false },
  measured: { colour: "#ffcf5c", dash: [], width: 2.5, closed: false },
};

export class Lines {
  // `address` answers with the lines of frames by number; `arrived` is called when more are known.
  constructor(canvas, address, arrived) {
    this.canvas = canvas;
    this.address = address;
    this.arrived = arrived;
    this.known = new Map();
    this.asked = new Set();
    this.shown = new Set();
    // Colours of the places that have one of their own.
    this.colours = new Map();
  }

  // Middle of what was measured at a place in a frame, in pixels of the picture; null if unknown.
  middleOf(number, place) {
    const points = (this.known.get(number) ?? [])
      .filter((line) => line.role === "measured" && line.place === place)
      .flatMap((line) => line.points);
    if (!points.length) return null;
    return [0, 1].map((k) => {
      const along = points.map((p) => p[k]);
      return (Math.min(...along) + Math.max(...along)) / 2;
    });
  }

  // Forget that these were asked for: they were not judged when they came.
  askAgain(number) {
    this.asked.delete(Math.trunc(number / CHUNK));
  }

  // `size` is the picture's width and height in its own pixels.
  draw(number, size) {
    this.#ask(number);
    const ratio = window.devicePixelRatio || 1;
    const box = this.canvas.getBoundingClientRect();
    const width = Math.round(box.width * ratio);
    const height = Math.round(box.height * ratio);
    if (this.canvas.width !== width || this.canvas.height !== height) {
      this.canvas.width = width;
      this.canvas.height = height;
    }
    const pen = this.canvas.getContext("2d");
    pen.clearRect(0, 0, width, height);
    const lines = this.known.get(number) ?? [];
    for (const role of Object.keys(STYLES)) {
      if (!this.shown.has(role)) continue;
      for (const line of lines) {
        if (line.role === role) this.#stroke(pen, line, width / size[0], height / size[1], ratio);
      }
    }
  }

  #stroke(pen, line, scaleX, scaleY, ratio) {
    if (line.points.length < 2) return;
    const style = STYLES[line.role];
    const path = new Path2D();
    // (0, 0) is the centre of the top left pixel.
    for (const [x, y] of line.points) path.lineTo((x + 0.5) * scaleX, (y + 0.5) * scaleY);
    if (style.closed && line.points.length > 2) path.closePath();
    pen.lineJoin = pen.lineCap = "round";
    pen.setLineDash([]);
    pen.strokeStyle = "rgb(0 0 0 / 55%)";
    pen.lineWidth = (style.width + 2) * ratio;
    pen.stroke(path);
    pen.setLineDash(style.dash.map((length) => length * ratio));
    pen.strokeStyle = (line.role === "measured" && this.colours.get(line.place)) || style.colour;
    pen.lineWidth = style.width * ratio;
    pen.stroke(path);
  }

  async #ask(number) {
    const chunk = Math.trunc(number / CHUNK);
    if (this.asked.has(chunk)) return;
    this.asked.add(chunk);
    try {
      const query = `?since=${chunk * CHUNK}&until=${(chunk + 1) * CHUNK}`;
      const answer = await fetch(this.address + query);
      if (!answer.ok) throw new Error(answer.statusText);
      for (const [key, lines] of Object.entries(await answer.json())) {
        this.known.set(Number(key), lines);
      }
      this.arrived();
    } catch {
      this.asked.delete(chunk);
    }
  }
}

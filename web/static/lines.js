// Fetches the measured and expected lines of frames and draws them over pictures.

const CHUNK = 50;
// Enlarged, a canvas as wide as the picture would take a hundred megabytes.
const WIDEST = 2400;

const STYLES = {
  expected: { colour: "#e4dccf", dash: [5, 5], width: 1.25, closed: false },
  region: { colour: "#a89c8c", dash: [2, 5], width: 1.5, closed: true },
  strand: { colour: "#ff7fd4", dash: [], width: 2, closed: false },
  measured: { colour: "#ffcf5c", dash: [], width: 2.5, closed: false },
};

export class Lines {
  // `address` answers with the lines of frames by number; `arrived` is called when more are known.
  constructor(address, arrived) {
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

  // Fetch the lines of a frame, and of those about it, unless they are there.
  need(number) {
    this.#ask(number);
  }

  // Draw what is known over a canvas that covers the picture: `box` is its width and height on the
  // screen, `size` the picture's in its own pixels.
  draw(canvas, number, box, size) {
    if (!box[0]) return;
    const ratio = Math.min(window.devicePixelRatio || 1, WIDEST / box[0]);
    const [width, height] = box.map((side) => Math.round(side * ratio));
    if (canvas.width !== width || canvas.height !== height) {
      canvas.width = width;
      canvas.height = height;
    }
    const pen = canvas.getContext("2d");
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

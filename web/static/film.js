// Fetches pictures around the wanted one ahead of time and paints the wanted one.

const AHEAD = 40;
const BEHIND = 12;
const KEPT = 160;
const AT_ONCE = 4;

export class Film {
  // `addressOf(frame)` gives a picture's address; `painted(frame, ok)` is told what now stands there.
  constructor(canvas, addressOf, painted) {
    this.canvas = canvas;
    this.addressOf = addressOf;
    this.painted = painted;
    this.frames = [];
    this.kept = new Map();
    this.loading = 0;
    this.index = 0;
    this.direction = 1;
  }

  setFrames(frames) {
    this.frames = frames;
  }

  show(index) {
    if (index !== this.index) this.direction = index > this.index ? 1 : -1;
    this.index = index;
    this.#paint();
    this.#fetchMore();
  }

  isReady(index) {
    const entry = this.kept.get(this.frames[index]?.name);
    return Boolean(entry && entry.state !== "loading");
  }

  #paint() {
    const frame = this.frames[this.index];
    if (!frame) return;
    const entry = this.kept.get(frame.name);
    if (!entry || entry.state === "loading") return;
    if (entry.state === "ready") {
      const { naturalWidth: width, naturalHeight: height } = entry.image;
      if (this.canvas.width !== width || this.canvas.height !== height) {
        this.canvas.width = width;
        this.canvas.height = height;
      }
      this.canvas.getContext("2d").drawImage(entry.image, 0, 0);
    }
    this.painted(frame, entry.state === "ready");
  }

  #wanted() {
    const order = [this.index];
    for (let step = 1; step <= AHEAD; step++) {
      order.push(this.index + step * this.direction);
      if (step <= BEHIND) order.push(this.index - step * this.direction);
    }
    return order.filter((i) => i >= 0 && i < this.frames.length);
  }

  #fetchMore() {
    for (const index of this.#wanted()) {
      // The wanted picture itself never waits for its neighbours.
      if (this.loading >= AT_ONCE && index !== this.index) return;
      const frame = this.frames[index];
      if (!this.kept.has(frame.name)) this.#load(frame);
    }
  }

  #load(frame) {
    const image = new Image();
    const entry = { image, state: "loading" };
    this.kept.set(frame.name, entry);
    this.loading += 1;
    const done = (state) => {
      this.loading -= 1;
      entry.state = state;
      if (this.frames[this.index]?.name === frame.name) this.#paint();
      this.#forgetFar();
      this.#fetchMore();
    };
    image.src = this.addressOf(frame);
    image.decode().then(() => done("ready"), () => done("failed"));
  }

  #forgetFar() {
    if (this.kept.size <= KEPT) return;
    const near = new Set(this.#wanted().map((i) => this.frames[i].name));
    for (const [name, entry] of this.kept) {
      if (this.kept.size <= KEPT) return;
      if (entry.state !== "loading" && !near.has(name)) this.kept.delete(name);
    }
  }
}

// Whole pictures: the one where the cursor rests, those beside it, and ahead of it while playing.

const BESIDE = 2;
const AHEAD = 24;
const KEPT = 48;
const AT_ONCE = 4;

export class Film {
  // `addressOf(frame)` gives a picture's address; `arrived(frame)` is told when one came or failed.
  constructor(addressOf, arrived) {
    this.addressOf = addressOf;
    this.arrived = arrived;
    this.frames = [];
    this.kept = new Map();
    this.loading = 0;
    this.order = [];
  }

  setFrames(frames) {
    this.frames = frames;
  }

  // "ready", "failed", "loading", or undefined where nobody asked; a deleted picture has failed.
  stateOf(index) {
    const frame = this.frames[index];
    return frame?.gone ? "failed" : this.kept.get(frame?.name)?.state;
  }

  imageOf(index) {
    const entry = this.kept.get(this.frames[index]?.name);
    return entry?.state === "ready" ? entry.image : null;
  }

  // The cursor rests at `index`, or plays on from there.
  want(index, playing = false) {
    this.order = [index];
    for (let step = 1; step <= (playing ? AHEAD : BESIDE); step++) {
      this.order.push(index + step);
      if (!playing) this.order.push(index - step);
    }
    this.order = this.order.filter((i) => i >= 0 && i < this.frames.length);
    this.#fetchMore();
  }

  // A picture for another purpose than the cursor's: resolves to an image, or rejects.
  async one(frame) {
    const known = this.kept.get(frame.name);
    if (known?.state === "ready") return known.image;
    const image = new Image();
    image.src = this.addressOf(frame);
    await image.decode();
    return image;
  }

  #fetchMore() {
    for (const [place, index] of this.order.entries()) {
      // The wanted picture itself never waits for its neighbours.
      if (this.loading >= AT_ONCE && place > 0) return;
      const frame = this.frames[index];
      if (!frame.gone && !this.kept.has(frame.name)) this.#load(frame);
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
      this.#forgetFar();
      this.arrived(frame);
      this.#fetchMore();
    };
    image.src = this.addressOf(frame);
    image.decode().then(() => done("ready"), () => done("failed"));
  }

  // Asks again for a picture that failed.
  retry(index) {
    const name = this.frames[index]?.name;
    if (this.kept.get(name)?.state === "failed") this.kept.delete(name);
  }

  #forgetFar() {
    const near = new Set(this.order.map((i) => this.frames[i]?.name));
    for (const [name, entry] of this.kept) {
      if (this.kept.size <= KEPT) return;
      if (entry.state !== "loading" && !near.has(name)) this.kept.delete(name);
    }
  }
}

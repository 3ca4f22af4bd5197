// Small previews of every picture, many to a sheet: fetched near the cursor first, decoded off the
// main thread, and forgotten again where they would take too much memory.

const AT_ONCE = 3;
// So many sheets ahead of the cursor and behind it.
const REACH = { fine: [4, 2], middle: [2, 1] };
// Decoded, a fine sheet of 2560 by 720 pixels takes 7 MB, the others half of that. The coarse ones
// of a night of ten hours are four.
const SMALL = innerWidth < 700 || (navigator.deviceMemory ?? 8) <= 4;
const KEPT = SMALL ? { fine: 8, middle: 8, coarse: 16 } : { fine: 20, middle: 20, coarse: 24 };
const RETRY_MS = 2000;
// Where the cursor moves so fast that the next coarser grain has a picture for each drawn frame,
// a finer one would be gone before it is decoded.
const DRAWN_PER_S = 60;
const SLOWED_MS = 120;

export class Sheets {
  // `address` is followed by the grain's name and the sheet's number; `arrived` is called when
  // more is there.
  constructor(address, version, arrived) {
    this.address = address;
    this.version = version;
    this.arrived = arrived;
    this.grains = null;
    this.last = -1; // the greatest number of a picture
    this.kept = { fine: new Map(), middle: new Map(), coarse: new Map() };
    this.loading = new Set();
    this.refused = new Map();
    this.number = 0;
    this.direction = 1;
    this.speed = 0; // pictures a millisecond, smoothed
    this.movedAt = 0;
  }

  set(grains, last) {
    this.grains = grains;
    this.last = last;
  }

  // The best preview of a picture that is there: {image, x, y, width, height, exact}, or null.
  best(number) {
    return this.#cell("fine", number) ?? this.#cell("middle", number) ?? this.#cell("coarse", number);
  }

  // Move the cursor: what is near it is fetched next.
  need(number) {
    if (!this.grains) return;
    const now = performance.now();
    const apart = Math.max(4, now - this.movedAt);
    const speed = apart > SLOWED_MS ? 0 : Math.abs(number - this.number) / apart;
    this.speed = apart > SLOWED_MS ? 0 : 0.8 * this.speed + 0.2 * speed;
    this.movedAt = now;
    if (number !== this.number) this.direction = number > this.number ? 1 : -1;
    this.number = number;
    this.#fetchMore();
  }

  #span(name) {
    const grain = this.grains[name];
    return grain.step * grain.columns * grain.rows;
  }

  #cell(name, number) {
    if (!this.grains) return null;
    const grain = this.grains[name];
    const span = this.#span(name);
    const sheet = Math.trunc(number / span);
    const entry = this.kept[name].get(sheet);
    if (!entry || number > entry.upTo) return null;
    // The one that is used longest ago is forgotten first.
    this.kept[name].delete(sheet);
    this.kept[name].set(sheet, entry);
    const place = Math.trunc((number - sheet * span) / grain.step);
    const [width, height] = grain.size;
    const x = (place % grain.columns) * width;
    const y = Math.trunc(place / grain.columns) * height;
    return { image: entry.image, x, y, width, height, exact: grain.step === 1 };
  }

  // Names and numbers of sheets, the most urgent first.
  #wanted() {
    const { middle, coarse } = this.grains;
    const speed = this.speed * 1000;
    const names = ["coarse"];
    if (speed <= DRAWN_PER_S * coarse.step) names.unshift("middle");
    if (speed <= DRAWN_PER_S * middle.step) names.unshift("fine");
    const here = {};
    for (const name in this.grains) here[name] = Math.trunc(this.number / this.#span(name));
    const order = names.map((name) => [name, here[name]]);
    // A whole night in coarse before anything else: then no move of the cursor can miss.
    const all = Math.trunc(this.last / this.#span("coarse"));
    for (let step = 1; step <= Math.min(all, KEPT.coarse / 2 - 1); step++) {
      order.push(["coarse", here.coarse + step], ["coarse", here.coarse - step]);
    }
    for (const name of ["middle", "fine"].filter((n) => names.includes(n))) {
      const [ahead, behind] = REACH[name];
      for (let step = 1; step <= ahead; step++) {
        order.push([name, here[name] + step * this.direction]);
        if (step <= behind) order.push([name, here[name] - step * this.direction]);
      }
    }
    return order.filter(([name, sheet]) => sheet >= 0 && sheet * this.#span(name) <= this.last);
  }

  #fetchMore() {
    for (const [name, sheet] of this.#wanted()) {
      if (this.loading.size >= AT_ONCE) return;
      const upTo = Math.min(this.last, (sheet + 1) * this.#span(name) - 1);
      const key = `${name}/${sheet}`;
      const entry = this.kept[name].get(sheet);
      const refused = performance.now() - (this.refused.get(key) ?? -RETRY_MS) < RETRY_MS;
      if ((entry && entry.upTo >= upTo) || this.loading.has(key) || refused) continue;
      this.#load(key, name, sheet, upTo);
    }
  }

  async #load(key, name, sheet, upTo) {
    // What falls behind the cursor is not taken back: the server has begun it, and it is needed
    // on the way back.
    this.loading.add(key);
    try {
      const answer = await fetch(`${this.address}${name}/${sheet}?v=${this.version}`);
      if (!answer.ok) throw new Error(answer.statusText);
      const image = await createImageBitmap(await answer.blob());
      this.kept[name].get(sheet)?.image.close();
      this.kept[name].delete(sheet);
      this.kept[name].set(sheet, { image, upTo });
      this.#forget(name, KEPT[name]);
    } catch {
      this.refused.set(key, performance.now());
    }
    this.loading.delete(key);
    this.arrived();
    this.#fetchMore();
  }

  #forget(name, most) {
    const kept = this.kept[name];
    while (kept.size > most) {
      const [oldest, entry] = kept.entries().next().value;
      entry.image.close();
      kept.delete(oldest);
    }
  }
}

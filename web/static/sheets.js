// Small previews of every picture, many to a sheet: fetched near the cursor first, decoded off the
// main thread, and forgotten again where they would take too much memory.

const AT_ONCE = 3;
const AHEAD = 4;
const BEHIND = 2;
// Decoded, a fine sheet of 2560 by 720 takes 7 MB.
const KEPT = innerWidth < 700 || (navigator.deviceMemory ?? 8) <= 4 ? 10 : 24;
// The coarse ones are an eighth of that for each picture and cover a night by four.
const KEPT_COARSE = 24;
const RETRY_MS = 2000;

export class Sheets {
  // `address` is followed by the grain's name and the sheet's number; `arrived` is called when
  // more is there.
  constructor(address, version, arrived) {
    this.address = address;
    this.version = version;
    this.arrived = arrived;
    this.grains = null;
    this.last = -1; // the greatest number of a picture
    this.kept = { fine: new Map(), coarse: new Map() };
    this.loading = new Map();
    this.refused = new Map();
    this.number = 0;
    this.direction = 1;
  }

  set(grains, last) {
    this.grains = grains;
    this.last = last;
  }

  // The best preview of a picture that is there: {image, x, y, width, height, exact}, or null.
  best(number) {
    return this.#cell("fine", number) ?? this.#cell("coarse", number);
  }

  // Move the cursor: what is near it is fetched next.
  need(number) {
    if (!this.grains) return;
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

  #wanted() {
    const order = [];
    const fine = Math.trunc(this.number / this.#span("fine"));
    const coarse = Math.trunc(this.number / this.#span("coarse"));
    const lastCoarse = Math.trunc(this.last / this.#span("coarse"));
    order.push(["fine", fine], ["coarse", coarse]);
    // A whole night in coarse first: then no move of the cursor can miss.
    for (let step = 1; step <= Math.min(lastCoarse, KEPT_COARSE / 2 - 1); step++) {
      order.push(["coarse", coarse + step], ["coarse", coarse - step]);
    }
    for (let step = 1; step <= AHEAD; step++) {
      order.push(["fine", fine + step * this.direction]);
      if (step <= BEHIND) order.push(["fine", fine - step * this.direction]);
    }
    return order.filter(
      ([name, sheet]) => sheet >= 0 && sheet * this.#span(name) <= this.last,
    );
  }

  #fetchMore() {
    // What has fallen far behind the cursor only stands in the way.
    const here = Math.trunc(this.number / this.#span("fine"));
    for (const { name, sheet, stop } of this.loading.values()) {
      if (name === "fine" && Math.abs(sheet - here) > 2 * AHEAD) stop.abort();
    }
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
    const stop = new AbortController();
    this.loading.set(key, { name, sheet, stop });
    try {
      const answer = await fetch(`${this.address}${name}/${sheet}?v=${this.version}`, {
        signal: stop.signal,
      });
      if (!answer.ok) throw new Error(answer.statusText);
      const image = await createImageBitmap(await answer.blob());
      this.kept[name].get(sheet)?.image.close();
      this.kept[name].delete(sheet);
      this.kept[name].set(sheet, { image, upTo });
      this.#forget(name, name === "fine" ? KEPT : KEPT_COARSE);
    } catch {
      if (!stop.signal.aborted) this.refused.set(key, performance.now());
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

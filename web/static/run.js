// What is known of the run: pictures, readings by place, advice, moments. Grows while it is watched.

import { LOOKS } from "./strip.js";

// Kinds of readings that have a lane of their own under the lift, in this order.
const KINDS = new Map([
  ["overhang-curl", "curl of overhangs"],
  ["spaghetti", "loose strands"],
  ["detached", "motion of the part"],
  ["layer-step", "step between layers"],
  ["no-growth", "missing growth"],
]);

export class Run {
  constructor() {
    this.frames = [];
    this.indexOf = new Map(); // frame number -> place in frames
    this.places = new Map();
    this.advice = [];
    this.moments = [];
    this.watching = false;
    this.layers = null;
    this.sheets = null;
  }

  // Where to ask on from: the first picture that was not judged when it came, or the next one.
  get since() {
    const waiting = this.frames.find((frame) => !frame.judged);
    return waiting?.number ?? (this.frames.at(-1)?.number ?? -1) + 1;
  }

  // Takes an answer of the server and says what is new: {pictures, judged, moments}.
  take(data) {
    const told = { pictures: false, judged: [], moments: false };
    for (const frame of data.frames) {
      const at = this.indexOf.get(frame.number);
      if (at === undefined) {
        this.indexOf.set(frame.number, this.frames.length);
        this.frames.push(frame);
        told.pictures = true;
      } else {
        told.pictures ||= this.frames[at].judged !== frame.judged;
        this.frames[at] = frame;
      }
      if (frame.judged) told.judged.push(frame.number);
    }
    for (const series of data.series) this.#takeSeries(series);
    const known = new Set(this.advice.map((advice) => advice.number));
    this.advice.push(...data.advice_from.filter((advice) => !known.has(advice.number)));
    this.advice.sort((a, b) => a.number - b.number);
    told.moments = JSON.stringify(data.moments) !== JSON.stringify(this.moments);
    this.moments = data.moments;
    this.watching = data.watching;
    this.layers = data.layers;
    this.sheets = data.sheets;
    return told;
  }

  #takeSeries(series) {
    const key = `${series.kind}|${series.place}`;
    let place = this.places.get(key);
    if (!place) {
      const same = [...this.places.values()].filter((p) => p.kind === series.kind).length;
      place = {
        kind: series.kind, kindWords: series.kind_words, place: series.place, unit: series.unit,
        values: [], sigmas: [], unseen: [], look: LOOKS[same % LOOKS.length],
      };
      this.places.set(key, place);
    }
    series.numbers.forEach((number, i) => {
      const at = this.indexOf.get(number);
      if (at === undefined) return;
      place.values[at] = series.values[i];
      place.sigmas[at] = series.sigmas[i];
      place.unseen[at] = series.unseen[i];
    });
  }

  get lifts() {
    return [...this.places.values()].filter((place) => place.kind === "corner-lift");
  }

  // The lanes under the lift: [{key, name, unit, series}].
  get lanes() {
    return [...KINDS].flatMap(([kind, name]) => {
      const series = [...this.places.values()].filter((place) => place.kind === kind);
      const seen = series.some((place) => place.values.some((value) => value != null));
      return seen ? [{ key: kind, name, unit: series[0].unit, series }] : [];
    });
  }

  adviceAt(number) {
    return this.advice.findLast((advice) => advice.number <= number);
  }

  // Where the level of the advice changed, in order: [{number, elapsed_s, level}].
  get levels() {
    return this.advice.flatMap(({ number, level }, i) => {
      const at = this.indexOf.get(number);
      const changed = at !== undefined && level !== this.advice[i - 1]?.level;
      return changed ? [{ number, elapsed_s: this.frames[at].elapsed_s, level }] : [];
    });
  }

  // The corner that is suspected, else the one that lifts most.
  suspect() {
    const told = this.advice.findLast((advice) => advice.place)?.place;
    if (told && this.places.has(`corner-lift|${told}`)) return told;
    const most = (place) => place.values.reduce((top, value) => Math.max(top, value ?? -1), -1);
    return this.lifts.toSorted((a, b) => most(b) - most(a))[0]?.place;
  }

  // Index of the last picture before a fault began: of the moment `moment` where one is chosen,
  // else of the advice that stands. Undefined where nothing began.
  before(moment) {
    const advice = moment ? this.adviceAt(moment.noticed) : this.advice.at(-1);
    const first = this.moments.find((m) => m.level !== "carry on");
    const since = [advice?.since_s, moment?.elapsed_s, first?.elapsed_s].find((s) => s != null);
    if (since === undefined || (!moment && !first && advice?.level === "carry on")) return undefined;
    const at = this.frames.findIndex((frame) => frame.elapsed_s >= since);
    return at < 0 ? undefined : Math.max(0, at - 1);
  }

  // A picture to compare picture `at` with: the one at `before`, or one of the sixty earlier ones
  // where the bed stood as it does at `at`.
  like(before, at) {
    const bed = this.frames[at]?.bed_mm;
    if (bed == null) return before;
    for (let i = before; i >= Math.max(0, before - 60); i--) {
      const there = this.frames[i].bed_mm;
      if (there != null && Math.abs(there - bed) < 0.5 && !this.frames[i].gone) return i;
    }
    return before;
  }
}

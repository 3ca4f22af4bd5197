// The picture: a preview while the cursor moves, the whole one where it rests; enlarged; beside or
// against an earlier one.

import { difference } from "./difference.js";

const REST_MS = 90;
const LARGEST = 8;
const CLOSE = 4;
// Wider, a difference takes longer to reckon than a hand takes to move.
const DIFFERENCE_WIDTH = 960;

export class Stage {
  // `parts`: elements by name. `told(frame, state)` hears what stands there: "whole", "preview" or
  // "nothing"; `differs(found)` what was found against the picture from then.
  constructor(parts, { run, film, sheets, lines, told, differs }) {
    Object.assign(this, { parts, run, film, sheets, lines, told, differs });
    this.size = [parts.picture.width, parts.picture.height];
    this.index = -1;
    this.shown = null; // the frame whose picture stands there
    this.whole = false; // whether it is the whole one
    this.roles = new Set(); // of the lines to draw
    this.mode = "now";
    this.then = null; // {frame, index, ready}
    this.share = 0.5; // of the width that shows then
    this.zoom = { scale: 1, x: 0.5, y: 0.5 };
    this.near = null; // {place, middle} while a corner is followed
    this.playing = false;
    this.resting = 0;
    this.preview = parts.preview.getContext("2d", { willReadFrequently: true });
    this.work = Object.assign(document.createElement("canvas"), { width: 1, height: 1 })
      .getContext("2d", { willReadFrequently: true });
    this.#hands();
  }

  // Show picture `index`, by its preview at first where the whole one is not there.
  show(index, { soon = false } = {}) {
    this.index = index;
    clearTimeout(this.resting);
    this.sheets.need(this.run.frames[index].number);
    if (soon) this.film.want(index, this.playing);
    else this.resting = setTimeout(() => this.#rest(), REST_MS);
    this.refresh();
  }

  #rest() {
    this.film.want(this.index, this.playing);
    this.resting = setTimeout(() => this.sheets.need(this.run.frames[this.index].number), REST_MS);
  }

  // Paint again: something has arrived.
  refresh() {
    const frame = this.run.frames[this.index];
    if (!frame) return;
    const image = this.film.imageOf(this.index);
    if (image) {
      if (!this.whole || this.shown !== frame) this.#paintWhole(frame, image);
    } else if (this.shown !== frame || (!this.whole && !this.exact)) {
      this.#paintPreview(frame);
    }
    const failed = this.film.stateOf(this.index) === "failed";
    this.parts.stage.classList.toggle("late", !image && !failed);
    if (failed) this.told(frame, this.shown === frame ? "preview" : "nothing");
  }

  isReady(index) {
    return ["ready", "failed"].includes(this.film.stateOf(index));
  }

  #paintWhole(frame, image) {
    const { picture } = this.parts;
    if (picture.width !== image.naturalWidth || picture.height !== image.naturalHeight) {
      picture.width = image.naturalWidth;
      picture.height = image.naturalHeight;
    }
    picture.getContext("2d").drawImage(image, 0, 0);
    this.size = [picture.width, picture.height];
    this.#painted(frame, true);
    this.lines.need(frame.number);
    this.told(frame, "whole");
  }

  #paintPreview(frame) {
    const cell = this.sheets.best(frame.number);
    if (!cell) return;
    const { preview } = this.parts;
    const fine = this.run.sheets.fine.size;
    if (preview.width !== fine[0] || preview.height !== fine[1]) {
      [preview.width, preview.height] = fine;
    }
    this.preview.drawImage(
      cell.image, cell.x, cell.y, cell.width, cell.height, 0, 0, preview.width, preview.height,
    );
    this.exact = cell.exact;
    this.#painted(frame, false);
    this.told(frame, "preview");
  }

  #painted(frame, whole) {
    this.shown = frame;
    this.whole = whole;
    const { stage, first } = this.parts;
    stage.classList.toggle("small", !whole);
    first?.remove();
    this.parts.first = null;
    this.redraw();
  }

  // Draw all that lies over the picture again.
  redraw() {
    if (!this.shown) return;
    this.#enlarge();
    const { stage, lines, pastLines } = this.parts;
    const box = [this.box?.[0] * this.zoom.scale, this.box?.[1] * this.zoom.scale];
    this.lines.shown = this.roles;
    this.lines.draw(lines, this.shown.number, box, this.size);
    if (this.mode === "wipe" && this.then?.ready) {
      this.lines.draw(pastLines, this.then.frame.number, box, this.size);
    }
    stage.dataset.mode = this.then?.ready ? this.mode : "now";
    if (this.mode === "difference" && this.then?.ready) this.#difference();
  }

  // The stage's size on the screen, in px.
  measure() {
    const { clientWidth, clientHeight } = this.parts.picture;
    this.box = [clientWidth, clientHeight];
    this.redraw();
  }

  // Then and now

  setMode(mode) {
    this.mode = mode;
    this.redraw();
  }

  // Choose the picture to compare with. Resolves to whether it could be loaded, in whole or small.
  async setThen(index) {
    const frame = this.run.frames[index];
    const then = (this.then = { frame, index, ready: false, whole: false });
    const { pastPicture: canvas } = this.parts;
    let image = null;
    if (!frame.gone) image = await this.film.one(frame).catch(() => null);
    if (this.then !== then) return true; // another one was chosen meanwhile
    const cell = image ? null : this.sheets.best(frame.number);
    if (image) {
      [canvas.width, canvas.height] = [image.naturalWidth, image.naturalHeight];
      canvas.getContext("2d").drawImage(image, 0, 0);
    } else if (cell) {
      [canvas.width, canvas.height] = [cell.width, cell.height];
      canvas.getContext("2d").drawImage(
        cell.image, cell.x, cell.y, cell.width, cell.height, 0, 0, cell.width, cell.height,
      );
    }
    this.past = new Map();
    then.ready = Boolean(image || cell);
    this.lines.need(frame.number);
    this.redraw();
    return then.ready;
  }

  divide(share) {
    this.share = Math.min(Math.max(share, 0), 1);
    const percent = Math.round(this.share * 100);
    const { past, divider } = this.parts;
    past.style.clipPath = `inset(0 ${100 - percent}% 0 0)`;
    divider.style.left = `${percent}%`;
    divider.setAttribute("aria-valuenow", percent);
    divider.setAttribute("aria-valuetext", `then to the left of ${percent} %, now to the right`);
  }

  #pixels(source, width, height) {
    const { canvas } = this.work;
    if (canvas.width !== width || canvas.height !== height) {
      canvas.width = width;
      canvas.height = height;
    }
    this.work.drawImage(source, 0, 0, width, height);
    return this.work.getImageData(0, 0, width, height).data;
  }

  #difference() {
    const { picture, preview, pastPicture, differs } = this.parts;
    const source = this.whole ? picture : preview;
    const width = Math.min(source.width, DIFFERENCE_WIDTH);
    const height = Math.round((width * source.height) / source.width);
    if (!this.past.has(width)) this.past.set(width, this.#pixels(pastPicture, width, height));
    const found = difference(this.past.get(width), this.#pixels(source, width, height));
    if (differs.width !== width || differs.height !== height) {
      differs.width = width;
      differs.height = height;
    }
    differs.getContext("2d").putImageData(new ImageData(found.pixels, width, height), 0, 0);
    this.differs(found);
  }

  // Closer

  follow(place) {
    const middle = this.shown && this.lines.middleOf(this.shown.number, place);
    this.near = middle ? { place, middle } : null;
    this.zoom = middle ? { scale: CLOSE, x: 0.5, y: 0.5 } : { scale: 1, x: 0.5, y: 0.5 };
    this.redraw();
    return this.near !== null;
  }

  wholePicture() {
    this.near = null;
    this.zoom = { scale: 1, x: 0.5, y: 0.5 };
    this.redraw();
  }

  // Enlarge by a factor about a place of the stage, in shares of its width and height.
  enlargeAt(factor, u = 0.5, v = 0.5, moved = [0, 0]) {
    const { scale } = this.zoom;
    const next = Math.min(Math.max(scale * factor, 1), LARGEST);
    const [left, top] = this.#corner();
    // What lies under (u, v) stays there, or goes along with the fingers.
    const x = left + u / scale - (u - 0.5) / next - moved[0] / next;
    const y = top + v / scale - (v - 0.5) / next - moved[1] / next;
    this.near = null;
    this.zoom = { scale: next, x, y };
    const [keptLeft, keptTop] = this.#corner();
    this.zoom.x = keptLeft + 0.5 / next;
    this.zoom.y = keptTop + 0.5 / next;
    this.redraw();
    this.parts.zoomed();
  }

  // What stands in the stage's top left corner, in shares of the picture.
  #corner() {
    const { scale, x, y } = this.zoom;
    return [x, y].map((middle) => Math.min(Math.max(middle - 0.5 / scale, 0), 1 - 1 / scale));
  }

  #enlarge() {
    const { lens, pastLens } = this.parts;
    if (this.near) {
      // The middle stands still, so that the corner is seen to climb, until bed or camera has
      // moved on.
      const { middle, place } = this.near;
      const now = this.lines.middleOf(this.shown.number, place);
      const reach = this.size[0] / CLOSE / 4;
      if (now && Math.hypot(now[0] - middle[0], now[1] - middle[1]) > reach) this.near.middle = now;
      [this.zoom.x, this.zoom.y] = this.near.middle.map((along, k) => (along + 0.5) / this.size[k]);
    }
    const [left, top] = this.#corner();
    const transform = this.zoom.scale === 1
      ? ""
      : `scale(${this.zoom.scale}) translate(${-100 * left}%, ${-100 * top}%)`;
    if (lens.style.transform !== transform) lens.style.transform = pastLens.style.transform = transform;
  }

  // Hands

  #hands() {
    const { stage, divider } = this.parts;
    stage.addEventListener("wheel", (event) => {
      // A pinch on a touchpad comes as a wheel with Ctrl; a plain wheel scrolls the page.
      if (!event.ctrlKey) return;
      event.preventDefault();
      this.enlargeAt(Math.exp(-event.deltaY / 200), ...this.#at(event));
    }, { passive: false });
    const fingers = new Map();
    const end = (event) => fingers.delete(event.pointerId);
    stage.addEventListener("pointerdown", (event) => fingers.set(event.pointerId, this.#at(event)));
    stage.addEventListener("pointerup", end);
    stage.addEventListener("pointercancel", end);
    stage.addEventListener("pointermove", (event) => {
      if (!fingers.has(event.pointerId) || fingers.size !== 2) return;
      const before = [...fingers.values()];
      fingers.set(event.pointerId, this.#at(event));
      const now = [...fingers.values()];
      const apart = ([a, b]) => Math.hypot(a[0] - b[0], a[1] - b[1]);
      const middle = ([a, b]) => [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
      const [from, to] = [middle(before), middle(now)];
      if (apart(before) > 0.02) {
        this.enlargeAt(apart(now) / apart(before), ...from, [to[0] - from[0], to[1] - from[1]]);
      }
    });
    this.pinching = () => fingers.size > 1;
    divider.addEventListener("pointerdown", (event) => {
      event.stopPropagation();
      divider.setPointerCapture(event.pointerId);
    });
    divider.addEventListener("pointermove", (event) => {
      event.stopPropagation();
      if (divider.hasPointerCapture(event.pointerId)) this.divide(this.#at(event)[0]);
    });
    divider.addEventListener("keydown", (event) => {
      const step = event.shiftKey ? 0.1 : 0.01;
      const to = {
        ArrowLeft: this.share - step, ArrowDown: this.share - step, ArrowRight: this.share + step,
        ArrowUp: this.share + step, Home: 0, End: 1, PageDown: this.share - 0.1,
        PageUp: this.share + 0.1,
      }[event.key];
      if (to === undefined) return;
      event.preventDefault();
      event.stopPropagation();
      this.divide(to);
    });
    this.divide(this.share);
  }

  #at(event) {
    const box = this.parts.stage.getBoundingClientRect();
    return [(event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height];
  }
}

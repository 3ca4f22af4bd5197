// Looking back at one run: keeps picture, strip, numbers and address in step with the cursor, and
// follows the newest picture while the print is being watched.

import { Film } from "./film.js";
import { Lanes } from "./lanes.js";
import { Lines } from "./lines.js";
import { Run } from "./run.js";
import { Sheets } from "./sheets.js";
import { Stage } from "./stage.js";
import { Strip } from "./strip.js";
import { amount, duration, momentOf, timeOfDay } from "./words.js";

const POLL_MS = 1500;
const SLOWEST_POLL_MS = 10000;
const REST_MS = 250;
const TELL_MS = 100;
const HOLD_MS = 350;
const SAID_MS = 2500;
// Up to this pace a film of whole pictures is shown; faster ones are shown by their previews.
const WHOLE_PACE = 10;
const ROLES = ["measured", "expected", "strand", "region"];

const $ = (id) => document.getElementById(id);
const lapse = $("lapse");
const address = lapse.dataset;

const run = new Run();
let index = -1;
let following = true;
let playing = null;
let chosen = null; // the moment that was jumped to last

const film = new Film(addressOf, () => stage.refresh());
const sheets = new Sheets(address.sheets, address.version, () => stage.refresh());
const lines = new Lines(address.outlines, () => stage.redraw());
const strip = new Strip($("curves"));
const lanes = new Lanes($("lanes"), $("lane-choice"), strip);
const stage = new Stage(
  {
    stage: $("stage"), lens: $("lens"), first: $("first"), picture: $("picture"),
    preview: $("preview"), lines: $("lines"), past: $("past"), pastLens: $("past-lens"),
    pastPicture: $("past-picture"), pastLines: $("past-lines"), differs: $("differs"),
    divider: $("divider"), zoomed: tellZoom,
  },
  { run, film, sheets, lines, told: tellStage, differs: tellDifference },
);

function addressOf(frame) {
  return `${address.pictures}${encodeURIComponent(frame.name)}?v=${address.version}`;
}

// New data

async function load() {
  const answer = await fetch(`${address.run}?since=${run.since}`);
  const data = await answer.json();
  if (!answer.ok) throw new Error(data.trouble);
  take(data);
}

function take(data) {
  const before = run.frames.length;
  const fresh = run.take(data);
  for (const number of fresh.judged) lines.askAgain(number);
  for (const place of run.lifts) lines.colours.set(place.place, place.look.colour);
  showVerdict(data);
  if (fresh.moments && before) renewMoments();
  lapse.classList.toggle("bare", !run.frames.length);
  if (fresh.pictures || fresh.moments) {
    film.setFrames(run.frames);
    sheets.set(run.sheets, run.frames.at(-1)?.number ?? -1);
    const at = (number) => run.frames[run.indexOf.get(number)]?.elapsed_s;
    strip.set(
      run.frames,
      run.lifts,
      run.moments.map((m) => at(m.number)).filter((seconds) => seconds !== undefined),
      run.levels,
    );
    lanes.set(run.lanes);
    drawStrip();
    listAdvice();
    listCorners();
    tellUnseen();
    tellMoments();
  }
  $("slider").setAttribute("aria-valuemax", Math.max(1, run.frames.length));
  if (!run.frames.length) {
    $("waiting").textContent = run.watching
      ? "Waiting for the first picture …"
      : "This run holds no picture: it ended before the first one came.";
  } else if (before === 0) {
    start();
  } else if (fresh.pictures && following) {
    go(run.frames.length - 1, { follow: true, soon: true });
  } else if (fresh.pictures) {
    go(index, { soon: true });
  }
}

async function loadSurroundings() {
  try {
    const answer = await fetch(address.conditions);
    if (!answer.ok) return;
    lanes.setSurroundings((await answer.json()).series);
    lanes.draw();
  } catch {
    // What the camera saw is there without.
  }
}

function showVerdict(data) {
  $("state").textContent = data.state_words;
  $("state").className = `state ${data.state.replaceAll(" ", "-")}`;
  setText($("name"), data.name);
  const advice = data.advice;
  if (!advice) return;
  $("verdict").className = `verdict ${advice.level.replaceAll(" ", "-")}`;
  setText($("verdict-level"), advice.level);
  setText($("verdict-sentence"), advice.sentence);
  const grounds = [];
  if (advice.since_words && advice.level !== "carry on") {
    grounds.push(`Began ${advice.since_words} into the print`);
  }
  if (advice.sure_words) grounds.push(advice.sure_words);
  if (data.watching && run.frames.length) {
    grounds.push(`newest picture at ${duration(run.frames.at(-1).elapsed_s)}`);
  }
  setSpans($("verdict-grounds"), grounds);
  if ($("answer")) {
    // An answer goes with the advice that stands here.
    $("answer-kind").value = advice.kind ?? "";
    $("answer-place").value = advice.place;
  }
  $("stake").hidden = !advice.stake.length;
  $("stake-sum").replaceChildren(...advice.stake.map((textContent) => make("li", { textContent })));
}

// Only a real change may be read out by a screen reader.
function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

function setSpans(parent, texts) {
  if ([...parent.children].map((c) => c.textContent).join("|") === texts.join("|")) return;
  parent.replaceChildren(...texts.map((text) => make("span", { textContent: text })));
}

function make(tag, properties = {}, ...children) {
  const element = Object.assign(document.createElement(tag), properties);
  element.append(...children);
  return element;
}

// Moments

// The list comes from the server, with its forms; a form that is being filled in stays.
async function renewMoments() {
  const list = $("moments");
  if (list.contains(document.activeElement) || list.querySelector("form.changed")) return;
  try {
    const answer = await fetch(location.pathname, { headers: { Accept: "text/html" } });
    if (!answer.ok) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    list.replaceChildren(...fresh.getElementById("moments").children);
    $("no-moments").hidden = list.children.length > 0;
    tellMoments();
  } catch {
    // The marks on the strip are there; the next change tries again.
  }
}

function tellMoments() {
  for (const moment of run.moments) {
    const item = document.querySelector(`#moments [data-moment="${moment.id}"]`);
    const layer = run.frames[run.indexOf.get(moment.number)]?.layer;
    if (!item) continue;
    const when = `${duration(moment.elapsed_s)}${layer ? `, layer ${layer}` : ""}`;
    setText(item.querySelector(".when"), when);
  }
  markCurrent();
}

function momentOfItem(element) {
  const id = Number(element.closest("[data-moment]")?.dataset.moment);
  return run.moments.find((moment) => moment.id === id);
}

$("moments").addEventListener("click", (event) => {
  const moment = momentOfItem(event.target);
  if (!moment) return;
  if (event.target.closest("a")) {
    event.preventDefault();
    jump(moment);
  } else if (event.target.closest(".copy")) {
    copy(`${location.origin}${location.pathname}?moment=${moment.id}`, event.target);
  }
});

$("moments").addEventListener("kept", (event) => {
  const { truth, cause } = event.target.elements;
  const said = [truth.value && `${truth.value}`, cause.value].filter(Boolean).join(": ");
  event.target.closest("[data-moment]").querySelector(".said").textContent = said;
});

$("label")?.addEventListener("kept", () => load().catch(() => {}));

function jump(moment) {
  const at = run.indexOf.get(moment.number);
  if (at === undefined) return;
  stopPlaying();
  chosen = moment;
  go(at, { soon: true });
  clearTimeout(resting);
  history.replaceState(null, "", `${location.pathname}#moment=${moment.id}`);
}

// The next flagged moment before (-1) or after (+1) the cursor.
function toMoment(direction) {
  const here = run.frames[index]?.number;
  const others = run.moments.filter((m) => (m.number - here) * direction > 0);
  const next = direction > 0 ? others[0] : others.at(-1);
  if (next) jump(next);
  else say(run.moments.length ? `No flagged moment ${direction > 0 ? "after" : "before"} this picture.` : "No moment is flagged.");
}

function toBefore() {
  const at = run.before(chosen);
  if (at === undefined) {
    say("Nothing began: no fault was suspected.");
    return;
  }
  stopPlaying();
  go(at, { soon: true });
  remember();
}

function markCurrent() {
  const here = run.frames[index]?.number;
  for (const mark of $("marks").children) {
    mark.classList.toggle("current", Number(mark.dataset.number) === here);
  }
  for (const item of $("moments").children) {
    const link = item.querySelector("a");
    if (momentOfItem(item)?.number === here) link.setAttribute("aria-current", "true");
    else link.removeAttribute("aria-current");
  }
}

function drawStrip() {
  strip.draw();
  lanes.draw();
  const ends = [];
  $("marks").replaceChildren(
    ...run.moments.flatMap((moment, i) => {
      const at = run.indexOf.get(moment.number);
      if (at === undefined) return [];
      // Marks that would cover each other step aside; the last place stays within the strip.
      const wanted = strip.x(run.frames[at].elapsed_s);
      const left = Math.min(Math.max(wanted, (ends.at(-1) ?? -99) + 28), strip.width - 15);
      ends.push(left);
      const mark = make(
        "button",
        { type: "button", className: `mark ${moment.level.replaceAll(" ", "-")}`, title: moment.sentence },
        make("span", { textContent: i + 1 }),
      );
      mark.setAttribute("aria-label", `Flagged moment ${i + 1}: ${moment.sentence}`);
      mark.style.left = `${left}px`;
      mark.style.top = "2px";
      mark.dataset.number = moment.number;
      mark.addEventListener("click", () => jump(moment));
      return [mark];
    }),
  );
  placeCursor();
  markCurrent();
}

function listAdvice() {
  $("changes").hidden = run.levels.length < 2;
  $("changes-list").replaceChildren(
    ...run.levels.map(({ number, elapsed_s: seconds, level }) => {
      const button = make("button", {
        type: "button", textContent: `${duration(seconds)}: ${level}`,
        className: level.replaceAll(" ", "-"),
      });
      button.addEventListener("click", () => scrub(run.indexOf.get(number), true));
      return make("li", {}, button);
    }),
  );
}

function tellUnseen() {
  const reasons = new Set();
  const told = run.lifts.flatMap((place) => {
    let hidden = 0;
    place.values.forEach((value, i) => {
      if (value !== null) return;
      hidden += 1;
      if (place.unseen[i]) reasons.add(place.unseen[i]);
    });
    return hidden ? [`${place.place} in ${hidden} of ${run.frames.length} pictures`] : [];
  });
  const why = reasons.size ? ` (${[...reasons].join("; ")})` : "";
  setText($("unseen"), told.length ? `Not seen: ${told.join(", ")}${why}.` : "");
}

// The cursor

function start() {
  $("cursor").hidden = $("lanes-cursor").hidden = false;
  if (fromAddress()) return;
  const at = run.frames.findIndex((frame) => frame.name === address.opening);
  const newest = run.frames.length - 1;
  if (at < 0 || at === newest) go(newest, { follow: !location.search, soon: true });
  else go(at, { soon: true });
}

function fromAddress() {
  const asked = new URLSearchParams(location.hash.slice(1) || location.search);
  const moment = run.moments.find((m) => String(m.id) === asked.get("moment"));
  const at = moment
    ? run.indexOf.get(moment.number)
    : run.frames.findIndex((frame) => frame.name === asked.get("frame"));
  if (at === undefined || at < 0) return false;
  if (moment) chosen = moment;
  go(at, { soon: true });
  return true;
}

function go(to, { follow = false, soon = false } = {}) {
  if (!run.frames.length) return;
  const next = Math.min(Math.max(to, 0), run.frames.length - 1);
  following = follow || (run.watching && next === run.frames.length - 1);
  index = next;
  stage.show(index, { soon });
  placeCursor();
  tellHere(soon);
  $("newest").hidden = !run.watching || following;
}

let resting = 0;

// A move by hand: the address keeps the place, so that it can be sent.
function scrub(to, soon = false) {
  stopPlaying();
  go(to, { soon });
  remember();
}

function remember() {
  clearTimeout(resting);
  resting = setTimeout(() => {
    const place = following ? "" : `#frame=${encodeURIComponent(run.frames[index].name)}`;
    history.replaceState(null, "", location.pathname + place);
  }, REST_MS);
}

function placeCursor() {
  const frame = run.frames[index];
  if (!frame) return;
  const place = `translateX(${strip.x(frame.elapsed_s)}px)`;
  $("cursor").style.transform = $("lanes-cursor").style.transform = place;
}

// What stands on the stage

function tellStage(frame, state) {
  const waiting = $("waiting");
  const words = {
    whole: "",
    preview: frame.gone
      ? "This picture was deleted for want of room: this is its preview."
      : film.stateOf(index) === "failed"
        ? `The picture ${frame.name} could not be loaded: this is its preview.`
        : "",
    nothing: frame.gone
      ? "This picture was deleted for want of room."
      : `The picture ${frame.name} could not be loaded.`,
  }[state];
  setText(waiting, words);
  waiting.hidden = words === "";
  waiting.classList.toggle("over", state === "preview");
  if (state !== "whole") return;
  $("stage").style.setProperty("--ratio", stage.size[0] / stage.size[1]);
  $("picture").setAttribute("aria-label", `Picture ${frame.name}, ${duration(frame.elapsed_s)} into the print`);
  tellBed();
}

function redraw() {
  stage.roles = new Set(ROLES.filter((role) => $(`show-${role}`).checked));
  stage.redraw();
}

let telling = 0;
let toldAt = 0;

// While the cursor flies the words follow some times a second: nobody reads faster.
function tellHere(soon) {
  clearTimeout(telling);
  const wait = toldAt + TELL_MS - performance.now();
  const slider = $("slider");
  slider.setAttribute("aria-valuenow", index + 1);
  if (soon || wait <= 0) tellNow();
  else telling = setTimeout(tellNow, wait);
}

const rows = new Map(); // place -> {row, cell}

function tellNow() {
  toldAt = performance.now();
  const frame = run.frames[index];
  const told = [`picture ${index + 1} of ${run.frames.length}`];
  if (frame.layer) told.push(`layer ${frame.layer}${run.layers ? ` of ${run.layers}` : ""}`);
  told.push(`${duration(frame.elapsed_s)} in`);
  if (frame.utc_s !== null) told.push(timeOfDay(frame.utc_s));
  let warning = "";
  if (!frame.judged) warning = "not judged yet";
  else if (!frame.registered) warning = `could not be placed${frame.reason ? `: ${frame.reason}` : ""}`;
  const caption = $("caption");
  setSpans(caption, warning ? [...told, warning] : told);
  if (warning) caption.lastChild.className = "warn";

  const advice = run.adviceAt(frame.number);
  setText($("here"), advice && frame.judged ? `Advice then: ${advice.level}` : "");
  const spoken = [];
  let any = false;
  for (const [key, place] of run.places) {
    if (!rows.has(key)) rows.set(key, newRow(place));
    const { row, cell } = rows.get(key);
    const value = place.values[index];
    row.hidden = value === undefined;
    if (row.hidden) continue;
    any = true;
    const seen = value !== null;
    const text = seen
      ? amount(value, place.sigmas[index], place.unit)
      : `not seen${place.unseen[index] ? `: ${place.unseen[index]}` : ""}`;
    setText(cell, text);
    cell.className = seen ? "" : "unseen";
    if (place.kind === "corner-lift") spoken.push(`${place.place} ${text}`);
  }
  $("no-numbers").hidden = any;
  $("slider").setAttribute("aria-valuetext", [...told, warning, ...spoken].filter(Boolean).join(", "));
  markCurrent();
}

function newRow(place) {
  const head = make("th", { scope: "row" }, swatch(place.look));
  head.append(place.kind === "corner-lift" ? place.place : `${place.kindWords}, ${place.place}`);
  const cell = make("td");
  const row = make("tr", {}, head, cell);
  $("numbers").append(row);
  return { row, cell };
}

function swatch(look) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("class", "swatch");
  svg.setAttribute("viewBox", "0 0 26 10");
  svg.setAttribute("aria-hidden", "true");
  const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
  path.setAttribute("d", "M0 5h26");
  path.setAttribute("stroke", look.colour);
  path.setAttribute("stroke-width", "3");
  path.setAttribute("stroke-dasharray", look.dash.join(" "));
  svg.append(path);
  return svg;
}

let saying = 0;

// A short word about what a key or button did, shown and read out.
function say(text) {
  $("said").textContent = text;
  clearTimeout(saying);
  saying = setTimeout(() => ($("said").textContent = ""), SAID_MS);
}

async function copy(link, button) {
  const field = $("link");
  try {
    await navigator.clipboard.writeText(link);
    field.hidden = true;
    const before = (button.dataset.words ??= button.textContent);
    button.textContent = "Copied";
    say("The link is copied.");
    setTimeout(() => (button.textContent = before), SAID_MS);
  } catch {
    // Browsers let only pages with TLS, or of this machine, write to the clipboard.
    field.hidden = false;
    field.value = link;
    field.focus();
    field.select();
    say("Copy the link from the field.");
  }
}

// Then and now

async function compareWith(at) {
  const ready = await stage.setThen(at);
  const frame = run.frames[at];
  const layer = frame.layer ? `, layer ${frame.layer}` : "";
  setText(
    $("then-words"),
    ready
      ? `Then: picture ${at + 1}, ${duration(frame.elapsed_s)} in${layer}.`
      : "The picture from then could not be loaded: keep another one as then.",
  );
  tellBed();
}

function setMode(mode) {
  stage.setMode(mode);
  $("comparing").hidden = mode === "now";
  $("divider").hidden = mode !== "wipe";
  $("legend-difference").hidden = mode !== "difference";
  if (mode !== "now" && !stage.then) compareWith(run.like(run.before(chosen) ?? 0, index));
  tellBed();
}

// A bed that stood elsewhere makes everything on it differ: that is no fault of the part.
function tellBed() {
  const then = stage.then?.frame.bed_mm;
  const now = run.frames[index]?.bed_mm;
  let words = "";
  if (stage.mode !== "now" && stage.then) {
    if (then == null || now == null) {
      words = address.motion === "fixed"
        ? ""
        : "Where the bed stood is not known here: if it moved between the two, all that lies on it differs.";
    } else if (Math.abs(now - then) >= 0.5) {
      words = `The bed stands ${Math.abs(now - then).toFixed(1)} mm from where it stood then: all that lies on it differs.`;
    } else {
      words = "The bed stands where it stood then, within half a millimetre.";
    }
  }
  setText($("bed-words"), words);
}

let toldDifference = 0;

function tellDifference(found) {
  if (performance.now() - toldDifference < TELL_MS && !stage.whole) return;
  toldDifference = performance.now();
  const light = Math.abs(found.gain - 1) < 0.02
    ? "The light is the same."
    : `A common change of light was taken out: now it is ${found.gain.toFixed(2)} times as bright.`;
  setText(
    $("difference-words"),
    `Full colour: ${found.full.toFixed(0)} grey levels of 255 or more. ${light} `
      + `${(100 * found.share).toFixed(1)} % of the picture differs.`,
  );
}

// Closer

function listCorners() {
  const select = $("corner");
  const places = run.lifts.map((place) => place.place);
  if (select.options.length === places.length + 1) return;
  const kept = select.value;
  select.replaceChildren(
    make("option", { value: "", textContent: "suspected corner" }),
    ...places.map((place) => make("option", { value: place, textContent: place })),
  );
  select.value = places.includes(kept) ? kept : "";
}

function closer() {
  if (stage.zoom.scale > 1) stage.wholePicture();
  else if (!stage.follow($("corner").value || run.suspect())) {
    say("No measured edge is known there in this picture.");
  }
  tellZoom();
}

function tellZoom() {
  const near = stage.zoom.scale > 1;
  $("closer").setAttribute("aria-pressed", String(near));
  setText($("closer"), near ? "Whole picture" : "Closer");
}

// Playing

function play() {
  if (index >= run.frames.length - 1) go(0);
  stage.playing = Number($("pace").value) <= WHOLE_PACE;
  let last = performance.now();
  const step = (now) => {
    const pause = 1000 / Number($("pace").value);
    const steps = Math.trunc((now - last) / pause);
    if (steps > 0) {
      const next = Math.min(index + steps, run.frames.length - 1);
      // Slowly played, a picture that is still on its way is waited for rather than skipped.
      if (!stage.playing || stage.isReady(next)) {
        last = now - ((now - last) % pause);
        go(next, { soon: stage.playing });
      } else {
        film.want(index, true);
        last = now - pause;
      }
    }
    if (index >= run.frames.length - 1) stopPlaying();
    else playing = requestAnimationFrame(step);
  };
  playing = requestAnimationFrame(step);
  $("play").textContent = "Pause";
}

function stopPlaying() {
  if (playing === null) return;
  cancelAnimationFrame(playing);
  playing = null;
  stage.playing = false;
  $("play").textContent = "Play";
  stage.show(index, { soon: true });
  remember();
}

function togglePlay() {
  if (playing === null) play();
  else stopPlaying();
}

// Hands

// Moves come more often than the screen is drawn: the newest of them counts.
let wanted = null;

function scrubSoon(to) {
  if (wanted === null) {
    requestAnimationFrame(() => {
      scrub(wanted);
      wanted = null;
    });
  }
  wanted = to;
}

function drags(element, begin, move) {
  element.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    element.setPointerCapture(event.pointerId);
    begin(event);
  });
  element.addEventListener("pointermove", (event) => {
    if (element.hasPointerCapture(event.pointerId)) move(event);
  });
}

// The strip does not move under the finger that drags along it.
let edge = 0;

function beginOnStrip(event) {
  edge = $("strip").getBoundingClientRect().left;
  dragOnStrip(event);
}

function dragOnStrip(event) {
  if (run.frames.length) scrubSoon(strip.indexAt(event.clientX - edge));
}

drags($("slider"), beginOnStrip, dragOnStrip);
drags($("lanes"), beginOnStrip, dragOnStrip);

// Across the whole width of the picture a drag goes through half of the run, at least 60 pictures.
let grip = { x: 0, index: 0, width: 1 };
drags(
  $("stage"),
  (event) => {
    grip = { x: event.clientX, index, width: $("stage").clientWidth };
  },
  (event) => {
    if (stage.pinching() || !run.frames.length) return;
    const reach = Math.max(60, run.frames.length / 2);
    const last = run.frames.length - 1;
    const to = grip.index + Math.round(((event.clientX - grip.x) / grip.width) * reach);
    scrubSoon(Math.min(Math.max(to, 0), last));
  },
);

const MOVES = {
  ArrowLeft: -1,
  ArrowRight: 1,
};
const KEYS = {
  Home: () => scrub(0, true),
  End: () => scrub(run.frames.length - 1, true),
};
// Letters and signs act only while the focus is in the time-lapse (WCAG 2.2, 2.1.4).
const LETTERS = {
  n: () => toMoment(1),
  p: () => toMoment(-1),
  b: toBefore,
  "+": () => stage.enlargeAt(1.5),
  "-": () => stage.enlargeAt(1 / 1.5),
  0: () => {
    stage.wholePicture();
    tellZoom();
  },
};

let held = null; // {key, timer, frame} while an arrow is held down

function hold(key, by) {
  letGo();
  scrub(index + by, true);
  const timer = setTimeout(() => {
    // Sixty pictures a second on a screen that draws sixty times, whatever the keyboard repeats.
    const step = () => {
      scrub(index + by);
      held.frame = requestAnimationFrame(step);
    };
    held.frame = requestAnimationFrame(step);
  }, HOLD_MS);
  held = { key, timer, frame: 0 };
}

function letGo() {
  if (!held) return;
  clearTimeout(held.timer);
  cancelAnimationFrame(held.frame);
  held = null;
}

document.addEventListener("keydown", (event) => {
  if (event.altKey || event.ctrlKey || event.metaKey || !run.frames.length) return;
  if (event.target.closest("select, textarea, [type=radio], input:not([type=checkbox])")) return;
  const letter = event.target.closest("#film-section") && LETTERS[event.key.toLowerCase()];
  if (event.key === " " && !event.target.closest("button, a, input, summary")) togglePlay();
  else if (MOVES[event.key]) {
    if (!event.repeat) hold(event.key, MOVES[event.key] * (event.shiftKey ? 10 : 1));
  } else if (KEYS[event.key]) KEYS[event.key]();
  else if (letter) letter();
  else return;
  event.preventDefault();
});
document.addEventListener("keyup", (event) => {
  if (held?.key === event.key) letGo();
});
addEventListener("blur", letGo);

$("back").addEventListener("click", () => scrub(index - 1, true));
$("on").addEventListener("click", () => scrub(index + 1, true));
$("previous").addEventListener("click", () => toMoment(-1));
$("next").addEventListener("click", () => toMoment(1));
$("before").addEventListener("click", toBefore);
$("play").addEventListener("click", togglePlay);
$("closer").addEventListener("click", closer);
$("corner").addEventListener("change", () => {
  stage.wholePicture();
  closer();
});
$("newest").addEventListener("click", () => scrub(run.frames.length - 1, true));
$("copy").addEventListener("click", (event) => {
  const name = encodeURIComponent(run.frames[index].name);
  copy(`${location.origin}${location.pathname}?frame=${name}`, event.currentTarget);
});
$("keep-then").addEventListener("click", () => {
  compareWith(index);
  say("Kept as then.");
});
$("default-then").addEventListener("click", () => compareWith(run.like(run.before(chosen) ?? 0, index)));
for (const radio of document.querySelectorAll("[name=mode]")) {
  radio.addEventListener("change", () => setMode(radio.value));
  // A browser that goes back to this page keeps what was chosen on it.
  radio.checked = radio.value === "now";
}
for (const role of ROLES) $(`show-${role}`).addEventListener("change", redraw);
window.addEventListener("hashchange", fromAddress);
let drawnWidth = 0;
new ResizeObserver(() => {
  // The words below change the height all the time; the curves only care for the width.
  if (lapse.clientWidth === drawnWidth) return;
  drawnWidth = lapse.clientWidth;
  drawStrip();
}).observe(lapse);
new ResizeObserver(() => stage.measure()).observe($("picture"));

for (const time of document.querySelectorAll("time[datetime]")) {
  time.textContent = momentOf(Date.parse(time.dateTime) / 1000);
}

// While the print is being watched

let pause = POLL_MS;
let lost = null;

async function keepUp() {
  try {
    await load();
    lost = null;
    pause = POLL_MS;
    $("trouble").hidden = true;
  } catch (error) {
    lost ??= Date.now() / 1000;
    pause = Math.min(pause * 2, SLOWEST_POLL_MS);
    const reason = error instanceof TypeError ? "" : ` (${error.message})`;
    $("trouble").hidden = false;
    setText(
      $("trouble"),
      `No answer from watcher since ${timeOfDay(lost)}${reason}. What you see may be old; trying again.`,
    );
  }
  if (run.watching || lost !== null) setTimeout(keepUp, pause);
}

redraw();
keepUp().then(loadSurroundings);

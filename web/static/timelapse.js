// One print: scrubs the time-lapse, keeps picture, strip, numbers and address in step, and
// follows the newest picture while the print is being watched.

import { Film } from "./film.js";
import { Lines } from "./lines.js";
import { LOOKS, Strip } from "./strip.js";
import { amount, duration, momentOf, timeOfDay } from "./words.js";

const POLL_MS = 1500;
const SLOWEST_POLL_MS = 10000;
const REST_MS = 250;

const $ = (id) => document.getElementById(id);
const lapse = $("lapse");

const run = { frames: [], places: new Map(), advice: [], moments: [], watching: false };
const indexOf = new Map(); // frame number -> place in run.frames
let index = -1;
let following = true;
let playing = null;
let shown = null; // the frame whose picture stands there
let size = [$("picture").width, $("picture").height];

const film = new Film($("picture"), addressOf, painted);
const lines = new Lines($("lines"), lapse.dataset.outlines, drawLines);
const strip = new Strip($("curves"));

function addressOf(frame) {
  return `${lapse.dataset.pictures}${encodeURIComponent(frame.name)}?v=${lapse.dataset.version}`;
}

// New data

async function load() {
  const waiting = run.frames.findIndex((frame) => !frame.judged);
  const next = run.frames.length ? run.frames.at(-1).number + 1 : 0;
  const since = waiting >= 0 ? run.frames[waiting].number : next;
  const answer = await fetch(`${lapse.dataset.run}?since=${since}`);
  const data = await answer.json();
  if (!answer.ok) throw new Error(data.trouble);
  take(data);
}

function take(data) {
  const before = run.frames.length;
  let changed = false;
  for (const frame of data.frames) {
    const at = indexOf.get(frame.number);
    if (at === undefined) {
      indexOf.set(frame.number, run.frames.length);
      run.frames.push(frame);
      changed = true;
    } else {
      changed ||= run.frames[at].judged !== frame.judged;
      run.frames[at] = frame;
    }
    if (frame.judged) lines.askAgain(frame.number);
  }
  for (const series of data.series) takeSeries(series);
  for (const advice of data.advice_from) {
    if (!run.advice.some((a) => a.number === advice.number)) run.advice.push(advice);
  }
  run.advice.sort((a, b) => a.number - b.number);
  const moments = JSON.stringify(data.moments) !== JSON.stringify(run.moments);
  run.moments = data.moments;
  run.watching = data.watching;
  run.layers = data.layers;
  showVerdict(data);
  if (moments) listMoments();
  lapse.classList.toggle("bare", !run.frames.length);
  if (changed || moments) {
    film.setFrames(run.frames);
    const marked = run.moments.map((m) => run.frames[indexOf.get(m.number)]?.elapsed_s);
    strip.set(run.frames, drawnSeries(), marked.filter((seconds) => seconds !== undefined));
    drawStrip();
    tellUnseen();
  }
  $("slider").setAttribute("aria-valuemax", Math.max(1, run.frames.length));
  if (!run.frames.length) {
    $("waiting").textContent = run.watching
      ? "Waiting for the first picture …"
      : "This run holds no picture: it ended before the first one came.";
  } else if (before === 0) {
    start();
  } else if (changed && following) {
    go(run.frames.length - 1, { follow: true });
  } else if (changed) {
    go(index);
  }
}

function takeSeries(series) {
  const key = `${series.kind}|${series.place}`;
  let place = run.places.get(key);
  if (!place) {
    place = { ...series, points: [], look: null };
    if (series.kind === "corner-lift") {
      const drawn = [...run.places.values()].filter((p) => p.look).length;
      place.look = LOOKS[drawn % LOOKS.length];
      lines.colours.set(place.place, place.look.colour);
    }
    run.places.set(key, place);
  }
  series.numbers.forEach((number, i) => {
    const at = indexOf.get(number);
    if (at === undefined) return;
    place.points[at] = {
      value: series.values[i], sigma: series.sigmas[i], unseen: series.unseen[i],
    };
  });
}

function drawnSeries() {
  const drawn = [...run.places.values()].filter((place) => place.look);
  // A sparse array skips its holes in loops; a frame without a reading must break the curve.
  return drawn.map((place) => ({
    ...place,
    points: Array.from({ length: run.frames.length }, (_, i) => place.points[i] ?? null),
  }));
}

function showVerdict(data) {
  $("state").textContent = data.state_words;
  $("state").className = `state ${data.state.replaceAll(" ", "-")}`;
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

function listMoments() {
  $("no-moments").hidden = run.moments.length > 0;
  $("moments").replaceChildren(
    ...run.moments.map((moment, i) => {
      const at = indexOf.get(moment.number);
      const layer = run.frames[at]?.layer;
      const when = `${duration(moment.elapsed_s)}${layer ? `, layer ${layer}` : ""}`;
      const link = make(
        "a",
        { className: `moment ${moment.level.replaceAll(" ", "-")}`, href: `#moment=${moment.id}` },
        make("b", { textContent: i + 1 }),
        make("span", {}, moment.sentence, make("small", { textContent: when })),
      );
      link.addEventListener("click", (event) => {
        event.preventDefault();
        jump(moment);
      });
      return make("li", {}, link);
    }),
  );
}

function jump(moment) {
  const at = indexOf.get(moment.number);
  if (at === undefined) return;
  stopPlaying();
  go(at);
  history.replaceState(null, "", `#moment=${moment.id}`);
}

function drawStrip() {
  strip.draw();
  const ends = [];
  $("marks").replaceChildren(
    ...run.moments.flatMap((moment, i) => {
      const at = indexOf.get(moment.number);
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
}

function tellUnseen() {
  const told = drawnSeries().flatMap((place) => {
    const hidden = place.points.filter((p) => p && p.value === null);
    if (!hidden.length) return [];
    const why = [...new Set(hidden.map((p) => p.unseen).filter(Boolean))].join("; ");
    return [`${place.place} in ${hidden.length} of ${run.frames.length} pictures${why ? ` (${why})` : ""}`];
  });
  $("unseen").textContent = told.length ? `Not seen: ${told.join(", ")}.` : "";
}

// The cursor

function start() {
  $("cursor").hidden = false;
  if (fromAddress()) return;
  // A closed run opens where it matters: at the picture in which stop was first advised.
  const flagged = run.watching ? undefined : run.moments.find((m) => m.level === "stop");
  const at = flagged && indexOf.get(flagged.number);
  if (at === undefined) go(run.frames.length - 1, { follow: true });
  else go(at);
}

function fromAddress() {
  const asked = new URLSearchParams(location.hash.slice(1));
  const moment = run.moments.find((m) => String(m.id) === asked.get("moment"));
  const at = moment
    ? indexOf.get(moment.number)
    : run.frames.findIndex((frame) => frame.name === asked.get("frame"));
  if (at === undefined || at < 0) return false;
  go(at);
  return true;
}

function go(to, { follow = false } = {}) {
  if (!run.frames.length) return;
  const next = Math.min(Math.max(to, 0), run.frames.length - 1);
  following = follow || (run.watching && next === run.frames.length - 1);
  index = next;
  $("stage").classList.toggle("late", !film.isReady(index));
  film.show(index);
  placeCursor();
  tellHere();
  $("newest").hidden = !run.watching || following;
}

let resting = 0;

// A move by hand: the address keeps the place, so that it can be sent.
function scrub(to) {
  stopPlaying();
  go(to);
  remember();
}

function remember() {
  clearTimeout(resting);
  resting = setTimeout(() => {
    const frame = run.frames[index];
    history.replaceState(null, "", following ? location.pathname : `#frame=${encodeURIComponent(frame.name)}`);
  }, REST_MS);
}

function placeCursor() {
  const frame = run.frames[index];
  if (!frame) return;
  $("cursor").style.left = `${strip.x(frame.elapsed_s)}px`;
  for (const mark of $("marks").children) {
    mark.classList.toggle("current", Number(mark.dataset.number) === frame.number);
  }
  run.moments.forEach((moment, i) => {
    const link = $("moments").children[i]?.querySelector("a");
    if (moment.number === frame.number) link?.setAttribute("aria-current", "true");
    else link?.removeAttribute("aria-current");
  });
}

// Closer: the picture enlarged around the corner that is suspected, or lifts most.

const ENLARGED = 4;
let near = null; // {place, middle} while enlarged

function suspect() {
  const place = run.advice.findLast((a) => a.place)?.place;
  if (place && run.places.has(`corner-lift|${place}`)) return place;
  const lifts = [...run.places.values()].filter((p) => p.look);
  const most = (p) => Math.max(...p.points.map((point) => point?.value ?? -1), -1);
  return lifts.toSorted((a, b) => most(b) - most(a))[0]?.place;
}

function toggleCloser() {
  const place = suspect();
  const middle = shown && lines.middleOf(shown.number, place);
  near = near || !middle ? null : { place, middle };
  $("closer").setAttribute("aria-pressed", String(near !== null));
  drawLines();
}

function enlarge() {
  const place = suspect();
  $("closer").hidden = !near && !lines.middleOf(shown.number, place);
  $("closer").textContent = near ? "Whole picture" : "Closer";
  if (!near) {
    $("lens").style.transform = "";
    return;
  }
  // The middle stands still, so that the corner is seen to climb, until bed or camera has moved on.
  const now = lines.middleOf(shown.number, near.place);
  const reach = size[0] / ENLARGED / 4;
  if (now && Math.hypot(now[0] - near.middle[0], now[1] - near.middle[1]) > reach) near.middle = now;
  const [x, y] = near.middle.map((along, k) => {
    const share = (along + 0.5) / size[k] - 0.5 / ENLARGED;
    return -100 * Math.min(Math.max(share, 0), 1 - 1 / ENLARGED);
  });
  $("lens").style.transform = `scale(${ENLARGED}) translate(${x}%, ${y}%)`;
}

function painted(frame, ok) {
  shown = frame;
  $("stage").classList.remove("late");
  const waiting = $("waiting");
  waiting.hidden = ok;
  if (!ok) waiting.textContent = `The picture ${frame.name} could not be loaded.`;
  if (ok) {
    size = [$("picture").width, $("picture").height];
    $("stage").style.setProperty("--ratio", size[0] / size[1]);
    $("picture").setAttribute("aria-label", `Picture ${frame.name}, ${duration(frame.elapsed_s)} into the print`);
  }
  drawLines();
}

function drawLines() {
  if (!shown) return;
  lines.shown = new Set(
    ["measured", "expected", "strand", "region"].filter((role) => $(`show-${role}`).checked),
  );
  enlarge();
  lines.draw(shown.number, size);
}

function tellHere() {
  const frame = run.frames[index];
  const told = [`picture ${index + 1} of ${run.frames.length}`];
  if (frame.layer) told.push(`layer ${frame.layer}${run.layers ? ` of ${run.layers}` : ""}`);
  told.push(`${duration(frame.elapsed_s)} in`);
  if (frame.utc_s !== null) told.push(timeOfDay(frame.utc_s));
  const caption = $("caption");
  setSpans(caption, told);
  let warning = "";
  if (!frame.judged) warning = "not judged yet";
  else if (!frame.registered) warning = `could not be placed${frame.reason ? `: ${frame.reason}` : ""}`;
  if (warning) caption.append(make("span", { className: "warn", textContent: warning }));

  const advice = run.advice.findLast((a) => a.number <= frame.number);
  $("here").textContent = advice && frame.judged ? `Advice then: ${advice.level}` : "";
  const rows = [];
  const spoken = [];
  for (const place of run.places.values()) {
    const point = place.points[index];
    if (!point) continue;
    const head = make("th", { scope: "row" });
    if (place.look) head.append(swatch(place.look));
    head.append(place.kind === "corner-lift" ? place.place : `${place.kind_words}, ${place.place}`);
    const seen = point.value !== null;
    const text = seen
      ? amount(point.value, point.sigma, place.unit)
      : `not seen${point.unseen ? `: ${point.unseen}` : ""}`;
    rows.push(make("tr", {}, head, make("td", { className: seen ? "" : "unseen", textContent: text })));
    if (place.look) spoken.push(`${place.place} ${text}`);
  }
  if (!rows.length) {
    rows.push(make("tr", {}, make("td", { colSpan: 2, textContent: "Nothing was measured in this picture." })));
  }
  $("numbers").replaceChildren(...rows);
  const slider = $("slider");
  slider.setAttribute("aria-valuenow", index + 1);
  slider.setAttribute("aria-valuetext", [...told, warning, ...spoken].filter(Boolean).join(", "));
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

// Playing

function play() {
  if (index >= run.frames.length - 1) go(0);
  let last = performance.now();
  const step = (now) => {
    const pause = 1000 / Number($("pace").value);
    const steps = Math.trunc((now - last) / pause);
    if (steps > 0) {
      const next = Math.min(index + steps, run.frames.length - 1);
      // Wait for a picture that is still on its way rather than skip it unseen.
      if (film.isReady(next)) {
        last = now - ((now - last) % pause);
        go(next);
      } else {
        film.show(index);
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
  $("play").textContent = "Play";
  remember();
}

function togglePlay() {
  if (playing === null) play();
  else stopPlaying();
}

// Hands

function dragOnStrip(event) {
  const box = $("strip").getBoundingClientRect();
  scrub(strip.indexAt(event.clientX - box.left));
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

drags($("slider"), dragOnStrip, dragOnStrip);

// Across the whole width of the picture a drag goes through half of the run, at least 60 pictures.
let grip = { x: 0, index: 0 };
drags(
  $("stage"),
  (event) => {
    grip = { x: event.clientX, index };
  },
  (event) => {
    const reach = Math.max(60, run.frames.length / 2);
    scrub(grip.index + Math.round(((event.clientX - grip.x) / $("stage").clientWidth) * reach));
  },
);

const KEYS = {
  ArrowLeft: (event) => scrub(index - (event.shiftKey ? 10 : 1)),
  ArrowRight: (event) => scrub(index + (event.shiftKey ? 10 : 1)),
  Home: () => scrub(0),
  End: () => scrub(run.frames.length - 1),
};

document.addEventListener("keydown", (event) => {
  if (event.altKey || event.ctrlKey || event.metaKey || event.target.closest("select")) return;
  if (event.key === " " && !event.target.closest("button, a, input, summary")) togglePlay();
  else if (KEYS[event.key]) KEYS[event.key](event);
  else return;
  event.preventDefault();
});

$("back").addEventListener("click", () => scrub(index - 1));
$("on").addEventListener("click", () => scrub(index + 1));
$("play").addEventListener("click", togglePlay);
$("closer").addEventListener("click", toggleCloser);
$("closer").addEventListener("pointerdown", (event) => event.stopPropagation());
$("newest").addEventListener("click", () => scrub(run.frames.length - 1));
for (const role of ["measured", "expected", "strand", "region"]) {
  $(`show-${role}`).addEventListener("change", drawLines);
}
window.addEventListener("hashchange", fromAddress);
new ResizeObserver(() => {
  drawStrip();
  drawLines();
}).observe(lapse);

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

keepUp();

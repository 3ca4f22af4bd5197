// Setting a printer up by looking: the live picture, points and region that are dragged over it, a
// magnifier beside the thumb, and the numbers that follow at once. The form holds the truth: what is
// dragged is written into its fields, and what is typed there moves the points.

import { duration, timeOfDay } from "./words.js";

const LOOK_MS = 1500;
const AGAIN_MS = 3000;
const LOOK_PATIENCE_MS = 12000;
const NUMBERS_AFTER_MS = 250;
const NUMBERS_EVERY_MS = 4000; // while the picture is live and nothing is moved
const LOUPE_PX = 5; // CSS pixels of the magnifier for one of the picture
const MARGINS = [0.05, 0.3, 0.8, 2];
const LEAST_VIEW = 0.15;
const MOST_UNDONE = 50;
const NAMES = ["front left", "front right", "back right", "back left"];

const byId = (id) => document.getElementById(id);
const aim = byId("aim");
const stage = byId("stage");
const form = byId("setup");
const loupe = byId("loupe");
const handles = byId("handles");
const fields = form.elements;
const token = fields.csrf_token.value;

let size = [Number(fields.width.value), Number(fields.height.value)];
let points = [];
let region = [];
let what = "bed";
let picked = null; // index of the point or vertex that is being moved
let roomy = false;
let done = [];
let spots = [];
let looking = false;
let numbersTimer = null;
let numbersAsked = 0;
let numbersAt = 0;
let pictureAt = null;
let changed = false;

// The form and the state

function readForm() {
  points = NAMES.map((_, k) => [Number(fields[`x${k}`].value), Number(fields[`y${k}`].value)]);
  region = fields.region.value.trim().split(/\s+/).filter(Boolean)
    .map((pair) => pair.split(",").map(Number))
    .filter((pair) => pair.length === 2 && pair.every(Number.isFinite));
}

const inWords = (value) => String(Math.round(value * 10) / 10);

function writeForm() {
  points.forEach(([x, y], k) => {
    fields[`x${k}`].value = inWords(x);
    fields[`y${k}`].value = inWords(y);
  });
  fields.region.value = region.map((pair) => pair.map(inWords).join(",")).join("  ");
  fields.width.value = String(size[0]);
  fields.height.value = String(size[1]);
}

function remember() {
  done.push(JSON.stringify([points, region]));
  if (done.length > MOST_UNDONE) done.shift();
}

function touched() {
  changed = true;
  spots = []; // they stood at the old points
  byId("state").textContent = "Not kept yet.";
  writeForm();
  draw();
  askNumbersSoon();
}

// Picture and stage

let view = { x: 0, y: 0, width: size[0], height: size[1] }; // what the stage shows, in pixels

const perPixel = () => stage.clientWidth / view.width;
const current = () => (what === "bed" ? points : region);

// The whole picture with room for points outside it; or, for a region, what lies round it: on a
// small screen its corners would else lie on top of each other.
function fitView() {
  const [width, height] = size;
  const out = Math.max(0, ...[...points, ...region].flatMap(([x, y]) => [
    -x, x - width, -y, y - height,
  ])) / width;
  const margin = (MARGINS.find((m, k) => m > out + 0.03 && (!roomy || k > 0)) ?? MARGINS.at(-1)) * width;
  view = { x: -margin - 0.5, y: -margin - 0.5, width: width + 2 * margin, height: height + 2 * margin };
  if (what !== "region" || region.length < 3 || roomy) return;
  const low = [0, 1].map((axis) => Math.min(...region.map((p) => p[axis])));
  const high = [0, 1].map((axis) => Math.max(...region.map((p) => p[axis])));
  const ratio = view.width / view.height;
  const near = Math.max((high[0] - low[0]) * 1.7, (high[1] - low[1]) * 1.7 * ratio, LEAST_VIEW * width);
  if (near >= view.width) return;
  view = {
    x: (low[0] + high[0] - near) / 2,
    y: (low[1] + high[1] - near / ratio) / 2,
    width: near,
    height: near / ratio,
  };
}

function place(element, [x, y]) {
  element.style.left = `${((x - view.x) / view.width) * 100}%`;
  element.style.top = `${((y - view.y) / view.height) * 100}%`;
}

function draw() {
  stage.style.aspectRatio = `${view.width} / ${view.height}`;
  stage.style.setProperty("--ratio", String(view.width / view.height));
  const image = byId("picture");
  place(image, [-0.5, -0.5]);
  image.style.width = `${(size[0] / view.width) * 100}%`;
  byId("drawn").setAttribute("viewBox", `${view.x} ${view.y} ${view.width} ${view.height}`);
  byId("drawn-bed").setAttribute("points", points.join(" "));
  byId("drawn-region").setAttribute("points", region.join(" "));
  drawHandles();
  drawSpots();
  drawLoupe();
  byId("undo").disabled = done.length === 0;
  byId("add-vertex").disabled = region.length < 3;
  byId("drop-vertex").disabled = what !== "region" || picked === null || region.length <= 3;
  byId("no-region").disabled = region.length === 0;
  byId("room").setAttribute("aria-pressed", String(roomy));
}

function drawHandles() {
  const wanted = current();
  while (handles.children.length > wanted.length) handles.lastChild.remove();
  while (handles.children.length < wanted.length) {
    const handle = document.createElement("button");
    handle.type = "button";
    handle.setAttribute("aria-describedby", "keys");
    handles.append(handle);
  }
  wanted.forEach((point, k) => {
    const handle = handles.children[k];
    handle.className = `handle${what === "region" ? " vertex" : ""}${k === picked ? " picked" : ""}`;
    handle.setAttribute("aria-label", `${nameOf(k)}: x ${inWords(point[0])}, y ${inWords(point[1])}`);
    place(handle, point);
  });
}

const nameOf = (k) => (what === "bed" ? `${NAMES[k]} corner of the bed` : `corner ${k + 1} of the region`);

// Numbers at the corners, on the inner side of each so that they cover no edge.
function drawSpots() {
  const box = byId("spots");
  box.replaceChildren();
  // On a small picture they would cover what is being moved.
  const narrow = stage.clientWidth < 520;
  if (what !== "bed" || (narrow && picked !== null)) return;
  const middle = [0, 1].map((axis) => points.reduce((sum, p) => sum + p[axis], 0) / 4);
  spots.forEach((spot) => {
    const label = document.createElement("span");
    const words = spot.words.slice(spot.name.length + 2).split(", ");
    label.textContent = narrow ? words.at(-1) : words.join("\n");
    label.classList.toggle("warn", !spot.good);
    const held = [spot.x, spot.y].map((v, axis) => Math.min(Math.max(v, 0), size[axis]));
    place(label, held);
    if (narrow) {
      // Outside the bed, where a small picture has room, and not past its own edge.
      const at = (held[0] - view.x) * perPixel();
      const shift = Math.min(Math.max(at, 44), stage.clientWidth - 44) - at;
      const rise = held[1] < middle[1] ? "calc(-100% - 14px)" : "14px";
      label.style.transform = `translate(calc(-50% + ${shift}px), ${rise})`;
      box.append(label);
      return;
    }
    const gap = 18;
    label.style.transform = `translate(${held[0] < middle[0] ? `${gap}px` : `calc(-100% - ${gap}px)`}, `
      + `${held[1] < middle[1] ? `${gap}px` : `calc(-100% - ${gap}px)`})`;
    box.append(label);
  });
}

function drawLoupe() {
  const image = byId("picture");
  const shows = picked !== null && current()[picked] && image.complete && image.naturalWidth > 0;
  loupe.hidden = !shows;
  if (!shows) return;
  const point = current()[picked];
  // On the other side of the picture: never under the thumb.
  const left = point[0] > view.x + view.width / 2;
  loupe.style.left = left ? ".5rem" : "auto";
  loupe.style.right = left ? "auto" : ".5rem";
  const sharp = loupe.clientWidth ? window.devicePixelRatio : 1;
  const side = Math.round((loupe.clientWidth || 160) * sharp);
  if (loupe.width !== side) loupe.width = loupe.height = side;
  const paint = loupe.getContext("2d");
  const scale = LOUPE_PX * sharp;
  paint.fillStyle = "#191614";
  paint.fillRect(0, 0, side, side);
  paint.imageSmoothingEnabled = false;
  const half = side / 2;
  const to = ([x, y]) => [half + (x - point[0]) * scale, half + (y - point[1]) * scale];
  const [x0, y0] = to([-0.5, -0.5]);
  paint.drawImage(image, x0, y0, size[0] * scale, size[1] * scale);
  const line = (from, till, colour, width, dash = []) => {
    paint.strokeStyle = colour;
    paint.lineWidth = width * sharp;
    paint.setLineDash(dash);
    paint.beginPath();
    paint.moveTo(...from);
    paint.lineTo(...till);
    paint.stroke();
  };
  const ring = current();
  const colour = what === "bed" ? "#ffcf5c" : "#6fc3f2";
  for (const step of [1, ring.length - 1]) {
    line(to(point), to(ring[(picked + step) % ring.length]), colour, 1.5, [5 * sharp, 4 * sharp]);
  }
  for (const [c, w] of [["#000", 3], ["#fff", 1]]) {
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
      line([half + dx * 5 * sharp, half + dy * 5 * sharp], [half + dx * 16 * sharp, half + dy * 16 * sharp], c, w);
    }
  }
}

async function show(about) {
  const image = new Image();
  image.src = about.address;
  await image.decode();
  const old = byId("picture");
  image.id = "picture";
  image.alt = old.alt;
  old.replaceWith(image);
  stage.hidden = false;
  byId("blank").hidden = true;
  byId("tools").hidden = false;
  byId("caption-size").textContent = `${about.width} by ${about.height} pixels,`;
  byId("caption-words").textContent = about.words;
  pictureAt = about.utc_s;
  tellAge();
  if (byId("command") && about.command) byId("command").value = about.command;
  const resized = about.width !== size[0] || about.height !== size[1];
  if (resized) {
    const by = [about.width / size[0], about.height / size[1]];
    const scaled = (ring) => ring.map((p) => p.map((v, axis) => v * by[axis]));
    points = scaled(points);
    region = scaled(region);
    size = [about.width, about.height];
    done = [];
    writeForm();
    tell("The picture has another size now: the points were moved with it. Check each one.");
  }
  if (!dragging) fitView();
  draw();
  if (resized || Date.now() - numbersAt > NUMBERS_EVERY_MS) askNumbersSoon();
  return resized;
}

function tellAge() {
  if (pictureAt === null) return;
  const age = Date.now() / 1000 - pictureAt;
  byId("caption-age").textContent = age < 5 ? "now" : age < 3600 ? `${duration(age)} ago` : `at ${timeOfDay(pictureAt)}`;
}

function tell(sentence, bad = false) {
  const told = byId("told");
  told.textContent = sentence;
  told.classList.toggle("bad", bad);
  if (bad) told.scrollIntoView({ block: "nearest" });
}

// Moving points

let dragging = null;

function pick(k) {
  picked = k;
  draw();
}

function moveTo(point) {
  current()[picked] = point.map((v, axis) => Math.min(Math.max(v, -3 * size[axis]), 4 * size[axis]));
}

function begin(event, element, scale) {
  if (event.button !== 0) return;
  dragging = { from: [event.clientX, event.clientY], start: [...current()[picked]], scale, moved: false };
  element.setPointerCapture(event.pointerId);
  event.preventDefault();
}

function drag(event) {
  if (!dragging || picked === null) return;
  const by = [event.clientX - dragging.from[0], event.clientY - dragging.from[1]];
  if (!dragging.moved && Math.hypot(...by) < 3) return;
  if (!dragging.moved) {
    remember();
    spots = [];
  }
  dragging.moved = true;
  moveTo(dragging.start.map((v, axis) => v + by[axis] / dragging.scale));
  writeForm();
  draw();
}

function drop() {
  if (!dragging) return;
  const moved = dragging.moved;
  dragging = null;
  if (!moved) return;
  fitView();
  touched();
  say();
}

handles.addEventListener("pointerdown", (event) => {
  const k = [...handles.children].indexOf(event.target);
  if (k < 0) return;
  pick(k);
  event.target.focus();
  begin(event, event.target, perPixel());
});
handles.addEventListener("focusin", (event) => {
  const k = [...handles.children].indexOf(event.target);
  if (k >= 0 && k !== picked) pick(k);
});
loupe.addEventListener("pointerdown", (event) => begin(event, loupe, LOUPE_PX));
for (const element of [handles, loupe]) {
  element.addEventListener("pointermove", drag);
  element.addEventListener("pointerup", drop);
  element.addEventListener("pointercancel", drop);
}
// A tap puts the picked point there: the way for those who can't drag.
stage.addEventListener("click", (event) => {
  if (picked === null || !current()[picked] || event.target === loupe || handles.contains(event.target)) return;
  const box = stage.getBoundingClientRect();
  const scale = perPixel();
  remember();
  moveTo([
    (event.clientX - box.left) / scale + view.x,
    (event.clientY - box.top) / scale + view.y,
  ]);
  touched();
  say();
});

const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
let lastKey = 0;
handles.addEventListener("keydown", (event) => {
  const step = STEPS[event.key];
  if (step && !event.ctrlKey && !event.altKey && !event.metaKey) {
    event.preventDefault();
    // A row of presses is one change to undo.
    if (Date.now() - lastKey > 1000) remember();
    lastKey = Date.now();
    const by = event.shiftKey ? 10 : 1;
    moveTo(current()[picked].map((v, axis) => v + by * step[axis]));
    fitView();
    touched();
    sayLater();
  } else if (event.key === "Delete" || event.key === "Backspace") {
    event.preventDefault();
    if (!byId("drop-vertex").disabled) dropVertex();
  } else if (event.key === "Escape") {
    picked = null;
    draw();
  }
});

let sayTimer = null;
function sayLater() {
  clearTimeout(sayTimer);
  sayTimer = setTimeout(say, 500);
}

function say() {
  if (picked !== null && current()[picked]) {
    byId("aloud").textContent = `${nameOf(picked)}: x ${inWords(current()[picked][0])}, y ${inWords(current()[picked][1])}`;
  }
}

// The region

function addVertex() {
  remember();
  // After the picked one, or in the longest side.
  const lengths = region.map((p, k) => Math.hypot(...p.map((v, a) => v - region[(k + 1) % region.length][a])));
  const at = what === "region" && picked !== null ? picked : lengths.indexOf(Math.max(...lengths));
  const middle = region[at].map((v, axis) => (v + region[(at + 1) % region.length][axis]) / 2);
  region.splice(at + 1, 0, middle);
  choose("region", at + 1);
  touched();
  handles.children[at + 1].focus();
}

function dropVertex() {
  remember();
  region.splice(picked, 1);
  picked = Math.min(picked, region.length - 1);
  touched();
  handles.children[picked].focus();
}

function byHand() {
  remember();
  const middle = [0, 1].map((axis) => points.reduce((sum, p) => sum + p[axis], 0) / 4);
  region = points.map((p) => p.map((v, axis) => middle[axis] + 0.35 * (v - middle[axis])));
  choose("region", 0);
  touched();
}

function choose(which, k) {
  what = which;
  picked = k;
  for (const radio of document.querySelectorAll('input[name="what"]')) radio.checked = radio.value === which;
  fitView();
  draw();
}

for (const radio of document.querySelectorAll('input[name="what"]')) {
  radio.addEventListener("change", () => choose(radio.value, null));
}
byId("add-vertex").addEventListener("click", addVertex);
byId("drop-vertex").addEventListener("click", dropVertex);
byId("by-hand").addEventListener("click", byHand);
byId("no-region").addEventListener("click", () => {
  remember();
  region = [];
  picked = null;
  touched();
});
byId("undo").addEventListener("click", () => {
  [points, region] = JSON.parse(done.pop());
  if (picked !== null && picked >= current().length) picked = null;
  fitView();
  touched();
});
byId("room").addEventListener("click", () => {
  roomy = !roomy;
  fitView();
  draw();
});

// Asking

async function post(path, body, patience = 60000) {
  const answer = await fetch(path, {
    method: "POST",
    headers: { "X-CSRFToken": token, Accept: "application/json" },
    body,
    signal: AbortSignal.timeout(patience),
  });
  if (answer.status === 401) throw new Error("You are signed out. Sign in again; what you set here is lost then.");
  if (answer.status === 413) throw new Error("That file is larger than 8 MB. Name it in the configuration instead.");
  if (!answer.ok) throw new Error(`The page answers with status ${answer.status}. Load it again.`);
  return answer.json();
}

function why(error) {
  if (error.name === "TimeoutError") return "No answer came in time. Try again.";
  return error instanceof TypeError ? "The page can't be reached. Is the watcher still running?" : error.message;
}

const formBody = () => new URLSearchParams(new FormData(form));

function askNumbersSoon() {
  clearTimeout(numbersTimer);
  if (stage.hidden) return;
  byId("numbers").setAttribute("aria-busy", "true");
  // What is on its way already answers an older question.
  const asked = ++numbersAsked;
  numbersTimer = setTimeout(() => askNumbers(asked), NUMBERS_AFTER_MS);
}

async function askNumbers(asked) {
  numbersAt = Date.now();
  let found;
  try {
    found = await post(`${aim.dataset.api}/numbers`, formBody());
  } catch (error) {
    found = { trouble: why(error) };
  }
  if (asked !== numbersAsked) return;
  byId("numbers").setAttribute("aria-busy", "false");
  byId("numbers-told").textContent = found.trouble ?? "";
  byId("numbers").hidden = Boolean(found.trouble);
  spots = found.trouble ? [] : found.bed;
  if (!found.trouble) {
    list("bed-spots", found.bed.map((spot) => [spot.words, spot.good ? "fine" : "warn"]));
    list("part-spots", found.part.map((spot) => [spot.words, spot.good ? "fine" : "warn"]));
    if (found.program) byId("program-told").textContent = `The program ${found.program} is known.`;
    byId("part-numbers").hidden = found.part.length === 0;
    list("advice", found.advice.length ? found.advice.map((line) => [line, ""]) : [["They stand well.", "fine"]]);
  }
  drawSpots();
}

function list(id, lines) {
  byId(id).replaceChildren(...lines.map(([words, kind]) => {
    const item = document.createElement("li");
    item.textContent = words;
    item.className = kind;
    return item;
  }));
}

const DONE = {
  find: "Found. Look at each corner in the magnifier before you keep it.",
  mend: "Moved onto the bed's edges. Look at each corner in the magnifier.",
  propose: "Drawn from the program's footprint.",
};

async function work(does, button) {
  button.disabled = true;
  tell(does === "find" ? "Looking for the bed …" : "");
  try {
    const found = await post(`${aim.dataset.api}/${does}`, formBody());
    if (found.trouble) {
      tell(found.trouble, true);
    } else {
      remember();
      if (found.points) {
        points = found.points;
        choose("bed", picked);
      } else {
        region = found.region;
        choose("region", null);
      }
      fitView();
      tell(DONE[does]);
      touched();
      stage.scrollIntoView({ block: "nearest" });
    }
  } catch (error) {
    tell(why(error), true);
  }
  button.disabled = false;
}

form.addEventListener("submit", (event) => {
  const button = event.submitter;
  if (button?.value === "keep" || !button?.value) {
    changed = false;
    return;
  }
  event.preventDefault();
  if (button.value === "turn") {
    remember();
    points = [...points.slice(1), points[0]];
    tell("Turned by one corner.");
    touched();
  } else {
    work(button.value, button);
  }
});
form.addEventListener("change", (event) => {
  if (event.target.form !== form) return;
  if (/^[xy]\d$|^region$/.test(event.target.name)) {
    remember();
    readForm();
    fitView();
  }
  sinks();
  touched();
});

function sinks() {
  for (const element of document.querySelectorAll(".sunk")) element.hidden = fields.motion.value !== "bed-z";
}

// Handing files in

function handIn(id, input, what, then) {
  const sent = byId(id);
  const send = async (event) => {
    event.preventDefault();
    if (!input) return;
    if (!input.files.length) {
      tell(`Choose the ${what} first.`, true);
      return;
    }
    tell(`Reading the ${what} …`);
    try {
      const found = await post(sent.action, new FormData(sent));
      if (found.trouble) tell(found.trouble, true);
      else await then(found);
    } catch (error) {
      tell(why(error), true);
    }
  };
  sent.addEventListener("submit", send);
  input.addEventListener("change", send);
}

handIn("hand-in", byId("file"), "picture", async (found) => {
  stopLooking();
  if (!(await show(found))) tell("This is the picture you handed in.");
  askNumbersSoon();
});
handIn("hand-in-program", byId("program"), "program", (found) => {
  byId("propose").disabled = false;
  byId("program-told").textContent = `The program ${found.program} is known.`;
  tell("The program was read.");
  askNumbersSoon();
});
byId("take-kept").addEventListener("submit", async (event) => {
  event.preventDefault();
  stopLooking();
  try {
    const found = await post(event.target.action, new FormData(event.target));
    if (found.trouble) tell(found.trouble, true);
    else {
      if (!(await show(found))) tell("");
      askNumbersSoon();
    }
  } catch (error) {
    tell(why(error), true);
  }
});

// The live picture

const look = byId("look");
const live = byId("live");
let lookTimer = null;

async function lookOnce() {
  clearTimeout(lookTimer);
  if (!looking) return;
  if (document.hidden) {
    lookTimer = setTimeout(lookOnce, LOOK_MS);
    return;
  }
  let wait = LOOK_MS;
  const body = new URLSearchParams(new FormData(look));
  let trouble = "";
  let camera = "";
  try {
    const found = await post(`${aim.dataset.api}/look`, body, LOOK_PATIENCE_MS);
    if (!looking) return;
    if (found.trouble) trouble = found.trouble;
    else {
      camera = found.camera;
      // The address stays with the page's server: here it would stand readable, password and all.
      if (body.get("address") && look.elements.address.value.trim() === body.get("address").trim()) {
        look.elements.address.value = "";
        look.elements.address.placeholder = camera;
      }
      await show(found);
    }
  } catch (error) {
    trouble = why(error);
  }
  const told = trouble || `Looking through ${camera}.`;
  if (byId("camera-told").textContent !== told) byId("camera-told").textContent = told;
  byId("camera-told").classList.toggle("bad", Boolean(trouble));
  if (trouble) wait = AGAIN_MS;
  if (looking) lookTimer = setTimeout(lookOnce, wait);
}

function startLooking() {
  looking = true;
  live.hidden = false;
  live.setAttribute("aria-pressed", "true");
  byId("camera-told").classList.remove("bad");
  byId("camera-told").textContent = "Asking the camera …";
  lookOnce();
}

function stopLooking() {
  looking = false;
  clearTimeout(lookTimer);
  live?.setAttribute("aria-pressed", "false");
}

look?.addEventListener("submit", (event) => {
  event.preventDefault();
  stopLooking();
  startLooking();
});
live?.addEventListener("click", () => {
  if (looking) {
    stopLooking();
    byId("camera-told").textContent = "The picture stands still.";
  } else startLooking();
});

// Copying, leaving, beginning

const copy = byId("copy");
if (copy) {
  copy.hidden = false;
  copy.addEventListener("click", async () => {
    const command = byId("command");
    command.select();
    try {
      await navigator.clipboard.writeText(command.value);
      copy.textContent = "Copied";
    } catch {
      copy.textContent = "Press Ctrl-C";
    }
  });
}
window.addEventListener("beforeunload", (event) => {
  if (changed) event.preventDefault();
});
window.addEventListener("resize", draw);
setInterval(tellAge, 5000);

readForm();
sinks();
stage.classList.add("at-work");
byId("by-hand").hidden = byId("add-vertex").hidden = byId("drop-vertex").hidden = byId("no-region").hidden = false;
byId("read-program").hidden = true;
if (!stage.hidden) {
  byId("tools").hidden = false;
  fitView();
  draw();
  byId("picture").addEventListener("load", drawLoupe);
  askNumbersSoon();
}
if (aim.dataset.canLook) startLooking();

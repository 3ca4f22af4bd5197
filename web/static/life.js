// The page's own alarm. It sounds when an advice to stop waits for an answer, when a watch gives no
// sign of life, and when this page has lost contact: silence must never look like a quiet night.
// Kept to what browsers of 2018 read, for the view from bed runs on old tablets, too.

import * as siren from "./siren.js";

const ASK_MS = 5000;
const LOST_AFTER_MS = 30000;
const HUSH_MS = 10 * 60 * 1000;

const box = document.getElementById("life");
const words = document.getElementById("life-words");
const button = document.getElementById("life-sound");

let heard = performance.now();
let heardAt = new Date();
let misses = 0;
let told = []; // reasons as the watcher tells them
const own = new Map(); // reasons of a view of its own, by key
const hushed = new Map(); // until when a person does not want to hear a reason on this page, by key
let known = false; // whether there is a watch to worry about
let listener = null;

// How things stand: each reason has a key, a kind ("advice" or "watch") and a text.
function state() {
  const now = performance.now();
  // A page that slept has not asked, and so has missed nothing yet.
  const lost = misses >= 2 && now - heard > LOST_AFTER_MS;
  const reasons = told.concat(Array.from(own.values()));
  if (lost) {
    reasons.push({
      key: "contact",
      kind: "watch",
      text: "This page has lost contact with the watcher: nothing may be watching the print.",
    });
  }
  const audible = reasons.filter((reason) => !(hushed.get(reason.key) > now));
  return { reasons, audible, lost, heardAt, known, silent: !siren.isOpen() };
}

// Hear of every change, and once a second.
export function follow(whenTold) {
  listener = whenTold;
  show();
}

// A view's own reason to sound; without a text it holds no more.
export function worry(key, kind, text) {
  if (text) own.set(key, { key, kind, text });
  else own.delete(key);
  show();
}

// A person looks: what sounds now is silent on this page for ten minutes. What comes up anew is not.
export function hush() {
  const until = performance.now() + HUSH_MS;
  for (const reason of state().reasons) hushed.set(reason.key, until);
  show();
  return new Date(Date.now() + HUSH_MS);
}

// Browsers let a page sound only after a person has touched it.
export async function allow() {
  await siren.open();
  show();
}

function withinTime(promise) {
  return Promise.race([
    promise,
    new Promise((_, reject) => setTimeout(() => reject(new Error("no answer")), ASK_MS)),
  ]);
}

// Fetch and read JSON, or fail within the time after which the next question is due.
export async function askFor(address) {
  const answer = await withinTime(fetch(address, { cache: "no-store" }));
  return { status: answer.status, body: answer.ok ? await withinTime(answer.json()) : null };
}

async function ask() {
  try {
    const { status, body } = await askFor(box.dataset.life);
    if (status === 401) {
      told = known
        ? [{ key: "signed out", kind: "watch", text: "You are signed out: this page hears no alarm." }]
        : [];
    } else if (body) {
      take(body);
    }
    if (body || status === 401) {
      heard = performance.now();
      heardAt = new Date();
      misses = 0;
    } else {
      misses += 1;
    }
  } catch (error) {
    // Told by the time that has gone by.
    misses += 1;
  }
  show();
}

function take(life) {
  known = life.watches.length > 0;
  const stops = life.stops.map((stop) => ({ key: `stop ${stop.run}`, kind: "advice", text: stop.sentence }));
  const watches = life.watches
    .filter((watch) => watch.loud)
    .map((watch) => ({ key: `watch ${watch.name}`, kind: "watch", text: `${watch.name}: ${watch.words}` }));
  told = stops.concat(watches);
  // What is over may come up again, and then it is to be heard.
  for (const key of Array.from(hushed.keys())) {
    if (key !== "contact" && !told.some((r) => r.key === key) && !own.has(key)) hushed.delete(key);
  }
}

function show() {
  const now = state();
  if (!now.lost) hushed.delete("contact");
  const text = now.reasons.map((reason) => reason.text).join("\n");
  if (words.textContent !== text) words.textContent = text;
  box.classList.toggle("loud", now.reasons.length > 0);
  document.documentElement.dataset.alarm = now.reasons.length ? "loud" : "quiet";
  button.hidden = !now.silent;
  box.hidden = !(now.reasons.length || (known && now.silent));
  if (!now.audible.length) siren.quiet();
  else if (now.audible.some((reason) => reason.kind === "watch")) siren.call("watch");
  else siren.call("advice");
  if (listener) listener(now);
}

button.addEventListener("click", () => allow().catch(() => {}));
// Not at once when it is pressed: the offer to sound goes away then, and what is pressed must stay
// where it is until it is let go. A finger that held something makes no click.
const AFTER_TOUCH_MS = 400;

function touched() {
  if (known && !siren.isOpen()) allow().catch(() => {});
}

document.addEventListener("click", touched);
document.addEventListener("keydown", touched);
document.addEventListener("pointerup", () => setTimeout(touched, AFTER_TOUCH_MS));
setInterval(ask, ASK_MS);
setInterval(show, 1000);
ask();

// The view from bed: keeps the big sentence, the clocks and the picture fresh, keeps the screen on,
// and sees to "I'm looking" and the stop that has to be held.
// Kept to what browsers of 2018 read, for old tablets.

import { allow, askFor, follow, hush, worry } from "./life.js";
import { awake } from "./awake.js";
import { held } from "./held.js";
import { keep } from "./keep.js";
import { canSound, tryOut } from "./siren.js";
import { duration, timeOfDay } from "./words.js";

const ASK_MS = 5000;
const STOP_MS = 90000; // no printer's host is waited for longer
const BRIGHT_MS = 60000;
const DONE = ["over", "stopped"];

const byId = (id) => document.getElementById(id);
const night = byId("night");
const life = byId("life");
const title = night.dataset.title;

let data = null; // what the watcher told last
let came = null; // when it did, by two clocks
let misses = 0; // questions since then that were not answered
let contact = null; // how the page's alarm stands
let shownPicture = byId("picture").getAttribute("href") || "";
let bright = null;

function say(id, text) {
  const element = byId(id);
  if (element.textContent !== text) element.textContent = text;
}

const clockNow = () => timeOfDay(Date.now() / 1000);

// A computer that slept may have stopped one clock; the older age is the safer one.
function secondsSince(then) {
  return Math.max(performance.now() - then.monotonic, Date.now() - then.wall) / 1000;
}

async function ask() {
  try {
    const { status, body } = await askFor(night.dataset.address);
    if (body) {
      data = body;
      came = { monotonic: performance.now(), wall: Date.now() };
      misses = 0;
      showPicture();
    } else if (status === 404) {
      data = null;
      gone();
    } else {
      misses += 1;
    }
  } catch (error) {
    // The page's alarm tells of lost contact.
    misses += 1;
  }
  show();
}

function gone() {
  night.dataset.mood = "over";
  say("head", "This print was deleted.");
  say("detail", "Nothing more is shown of it.");
}

function show() {
  if (!contact) return;
  const age = data && data.age_s !== null ? data.age_s + secondsSince(came) : null;
  // Without contact nothing is known of newer pictures; nor by a page that slept and has not asked.
  const known = Boolean(data) && !contact.lost && age !== null;
  const surely = known && misses < 2 ? data.age_s : age;
  const late = known && data.watching && !DONE.includes(data.mood) && surely > data.patience_s;
  const failed = Boolean(data) && data.mood === "stop-failed";
  if (data && !contact.lost) tell(late, age);
  if (contact.lost) lost();
  if (data && data.last_words) {
    say("age-of", "Last picture");
    say("age", data.last_words);
  } else if (age !== null) {
    say("age-of", "Newest picture");
    say("age", `${duration(age)} old`);
  }
  say("contact", contact.lost ? `No contact since ${timeOfDay(contact.heardAt.getTime() / 1000)}.` : "In contact with the watcher.");
  const sounding = contact.audible.length > 0;
  if (byId("heard")) byId("heard").hidden = !(sounding || (data ? data.wants_answer : !byId("heard").hidden));
  if (byId("hush")) byId("hush").hidden = !sounding;
  if (byId("halt") && data) byId("halt").hidden = byId("how-stop").hidden = !data.going_on;
  // What is told in large letters below needs no second telling above; other printers' worries do.
  const ours = ["contact", "pictures", "stop failed", `stop ${night.dataset.run}`, `watch ${night.dataset.watch}`];
  life.classList.toggle("told-below", contact.reasons.every((reason) => ours.includes(reason.key)));
  // Last, for they come back to here.
  const wanted = { pictures: late ? `No new picture has come for ${duration(age)}.` : "", "stop failed": failed ? data.head : "" };
  for (const key of Object.keys(wanted)) {
    const worries = contact.reasons.some((reason) => reason.key === key);
    if (Boolean(wanted[key]) !== worries) worry(key, "watch", wanted[key]);
  }
}

function tell(late, age) {
  const hides = late && !["stop", "stop-failed", "dead", "hindered"].includes(data.mood);
  night.dataset.mood = hides ? "hindered" : data.mood;
  say("head", hides ? `No new picture for ${duration(Math.max(60, age))}.` : data.head);
  say("detail", hides ? `One should have come by now: go and look. Before that: ${data.head}` : data.detail);
  document.title = `${byId("head").textContent} ${title}`;
  say("end", data.end_words);
  say("end-note", endNote());
  if (data.tried && byId("told").dataset.own !== "yes") say("told", data.tried);
  // Where this is the address of whatever is watched now, it goes on to the next print by itself.
  if (data.newer && !data.watching && location.pathname === night.dataset.scope) location.reload();
  byId("newer").hidden = !data.newer;
  if (data.newer) byId("newer-link").href = data.newer;
}

function lost() {
  night.dataset.mood = "lost";
  const since = timeOfDay(contact.heardAt.getTime() / 1000);
  say("head", `No contact since ${since}.`);
  const before = data ? ` What was told then: ${data.head}` : "";
  say("detail", `Nothing may be watching the print. Go and look at it, then at the network.${before}`);
  // The last estimate of the time of day still stands below; how long that is from now does not.
  say("end", "not known now");
  document.title = `No contact since ${since}. ${title}`;
}

// In the viewer's own time of day, where the watcher could only say how long.
function endNote() {
  if (!data.span_s || data.span_s[1] <= 0) return data.end_note;
  const at = (seconds) => timeOfDay(came.wall / 1000 + seconds);
  const [early, late] = data.span_s;
  return `Between ${early > 0 ? at(early) : "now"} and ${at(late)} at this pace.`;
}

// A picture takes the old one's place only when all of it has come: nothing flashes.
function showPicture() {
  const address = data.picture;
  if (!address) return;
  const box = data.box;
  const mark = data.mark;
  const alt = data.alt;
  const place = () => {
    byId("picture").setAttribute("href", address);
    byId("view").setAttribute("viewBox", box.join(" "));
    byId("view").setAttribute("aria-label", alt);
    byId("view").removeAttribute("hidden");
    byId("no-picture").hidden = true;
    byId("brighten").hidden = false;
    const ring = byId("ring");
    ring.setAttribute("visibility", mark ? "visible" : "hidden");
    if (mark) ["cx", "cy", "r"].forEach((name, i) => ring.setAttribute(name, mark[i]));
  };
  if (address === shownPicture) {
    place();
    return;
  }
  const fresh = new Image();
  fresh.onload = () => {
    shownPicture = address;
    place();
  };
  fresh.onerror = () => {
    byId("no-picture").hidden = false;
    say("no-picture", "The newest picture can’t be had; the one before is shown.");
  };
  fresh.src = address;
}

function brighten(on) {
  clearTimeout(bright);
  byId("seen").classList.toggle("bright", on);
  byId("brighten").setAttribute("aria-pressed", String(on));
  if (on) bright = setTimeout(() => brighten(false), BRIGHT_MS);
}

function told(text) {
  byId("told").dataset.own = "yes";
  say("told", text);
}

async function send(form, more, patienceMs) {
  const fields = new URLSearchParams(new FormData(form));
  for (const name of Object.keys(more)) fields.set(name, more[name]);
  const answer = await Promise.race([
    fetch(form.action, { method: "POST", body: fields }),
    new Promise((_, reject) => setTimeout(() => reject(new Error("no answer")), patienceMs)),
  ]);
  if (!answer.ok) throw new Error(String(answer.status));
}

async function looking() {
  const until = timeOfDay(hush().getTime() / 1000);
  const wrong = contact.reasons.some((reason) => reason.kind === "watch");
  try {
    await send(byId("heard"), {}, 2 * ASK_MS);
    told(
      wrong
        ? `Noted at ${clockNow()}. This page is silent until ${until}; what is wrong stays wrong until it is mended.`
        : `Noted at ${clockNow()}: the alarm is not repeated, here or elsewhere.`,
    );
  } catch (error) {
    told(`The watcher could not be told. This page is silent until ${until}; other alarms may go on.`);
  }
  ask();
}

async function halt() {
  told("Sending the stop …");
  byId("stop").setAttribute("aria-disabled", "true");
  try {
    await send(byId("halt"), { sure: "yes" }, STOP_MS);
    byId("told").dataset.own = "";
    await ask();
  } catch (error) {
    told("The stop was NOT sent: the watcher does not answer. Go to the printer and stop it there.");
    byId("told").classList.add("bad");
  }
  byId("stop").setAttribute("aria-disabled", "false");
}

document.documentElement.classList.add("live");
byId("brighten").hidden = !shownPicture;
byId("brighten").addEventListener("click", () => brighten(!byId("seen").classList.contains("bright")));
byId("try").hidden = byId("try-note").hidden = !canSound();
byId("try").addEventListener("click", () => allow().then(tryOut).catch(() => {}));
if (byId("heard")) {
  byId("heard").addEventListener("submit", (event) => {
    event.preventDefault();
    looking();
  });
}
if (byId("hush")) byId("hush").addEventListener("click", hush);
if (byId("stop")) held(byId("stop"), byId("stop-words"), halt, told);
awake((text) => {
  byId("awake").hidden = false;
  say("awake", text);
});
keep(night);
follow((now) => {
  contact = now;
  show();
});
setInterval(ask, ASK_MS);
ask();

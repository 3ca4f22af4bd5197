// The page's own alarm. It sounds when an advice to stop waits for an answer, when a watch gives no
// sign of life, and when this page has lost contact: silence must never look like a quiet night.

const ASK_MS = 5000;
const LOST_AFTER_MS = 30000;
const BEEP_S = 0.35;
const BEEPS_EVERY_MS = 2500;

const box = document.getElementById("life");
const words = document.getElementById("life-words");
const button = document.getElementById("life-sound");

let heard = performance.now();
let reasons = [];
let known = false; // whether there is a watch to worry about
let sound = null;
let beeping = null;

async function ask() {
  try {
    const answer = await fetch(box.dataset.life, { signal: AbortSignal.timeout(ASK_MS) });
    if (answer.status === 401) {
      reasons = known ? ["You are signed out: this page hears no alarm."] : [];
    } else if (answer.ok) {
      take(await answer.json());
    }
    if (answer.ok || answer.status === 401) heard = performance.now();
  } catch {
    // Told by the time that has gone by.
  }
  show();
}

function take(life) {
  known = life.watches.length > 0;
  reasons = [
    ...life.stops.map((stop) => stop.sentence),
    ...life.watches.filter((w) => w.loud).map((w) => `${w.name}: ${w.words}`),
  ];
}

function show() {
  const lost = performance.now() - heard > LOST_AFTER_MS;
  const told = lost
    ? [...reasons, "This page has lost contact with the watcher: nothing may be watching the print."]
    : reasons;
  const text = told.join("\n");
  if (words.textContent !== text) words.textContent = text;
  box.classList.toggle("loud", told.length > 0);
  document.documentElement.dataset.alarm = told.length ? "loud" : "quiet";
  const silent = sound?.state !== "running";
  button.hidden = !silent;
  box.hidden = !(told.length || (known && silent));
  if (told.length && !silent) beep();
  else hush();
}

function beep() {
  if (beeping !== null) return;
  const once = () => {
    for (const [n, hertz] of [[0, 880], [1, 660], [2, 880]]) {
      const tone = sound.createOscillator();
      const level = sound.createGain();
      level.gain.value = 0.6;
      tone.type = "square";
      tone.frequency.value = hertz;
      tone.connect(level).connect(sound.destination);
      tone.start(sound.currentTime + n * BEEP_S);
      tone.stop(sound.currentTime + (n + 0.8) * BEEP_S);
    }
  };
  once();
  beeping = setInterval(once, BEEPS_EVERY_MS);
}

function hush() {
  clearInterval(beeping);
  beeping = null;
}

// Browsers let a page sound only after a person has touched it.
async function allow() {
  sound ??= new AudioContext();
  await sound.resume();
  show();
}

button.addEventListener("click", () => allow().catch(() => {}));
document.addEventListener("pointerdown", () => {
  if (known) allow().catch(() => {});
});
setInterval(() => ask(), ASK_MS);
setInterval(show, 1000);
ask();

// The sound of an alarm, made in the browser. It begins low and slow and grows loud and quick until
// somebody answers. The watch's own death begins louder than a print's and ends louder: nobody else
// would tell of it.
// Kept to what browsers of 2018 read, for old tablets beside a bed.

const Context = window.AudioContext || window.webkitAudioContext;

// Loudness is the oscillators' gain; they rise geometrically, as the ear hears.
const CALLS = {
  advice: {
    level: [0.03, 0.6], pauseS: [5, 1.6], riseS: 120, wave: "triangle",
    tones: [[660, 0.3], [880, 0.3], [660, 0.3]],
  },
  watch: {
    level: [0.2, 1], pauseS: [3, 1.2], riseS: 60, wave: "square",
    tones: [[990, 0.2], [620, 0.2], [990, 0.2], [620, 0.2], [990, 0.2]],
  },
};

let sound = null;
let kind = "";
let beganMs = 0;
let next = null;

// How the alarm calls after it has sounded for so many seconds.
export function callAt(which, seconds) {
  const call = CALLS[which];
  const grown = Math.min(1, seconds / call.riseS);
  const between = (ends) => ends[0] * Math.pow(ends[1] / ends[0], grown);
  return { level: between(call.level), pauseS: between(call.pauseS), wave: call.wave, tones: call.tones };
}

export function canSound() {
  return Boolean(Context);
}

export function isOpen() {
  return sound !== null && sound.state === "running";
}

// Browsers let a page sound only after a person has touched it.
export async function open() {
  if (!Context) return;
  if (sound === null) sound = new Context();
  await sound.resume();
}

// Go on calling until `quiet`; a louder kind takes over from the other, from its own beginning.
export function call(which) {
  if (kind === which) return;
  quiet();
  kind = which;
  beganMs = performance.now();
  again();
}

export function quiet() {
  if (!kind) return;
  clearTimeout(next);
  next = null;
  kind = "";
  vibrate(0);
}

// Its quiet beginning, then as loud as it gets, so that a person knows what to wake up to.
export function tryOut() {
  if (kind) return;
  sing(callAt("advice", 0), 0);
  sing(callAt("advice", CALLS.advice.riseS), 1.5);
  sing(callAt("watch", CALLS.watch.riseS), 3);
}

function again() {
  const now = callAt(kind, (performance.now() - beganMs) / 1000);
  sing(now, 0);
  vibrate(kind === "watch" ? [400, 100, 400, 100, 400] : [300, 150, 300]);
  next = setTimeout(again, now.pauseS * 1000);
}

// Untouched pages may not shake either.
function vibrate(pattern) {
  if (navigator.vibrate && isOpen()) navigator.vibrate(pattern);
}

function sing(how, delayS) {
  if (!isOpen()) return;
  let at = sound.currentTime + delayS;
  for (const [hertz, seconds] of how.tones) {
    const tone = sound.createOscillator();
    const level = sound.createGain();
    level.gain.value = how.level;
    tone.type = how.wave;
    tone.frequency.value = hertz;
    tone.connect(level);
    level.connect(sound.destination);
    tone.start(at);
    tone.stop(at + 0.8 * seconds);
    at += seconds;
  }
}

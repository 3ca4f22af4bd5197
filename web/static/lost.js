// What stands in for the view from bed while the watcher can't be reached. It has no picture and no
// advice to show; it sounds once it may, and goes on to the view as soon as there is an answer.

import { call, canSound, isOpen, open, quiet } from "./siren.js";

const ASK_MS = 5000;
const button = document.getElementById("sound");
const since = new Date();
let looking = false;

function show() {
  const at = since.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
  document.getElementById("since").textContent = `Since ${at} this page asks every 5 seconds.`;
  button.hidden = !canSound() || looking;
  button.textContent = isOpen() ? "I’m looking" : "Let this page sound";
  if (isOpen() && !looking) call("watch");
}

async function press() {
  if (isOpen()) {
    looking = true;
    quiet();
  } else {
    await open();
  }
  show();
}

function ask() {
  fetch("static/icon.svg", { cache: "no-store" })
    .then((answer) => answer.ok && location.reload())
    .catch(() => {});
}

button.addEventListener("click", () => press().catch(() => {}));
setInterval(ask, ASK_MS);
show();

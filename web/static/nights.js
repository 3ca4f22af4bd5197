// While nothing is watched, or several printers are: go on as soon as that changes.

import { keep } from "./keep.js";
import { askFor } from "./life.js";

const ASK_MS = 5000;
const box = document.getElementById("nights");

async function ask() {
  try {
    const { body } = await askFor(box.dataset.address);
    if (!body) return;
    if (body.runs.join(" ") !== box.dataset.runs) location.reload();
    else if (body.runs.length) await refresh();
  } catch (error) {
    // The page's alarm tells of lost contact.
  }
}

async function refresh() {
  const answer = await fetch(location.href, { cache: "no-store" });
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("several");
  const list = document.getElementById("several");
  if (!fresh || list.innerHTML === fresh.innerHTML || list.contains(document.activeElement)) return;
  list.replaceWith(document.importNode(fresh, true));
}

keep(box);
setInterval(ask, ASK_MS);

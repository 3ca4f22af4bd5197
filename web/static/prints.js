// The list: times in the viewer's zone, and fresh while the page is looked at.

import { momentOf } from "./words.js";

const PAUSE_MS = 5000;

function showTimes() {
  for (const time of document.querySelectorAll("time[datetime]")) {
    time.textContent = momentOf(Date.parse(time.dateTime) / 1000);
  }
}

async function refresh() {
  if (document.hidden || document.activeElement.closest?.(".prints")) return;
  const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
  if (!answer.ok) return;
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  document.querySelector("main").replaceWith(fresh.querySelector("main"));
  showTimes();
}

showTimes();
setInterval(() => refresh().catch(() => {}), PAUSE_MS);

// Every time on every view in the viewer's zone. The server writes UTC and says so; an element whose
// words end otherwise was written by another script and stays.

import { momentOf } from "./words.js";

function show(time) {
  const utc = time.textContent.trim();
  const at = Date.parse(time.dateTime);
  if (!utc.endsWith("UTC") || Number.isNaN(at)) return;
  time.title = utc;
  time.textContent = momentOf(at / 1000, /:\d\d:\d\d/.test(time.dateTime));
}

function showAll(root) {
  for (const time of root.querySelectorAll("time[datetime]")) show(time);
}

new MutationObserver((changes) => {
  for (const { addedNodes } of changes) {
    for (const node of addedNodes) {
      if (node instanceof HTMLTimeElement) show(node);
      else if (node instanceof Element) showAll(node);
    }
  }
}).observe(document.body, { childList: true, subtree: true });
showAll(document);

// Lets the browser open the view from bed while the watcher can't be reached. Browsers offer that over
// https and on the very machine only; elsewhere it is left out.

export function keep(element) {
  if (!navigator.serviceWorker) return;
  navigator.serviceWorker.register(element.dataset.worker, { scope: element.dataset.scope }).catch(() => {});
}

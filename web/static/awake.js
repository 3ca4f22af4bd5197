// Keeps the screen on while the page is in front, and says where the browser won't.
// Source: W3C, Screen Wake Lock API: the lock goes whenever the page is hidden, and is offered only
// in a secure context (https, or the very machine).

export function awake(tell) {
  if (!("wakeLock" in navigator)) {
    tell(
      window.isSecureContext
        ? "This browser can’t keep the screen on: set the screen’s time-out to never for the night, and plug it in."
        : "Over plain http a browser may not keep the screen on: open this page over https, or set the screen’s time-out to never for the night.",
    );
    return;
  }
  let lock = null;

  async function hold() {
    if (document.visibilityState !== "visible" || (lock && !lock.released)) return;
    try {
      lock = await navigator.wakeLock.request("screen");
      lock.addEventListener("release", () => {
        if (document.visibilityState === "visible") tell("The screen may go dark: touch the page to keep it on.");
      });
      tell("The screen stays on while this page is in front.");
    } catch (error) {
      tell("The browser does not keep the screen on now, perhaps to save the battery: plug it in and touch the page.");
    }
  }

  document.addEventListener("visibilitychange", hold);
  document.addEventListener("click", hold);
  hold();
}

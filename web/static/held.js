// A button that acts only when it has been held, by finger, mouse, Enter or Space. A press by other
// means, as assistive technology makes it, is left to the form that the button belongs to.

const HOLD_MS = 1500;

// `words` is the element with the button's text; `tell` says what became of a hold that was too short.
export function held(button, words, act, tell) {
  const usual = words.textContent;
  let timer = null;
  let touchedMs = -Infinity; // when it was last pressed by hand or key

  function begin() {
    if (timer !== null || button.getAttribute("aria-disabled") === "true") return;
    button.classList.add("holding");
    words.textContent = "Keep holding";
    timer = setTimeout(() => {
      end();
      act();
    }, HOLD_MS);
  }

  function end() {
    clearTimeout(timer);
    timer = null;
    touchedMs = performance.now();
    button.classList.remove("holding");
    words.textContent = usual;
  }

  function letGo() {
    if (timer === null) return;
    end();
    tell("Not stopped: hold the button for a second and a half.");
  }

  const pointer = Boolean(window.PointerEvent);
  button.addEventListener(pointer ? "pointerdown" : "touchstart", (event) => {
    if (!event.button) begin();
  });
  const ends = pointer ? ["pointerup", "pointercancel", "pointerleave"] : ["touchend", "touchcancel"];
  for (const name of ends.concat("blur")) button.addEventListener(name, letGo);
  button.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" && event.key !== " ") return;
    event.preventDefault();
    if (!event.repeat) begin();
  });
  button.addEventListener("keyup", (event) => {
    if (event.key !== "Enter" && event.key !== " ") return;
    event.preventDefault();
    letGo();
  });
  // A long press by finger must not open a menu instead.
  button.addEventListener("contextmenu", (event) => event.preventDefault());
  button.addEventListener("click", (event) => {
    if (timer !== null || performance.now() - touchedMs < 700) event.preventDefault();
  });
}

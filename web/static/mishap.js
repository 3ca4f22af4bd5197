// Says so where a script of the page does not load or breaks: a page that stands still must not
// look like a quiet night. It comes first, so that it hears of all others.

{
  const box = document.getElementById("mishap");
  const again = document.getElementById("mishap-again");
  const tell = () => {
    box.hidden = false;
  };
  addEventListener("error", (event) => {
    const missing = event.target instanceof HTMLScriptElement || event.target instanceof HTMLLinkElement;
    if (missing || event instanceof ErrorEvent) tell();
  }, true);
  addEventListener("unhandledrejection", tell);
  // A style sheet that failed did so before this script began: its rules can't be read.
  for (const link of document.querySelectorAll("link[rel=stylesheet]")) {
    try {
      if (!link.sheet.cssRules) tell();
    } catch (error) {
      tell();
    }
  }
  again.addEventListener("click", () => location.reload());
}

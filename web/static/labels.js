// Forms that are kept without leaving the page; and a film that is made while one waits.

const POLL_MS = 700;
const SHOWN_MS = 4000;

const asked = (form) =>
  fetch(form.action, {
    method: "POST",
    body: new URLSearchParams(new FormData(form)),
    headers: { Accept: "application/json" },
  });

document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (!form.matches("form.label")) return;
  event.preventDefault();
  const said = form.querySelector("[role=status]");
  try {
    const answer = await asked(form);
    if (!answer.ok) throw new Error(answer.statusText);
    said.textContent = "Kept.";
    form.classList.remove("changed");
    form.dispatchEvent(new CustomEvent("kept", { bubbles: true }));
    setTimeout(() => (said.textContent = ""), SHOWN_MS);
  } catch {
    said.textContent = "Not kept: no answer from watcher. Press again.";
  }
});
document.addEventListener("input", (event) => event.target.form?.classList.add("changed"));

// The film

const film = document.getElementById("film");

function tell(state) {
  const words = {
    waiting: state.words, making: state.words, ready: `Ready: ${state.words}`, failed: state.words,
  }[state.state] ?? "";
  const said = document.getElementById("film-words");
  if (said.textContent !== words) said.textContent = words;
  const progress = document.getElementById("film-progress");
  progress.hidden = !["waiting", "making"].includes(state.state);
  progress.max = Math.max(1, state.pictures);
  progress.value = state.done;
  document.getElementById("film-link").hidden = state.state !== "ready";
}

async function watchFilm() {
  try {
    const answer = await fetch(film.dataset.state);
    if (!answer.ok) throw new Error(answer.statusText);
    const state = await answer.json();
    tell(state);
    if (["waiting", "making"].includes(state.state)) setTimeout(watchFilm, POLL_MS);
  } catch {
    document.getElementById("film-words").textContent = "No answer from watcher; asking again.";
    setTimeout(watchFilm, 5 * POLL_MS);
  }
}

if (film) {
  const form = film.querySelector("form");
  form?.addEventListener("submit", async (event) => {
    event.preventDefault();
    tell({ state: "waiting", words: "Asked for.", pictures: 1, done: 0 });
    try {
      const answer = await asked(form);
      if (!answer.ok) throw new Error(answer.statusText);
      watchFilm();
    } catch {
      tell({ state: "failed", words: "No answer from watcher. Press again." });
    }
  });
  if (["waiting", "making"].includes(film.dataset.now)) watchFilm();
}

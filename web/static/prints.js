// The list: narrowed and ordered as one types, fresh while a print is being watched, prints deleted
// and brought back without leaving it. The server draws each row; here rows are put in place, so that
// focus, scroll and what is chosen stay.

const SOON_MS = 5000;
const LATER_MS = 30000;
const TYPING_MS = 180;
const PATIENCE_MS = 15000;
const USUAL_ORDER = "newest"; // which an address leaves out

const $ = (id) => document.getElementById(id);
const seek = $("seek");
const trouble = $("trouble");
const drawn = new WeakMap(); // row -> how the server wrote it

let asking = null;
let again = null;
let typing = null;

class Refused extends Error {
  constructor(status, words) {
    super(words);
    this.status = status;
  }
}

// Asking

async function ask(address, options = {}) {
  asking?.abort();
  const own = new AbortController();
  asking = own;
  const late = setTimeout(() => own.abort(new Error("It took too long.")), PATIENCE_MS);
  try {
    const answer = await fetch(address, {
      ...options, headers: { Accept: "text/html", ...options.headers }, signal: own.signal,
    });
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    const words = fresh.querySelector("main section p")?.textContent ?? "";
    if (answer.redirected && new URL(answer.url).pathname === new URL($("trouble-sign-in").href).pathname) {
      throw new Refused(401, "");
    }
    if (!answer.ok) throw new Refused(answer.status, words);
    return fresh;
  } finally {
    clearTimeout(late);
    if (asking === own) asking = null;
  }
}

function tell(error, retry) {
  if (error.name === "AbortError") return; // a newer question took its place
  const signedOut = error.status === 401;
  again = retry;
  $("trouble-words").textContent = signedOut
    ? "You are signed out. What stands here may be old."
    : error.status
      ? `Not done: ${error.message}`
      : "No answer from watcher. What stands here may be old; this page goes on asking.";
  $("trouble-again").hidden = signedOut || error.status === 403;
  $("trouble-sign-in").hidden = !signedOut;
  $("trouble-sign-in").search = `?to=${encodeURIComponent(location.pathname + location.search)}`;
  trouble.hidden = false;
}

// Putting in place

function remember() {
  for (const row of document.querySelectorAll(".print")) {
    // As it came, before its times were turned into the viewer's zone.
    const plain = row.cloneNode(true);
    for (const time of plain.querySelectorAll("time[title]")) {
      time.textContent = time.title;
      time.removeAttribute("title");
    }
    drawn.set(row, plain.innerHTML);
  }
}

function replaceRow(row, fresh) {
  if (drawn.get(row) === fresh.innerHTML) return;
  drawn.set(row, fresh.innerHTML);
  for (const part of [".end", ".told", ".facts"]) {
    const old = row.querySelector(part);
    const own = fresh.querySelector(part);
    // The link that has the focus stays, its words may change.
    if (part === ".told" && old.contains(document.activeElement)) {
      old.querySelector("a").textContent = own.querySelector("a").textContent;
      for (const more of old.querySelectorAll("p")) more.remove();
      old.append(...own.querySelectorAll("p"));
    } else {
      old.replaceWith(own);
    }
  }
  const box = row.querySelector(".pick");
  const own = fresh.querySelector(".pick");
  if (!box && own) row.prepend(own);
  if (box && !own) box.remove();
}

function put(fresh) {
  const list = document.querySelector("ul.prints");
  const next = fresh.querySelector("ul.prints");
  const found = $("found");
  if (!seek && fresh.getElementById("seek")) {
    location.reload(); // the first print has come
    return;
  }
  const freshFound = fresh.getElementById("found");
  if (list && next) {
    const known = new Map([...list.children].map((row) => [row.dataset.run, row]));
    let at = list.firstElementChild;
    for (const row of [...next.children]) {
      const own = known.get(row.dataset.run);
      known.delete(row.dataset.run);
      if (own) {
        replaceRow(own, row);
        if (own === at) at = at.nextElementSibling;
        else list.insertBefore(own, at);
      } else {
        drawn.set(row, row.innerHTML);
        list.insertBefore(row, at);
      }
    }
    for (const row of known.values()) row.remove();
    list.setAttribute("aria-label", next.getAttribute("aria-label"));
    for (const old of found.querySelectorAll(":scope > :not(#prints)")) old.remove();
    for (const more of [...freshFound.querySelectorAll(":scope > :not(#prints)")]) found.append(more);
    takeTokens(fresh);
  } else {
    found.replaceChildren(...freshFound.childNodes);
    remember();
  }
  found.dataset.watching = freshFound.dataset.watching;
  const count = fresh.getElementById("count").textContent;
  if ($("count").textContent !== count) $("count").textContent = count;
  const watches = fresh.getElementById("watches");
  const own = $("watches");
  if (own.dataset.drawn !== watches.innerHTML && !own.contains(document.activeElement)) {
    own.dataset.drawn = watches.innerHTML;
    own.replaceChildren(...watches.childNodes);
  }
  trouble.hidden = true;
  countChosen();
}

// Where the list was asked for, and the token, which changes when the program is started anew.
function takeTokens(fresh) {
  const form = $("prints");
  const own = fresh.getElementById("prints");
  if (!form || !own) return;
  for (const old of form.querySelectorAll(":scope > input")) old.remove();
  form.prepend(...own.querySelectorAll(":scope > input"));
}

function busy(on) {
  $("found").setAttribute("aria-busy", String(on));
}

async function load(address = location.href, quiet = false) {
  if (!quiet) busy(true);
  try {
    put(await ask(address));
  } catch (error) {
    tell(error, () => load(address));
  } finally {
    busy(false);
  }
}

// Narrowing and ordering

function wanted() {
  const asked = new URLSearchParams();
  const fields = new FormData(seek);
  if (!fields.get("since") && !fields.get("until")) fields.delete("zone");
  for (const [name, value] of fields) {
    if (value && !(name === "order" && value === USUAL_ORDER)) asked.set(name, value);
  }
  const address = new URL(seek.action);
  address.search = asked;
  return address;
}

function narrow() {
  clearTimeout(typing);
  typing = null;
  const address = wanted();
  if (address.search === location.search) return;
  history.replaceState(null, "", address);
  load(address);
}

if (seek) {
  $("zone").value = Intl.DateTimeFormat().resolvedOptions().timeZone;
  $("seek-go").hidden = true;
  seek.addEventListener("submit", (event) => {
    event.preventDefault();
    narrow();
  });
  seek.addEventListener("input", () => {
    clearTimeout(typing);
    typing = setTimeout(narrow, TYPING_MS);
  });
  seek.addEventListener("change", narrow);
}

// Choosing, deleting, bringing back

function boxes() {
  return [...document.querySelectorAll(".pick input")];
}

function countChosen() {
  const bar = $("bar");
  if (!bar) return;
  const all = boxes();
  const ids = all.filter((box) => box.checked).map((box) => box.value);
  const chosen = ids.length;
  $("compare").hidden = chosen < 2;
  $("compare").search = new URLSearchParams(ids.map((id) => ["run", id]));
  bar.hidden = chosen === 0;
  $("chosen-words").textContent = `${chosen} chosen`;
  $("choose-all").hidden = false;
  $("choose-all").textContent = chosen === all.length ? "Choose none" : "Choose all shown";
}

async function send(form, tried = false) {
  try {
    const fresh = await ask(form.action, {
      method: "POST", body: new URLSearchParams(new FormData(form)),
    });
    put(fresh);
    $("news").replaceChildren(...fresh.getElementById("news").childNodes);
    for (const box of boxes()) box.checked = false;
    countChosen();
    // What was pressed is gone: the undo is the nearest thing to it.
    ($("news").querySelector("button") ?? document.querySelector(".name a"))?.focus();
  } catch (error) {
    if (error.status === 400 && !tried) {
      // The program may have been started anew: take its new token and press once more.
      const fresh = await ask(location.href).catch(() => null);
      const token = fresh?.querySelector("#prints [name=csrf_token]")?.value;
      if (token) {
        form.querySelector("[name=csrf_token]").value = token;
        await send(form, true);
        return;
      }
    }
    tell(error, () => send(form));
  }
}

document.addEventListener("change", (event) => {
  if (event.target.closest?.(".pick")) countChosen();
});
document.addEventListener("click", (event) => {
  if (event.target.id !== "choose-all") return;
  const all = boxes();
  const on = !all.every((box) => box.checked);
  for (const box of all) box.checked = on;
  countChosen();
});
document.addEventListener("submit", (event) => {
  if (event.target.id !== "prints" && !event.target.closest("#news")) return;
  event.preventDefault();
  send(event.target);
});
$("trouble-again").addEventListener("click", () => again?.());

// A picture that is gone leaves a word, not a hole.
function leaveWord(image) {
  const blank = document.createElement("span");
  blank.className = "blank";
  blank.textContent = "picture gone";
  image.replaceWith(blank);
}

document.addEventListener("error", (event) => {
  if (event.target instanceof HTMLImageElement && event.target.closest(".end")) leaveWord(event.target);
}, true);
for (const image of document.querySelectorAll(".end img")) {
  if (image.complete && !image.naturalWidth) leaveWord(image);
}

// Staying fresh

async function refresh() {
  if (!document.hidden && !asking && typing === null) await load(location.href, true);
  const watching = $("found").dataset.watching === "yes" || !trouble.hidden;
  setTimeout(refresh, watching ? SOON_MS : LATER_MS);
}

remember();
$("watches").dataset.drawn = $("watches").innerHTML;
countChosen();
setTimeout(refresh, $("found").dataset.watching === "yes" ? SOON_MS : LATER_MS);
document.body.dataset.ready = "yes";

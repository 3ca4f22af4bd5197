"""What holds for every view, also for one that is added later: the addresses come from the
application itself.

Sources: W3C, Web Content Accessibility Guidelines 2.2, level AA, as far as axe-core can tell, with
its criteria 1.3.1 (headings), 1.4.10 (reflow at 320 CSS px and more), 2.1.1 (keyboard), 2.4.2
(titles), 2.4.7 (focus visible); the HTML standard's parsing rules by html5lib.
"""

from __future__ import annotations

import re
import shutil
import threading
from dataclasses import dataclass

import argon2
import pytest
from markup import badly_formed

from watcher.page import create_app, door, door_of, listen, set_passphrase
from watcher.store import KeptStop, Store, disk

SIZES = {"phone": (390, 844), "desk": (1440, 900)}
PASSPHRASE = "four plain words here"
RUNS = {1: "failing", 2: "clean", 3: "empty", 4: "interrupted"}
NARROWEST = 360

# How to fill an address. A view with another part in its address has to say here how.
PARTS = {
    "run_id": list(RUNS),
    "name": ["00001.jpg"],
    "width": [240],
    "filename": ["page.css"],
    "token": ["no-token"],
    "key": [disk.plain("left")],
    "kind": ["csv"],
    "grain": ["coarse"],
    "number": [0],
}
# Besides the bare address: what else a view shows.
MORE = {
    "prints.all_prints": ["?outcome=failed&order=cost", "?text=nowhere", "?deleted=1"],
    "compared.compare": ["?run=1&run=2", "?run=1&run=2&run=4"],
}
# Not everybody is shown a way to stop, and only this run has one.
STOPPED = {"acts.stop": [1]}
MISSING = ["/run/99", "/nothing-here"]


class Hands:
    """A way to stop run 1, and a service to tell."""

    services = ("json://192.0.2.4",)

    def stop_words(self, watch):
        return "a message to the printer" if watch == "left" else ""

    def stop(self, run_id):
        return KeptStop(1, 0.0, "a person", "POST", False, True, "done")

    def test(self):
        return ()

    def layer(self, name, key):
        return False


@pytest.fixture(scope="module")
def app(folder, tmp_path_factory):
    """The page of a locked workshop with the made-up runs."""
    path = shutil.copytree(folder, tmp_path_factory.mktemp("every") / "kept")
    with Store.open(path, write=True) as store:
        store._db.execute("UPDATE runs SET watch = 'left' WHERE id = 1")
        store.book.note_alarm(
            1,
            concern="stop",
            title="Stop",
            sentence="It lifts.",
            sent=True,
            detail="sent",
            answer_before=None,
        )
        for run, brim in ((1, "0"), (2, "8"), (4, "5")):
            store.ledger.keep_job(
                run, outcome="failed" if run == 1 else "good", settings={"brim_width": brim}
            )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(door, "_hasher", argon2.PasswordHasher(1, 8, 1))
        set_passphrase(path, PASSPHRASE)
        made = create_app(path, door=door_of(path, "127.0.0.1"), hands=Hands())
        if "aim.add" in made.view_functions:
            client = signed_in(made)
            text = client.get("/printers").get_data(as_text=True)
            token = re.search(r'name="csrf_token" value="([^"]+)"', text)[1]
            client.post("/printers", data={"csrf_token": token, "name": "left"})
        yield made


@pytest.fixture(scope="module")
def url(app):
    server = listen(app, "127.0.0.1", 0)
    threading.Thread(target=server.run, daemon=True).start()
    yield server.url.rstrip("/")
    server.close()


def addresses(app):
    """Every address that can be asked for by a link, each way of filling it."""
    found = []
    with app.test_request_context():
        for rule in app.url_map.iter_rules():
            if "GET" not in (rule.methods or ()):
                continue
            unknown = rule.arguments - set(PARTS)
            assert not unknown, f"say in PARTS how to fill {unknown} of {rule.rule}"
            chosen = STOPPED.get(rule.endpoint)
            fillings = [{}]
            for part in sorted(rule.arguments):
                values = chosen if part == "run_id" and chosen else PARTS[part]
                fillings = [f | {part: value} for f in fillings for value in values]
            for filling in fillings:
                bare = app.url_map.bind("x").build(rule.endpoint, filling)
                found += [bare, *(bare + more for more in MORE.get(rule.endpoint, []))]
    return found + MISSING


def signed_in(app):
    """One client for all, for the door lets only so many try a minute."""
    if "MEMBER" not in app.config:
        app.config["MEMBER"] = _sign_in(app)
    return app.config["MEMBER"]


def _sign_in(app):
    client = app.test_client()
    text = client.get("/sign-in").get_data(as_text=True)
    token = re.search(r'name="csrf_token" value="([^"]+)"', text)[1]
    answer = client.post("/sign-in", data={"csrf_token": token, "passphrase": PASSPHRASE})
    assert answer.status_code == 303
    return client


def shared(app):
    client = app.test_client()
    assert client.get(f"/shared/{app.config['DOOR'].share(1)}").status_code == 303
    return client


def pages(app, client):
    """Addresses that answer with a page, and the page as it is served."""
    found = {}
    for address in addresses(app):
        answer = client.get(address)
        assert answer.status_code < 500, (address, answer.status_code)
        kept_aside = "attachment" in answer.headers.get("Content-Disposition", "")
        moved = answer.status_code in (301, 302, 303, 308)
        if answer.mimetype == "text/html" and not moved and not kept_aside:
            found[address] = answer.get_data(as_text=True)
    return found


@pytest.mark.parametrize(
    "who", [signed_in, shared, lambda app: app.test_client()], ids=["in", "look", "out"]
)
def test_as_served_each_view_is_valid_and_has_one_heading_and_a_title(app, who):
    found = pages(app, who(app))
    wrong = {address: found for address, text in found.items() if (found := _as_served(text))}
    assert wrong == {}


def _as_served(text):
    ids = re.findall(r' id="([^"]+)"', text)
    return [
        *badly_formed(text),
        *([] if len(re.findall(r"<h1[ >]", text)) == 1 else ["not one h1"]),
        *([] if re.search(r"<title>[^<]*\w[^<]* – watcher</title>", text) else ["no title"]),
        *(f"id twice: {name}" for name in set(ids) if ids.count(name) > 1),
    ]


def test_signed_in_there_are_views_and_signed_out_only_the_door(app):
    assert len(pages(app, signed_in(app))) > 20
    assert set(pages(app, app.test_client())) == {"/sign-in", "/shared/no-token"}


def test_the_navigation_marks_where_one_is_on_every_view(app):
    client = signed_in(app)
    for address, text in pages(app, client).items():
        nav = re.search(r'<nav id="ways".*?</nav>', text, re.S)
        assert nav, address
        marked = re.findall(r'<a href="([^"]+)" aria-current="(\w+)"', nav[0])
        path = address.split("?")[0]
        if path in re.findall(r'<a href="([^"]+)"', nav[0]):
            assert marked == [(path, "page")]
        elif path.startswith("/run/") and client.get(address).status_code == 200:
            assert [how for _, how in marked] == ["true"], address


def test_without_scripts_a_time_says_that_it_is_utc(app):
    for address, text in pages(app, signed_in(app)).items():
        for time, words in re.findall(r"<time([^>]*)>([^<]*)</time>", text):
            assert words.endswith(" UTC"), (address, words)
            assert re.fullmatch(r' datetime="\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d)?Z"', time), address


# In a browser

WAIT = """() => document.fonts.ready.then(() => new Promise(r => requestAnimationFrame(() =>
    setTimeout(r, 50))))"""

# All that a person may want to press, once, as far as it can be seen and used.
REACHABLE = """() => {
    const all = document.querySelectorAll('a[href], button, input:not([type=hidden]), select,'
        + 'textarea, summary, [tabindex]');
    return [...all].filter(e => e.tabIndex >= 0 && !e.disabled && e.checkVisibility(
        {visibilityProperty: true}) && (e.type !== 'radio' || e.checked
            || !document.querySelector(`input[name="${CSS.escape(e.name)}"]:checked`)))
        .map((e, n) => { e.dataset.reach = n; return n; }).length;
}"""

# Where the focus is and whether anything shows it: an outline or a shadow of the element, of a
# part of it, or of what holds it, that is not there without focus.
FOCUS = """() => {
    const e = document.activeElement;
    if (e === document.body || !e) return null;
    const looks = [e, e.closest('label'), e.parentElement].filter(Boolean)
        .flatMap(x => ['', '::before', '::after'].map(p => getComputedStyle(x, p)));
    return {reach: e.dataset.reach ?? null, name: e.outerHTML.slice(0, 120),
        seen: looks.some(s => s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2)};
}"""


@dataclass
class Look:
    """A browser that notes what goes wrong on one view."""

    page: object
    wrongs: list

    def at(self, address, expected=200):
        self.wrongs.clear()
        self.page.goto(address)
        self.page.evaluate(WAIT)
        found, self.wrongs[:] = list(self.wrongs), []
        # A page that is not there is told by the browser itself.
        return [w for w in found if expected < 400 or f"status of {expected}" not in w]


@pytest.fixture(params=SIZES)
def look(browser, request):
    width, height = SIZES[request.param]
    context = browser.new_context(
        viewport={"width": width, "height": height},
        has_touch=request.param == "phone",
        reduced_motion="reduce",
    )
    page = context.new_page()
    wrongs = []
    page.on("pageerror", lambda error: wrongs.append(f"error: {error}"))
    page.on(
        "console",
        lambda m: wrongs.append(f"console {m.type}: {m.text}") if m.type == "error" else None,
    )
    page.on(
        "request",
        lambda asked: (
            None
            if asked.url.startswith(("http://127.0.0.1:", "data:", "blob:http://127.0.0.1:"))
            else wrongs.append(f"asked {asked.url}")
        ),
    )
    yield Look(page, wrongs)
    context.close()


def enter(page, app, url):
    """Signed in by a cookie."""
    cookie = signed_in(app).get_cookie("watcher")
    page.context.add_cookies([{"name": "watcher", "value": cookie.value, "url": url}])


def problems(look, url, address, barriers, status=200):
    """What is wrong with one view, a line each."""
    page = look.page
    found = [*look.at(url + address, status), *barriers(page)]
    width = page.viewport_size["width"]
    for narrow in (width, NARROWEST) if width < 2 * NARROWEST else (width,):
        page.set_viewport_size({"width": narrow, "height": page.viewport_size["height"]})
        page.evaluate(WAIT)
        wide = page.evaluate("document.documentElement.scrollWidth")
        found += [f"{wide} px wide at {narrow} px"] if wide > narrow else []
    page.set_viewport_size({"width": width, "height": page.viewport_size["height"]})
    found += [f"badly formed: {w}" for w in badly_formed(page.content())]
    headings = page.locator("h1").count()
    found += [] if headings == 1 else [f"{headings} main headings"]
    moving = page.evaluate(
        "document.getAnimations().filter(a => a.playState === 'running').map(a => String("
        "a.animationName ?? a.transitionProperty))"
    )
    found += [f"moves: {name}" for name in moving]
    return found + unreached(page)


def unreached(page):
    """What can be pressed but not reached by Tab, and where the focus is not seen."""
    page.evaluate("document.activeElement?.blur()")
    wanted = page.evaluate(REACHABLE)
    met, found, last = set(), [], None
    for _ in range(3 * wanted + 10):
        page.keyboard.press("Tab")
        at = page.evaluate(FOCUS)
        if at is None:
            break
        if not at["seen"]:
            found.append(f"focus not seen: {at['name']}")
        # A field for a day is several stops, one after the other; met again means gone round.
        if at["reach"] in met and at["reach"] != last:
            break
        last = at["reach"]
        if at["reach"] is not None:
            met.add(at["reach"])
    missed = page.evaluate(
        "met => [...document.querySelectorAll('[data-reach]')].filter(e => !met.includes("
        "e.dataset.reach) && e.checkVisibility()).map(e => e.outerHTML.slice(0, 120))",
        sorted(met),
    )
    return found + [f"not reached by Tab: {name}" for name in missed]


def test_every_view_signed_in(app, url, look, barriers):
    enter(look.page, app, url)
    client = signed_in(app)
    wrong = {}
    for address in pages(app, client):
        status = client.get(address).status_code
        if status >= 400 and address not in MISSING:
            continue  # the same page as for what is missing
        if look.page.viewport_size["width"] > NARROWEST * 2 and re.match("/run/[24]", address):
            continue  # the phone has shown that a clean and an interrupted run differ in words only
        if found := problems(look, url, address, barriers, status):
            wrong[address] = found
    assert wrong == {}


def test_a_share_link_shows_the_same_views_without_barriers(app, url, look, barriers):
    if look.page.viewport_size["width"] != SIZES["phone"][0]:
        pytest.skip("one size is enough: it is the same page with fewer buttons")
    look.page.goto(f"{url}/shared/{app.config['DOOR'].share(1)}")
    wrong = {}
    for address in ("/", "/run/1", "/run/1/beside", "/alarms", "/prints/delete"):
        found = [*look.at(url + address, 405 if "delete" in address else 200), *barriers(look.page)]
        if found:
            wrong[address] = found
        assert look.page.locator("form[method=post]").count() == 0
    assert wrong == {}


def test_the_door_and_a_share_link_that_holds_no_more(url, look, barriers):
    wrong = {}
    for address, status in (("/sign-in", 200), ("/shared/no-token", 404), ("/run/1", 200)):
        if found := problems(look, url, address, barriers, status):
            wrong[address] = found
    assert wrong == {}


def test_the_menu_opens_and_closes_by_keys(app, url, look, barriers):
    page = look.page
    enter(page, app, url)
    page.goto(url)
    menu = page.get_by_role("button", name="Menu")
    if not menu.is_visible():
        assert page.get_by_role("link", name="Help").is_visible()
        return
    assert not page.get_by_role("link", name="Help").is_visible()
    menu.focus()
    page.keyboard.press("Enter")
    help_link = page.get_by_role("link", name="Help")
    help_link.wait_for()
    assert barriers(page) == []
    page.keyboard.press("Escape")
    help_link.wait_for(state="hidden")
    assert menu.evaluate("e => e === document.activeElement")
    page.keyboard.press("Enter")
    for _ in range(30):
        page.keyboard.press("Tab")
        if help_link.evaluate("e => e === document.activeElement"):
            break
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="What is measured").wait_for()


def test_a_session_that_ends_is_told_with_the_way_in(app, url, look, barriers):
    page = look.page
    enter(page, app, url)
    page.goto(f"{url}/?order=cost")
    page.wait_for_selector("body[data-ready]")
    page.context.clear_cookies()
    page.get_by_label("Order").select_option("lift")
    page.get_by_text("You are signed out.").wait_for()
    assert page.locator(".print").count() == 4
    assert barriers(page) == []
    page.get_by_role("link", name="Sign in").click()
    page.get_by_role("heading", name="Sign in").wait_for()
    assert page.locator("[name=to]").input_value() == "/?order=lift"

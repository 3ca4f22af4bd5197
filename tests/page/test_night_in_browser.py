"""The view from bed, in a real browser: what it says, how it sounds, and that nothing is bright."""

from __future__ import annotations

import base64
import io
import re
import threading
from importlib.resources import files
from itertools import pairwise
from statistics import median

import cv2
import from_bed
import markup
import numpy as np
import pytest
from PIL import Image

from watcher.page import create_app, listen
from watcher.records import Frame

FAKE_SOUND = """() => {
  window.tones = [];
  const joint = { connect() {} };
  class Sound {
    constructor() { this.state = "suspended"; this.currentTime = 0; this.destination = {}; }
    resume() { this.state = "running"; return Promise.resolve(); }
    createGain() { return { gain: { value: 1 }, ...joint }; }
    createOscillator() {
      return { frequency: { value: 0 }, type: "", stop() {},
        connect(gain) { this.level = gain; },
        start() { window.tones.push({ ms: performance.now(), hertz: this.frequency.value,
                                      level: this.level.gain.value }); } };
    }
  }
  window.AudioContext = Sound;
  window.shaken = [];
  navigator.vibrate = (pattern) => window.shaken.push(pattern);
}"""

FAKE_LOCK = """() => {
  window.locks = [];
  const wakeLock = { request(kind) {
    const lock = new EventTarget();
    lock.kind = kind; lock.released = false;
    window.locks.push(lock);
    return Promise.resolve(lock);
  } };
  Object.defineProperty(navigator, "wakeLock", { value: wakeLock, configurable: true });
}"""

LET_GO = """() => {
  const lock = window.locks[window.locks.length - 1];
  lock.released = true;
  Object.defineProperty(document, "visibilityState", { value: "hidden", configurable: true });
  lock.dispatchEvent(new Event("release"));
  document.dispatchEvent(new Event("visibilitychange"));
}"""
COME_BACK = """() => {
  Object.defineProperty(document, "visibilityState", { value: "visible", configurable: true });
  document.dispatchEvent(new Event("visibilitychange"));
}"""


class Room:
    """One run, what can be done to it, and the page over it."""

    def __init__(self, data, **more) -> None:
        self.bed = from_bed.Bed.begin(data)
        self.hands = from_bed.Hands(data, **more)
        self.server = listen(create_app(data, hands=self.hands), "127.0.0.1", 0)
        threading.Thread(target=self.server.run, daemon=True).start()
        self.address = f"{self.server.url}run/{self.bed.run}/night"

    def close(self) -> None:
        self.server.close()
        self.bed.store.close()


@pytest.fixture
def room(tmp_path):
    """Before ``watched``, so that its page is closed first."""
    one = Room(tmp_path)
    yield one
    one.close()


@pytest.fixture
def page(browser, room):
    """A page with a clock of the test's own, which may lose contact without being blamed."""
    context = browser.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.clock.install()
    page.add_init_script(f"({FAKE_SOUND})()")
    yield page
    context.close()


def head(page) -> str:
    text: str = page.locator("#head").inner_text()
    return text


def mood(page) -> str:
    return page.locator("#night").get_attribute("data-mood")


def later(page, seconds) -> None:
    """Let the page's clock run on in steps that leave its requests time to be answered."""
    for _ in range(int(seconds / 5)):
        page.clock.run_for(5000)
        page.wait_for_timeout(60)


def opened(page, address) -> None:
    page.goto(address)
    page.get_by_text("In contact with the watcher.").wait_for()


# Each state


@pytest.mark.parametrize("name", from_bed.MOODS)
def test_each_state_can_be_read_by_everybody(name, room, watched, barriers):
    from_bed.MOODS[name](room.bed)
    page = watched.page
    raw = page.goto(room.address).text()
    assert markup.badly_formed(raw) == []
    page.get_by_text("In contact with the watcher.").wait_for()
    page.wait_for_function("() => !document.querySelector('#awake').hidden")
    big = page.locator("#head").bounding_box()
    assert big["y"] + big["height"] < page.viewport_size["height"] / 2
    size = page.evaluate("parseFloat(getComputedStyle(document.querySelector('#head')).fontSize)")
    assert size >= 40, "readable without glasses"
    for width in (page.viewport_size["width"], 360):
        page.set_viewport_size({"width": width, "height": page.viewport_size["height"]})
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert barriers(page) == []


def test_of_an_ended_print_the_last_picture_grows_no_older(room, watched):
    from_bed.MOODS["over"](room.bed)
    page = watched.page
    opened(page, room.address)
    assert page.locator("#age-of").inner_text() == "Last picture"
    assert page.locator("#age").inner_text().endswith(" into the print")
    assert page.title() == "The print is over. Vent bracket, left – watcher"


def test_lost_nothing_and_several_can_be_read_by_everybody(tmp_path, watched, barriers):
    page = watched.page
    empty = listen(create_app(tmp_path / "empty"), "127.0.0.1", 0)
    threading.Thread(target=empty.run, daemon=True).start()
    raw = page.goto(empty.url + "night").text()
    assert markup.badly_formed(raw) == []
    page.get_by_role("heading", name="Nothing is being watched.").wait_for()
    assert barriers(page) == []
    room = Room(tmp_path / "kept")
    from_bed.stop(room.bed)
    run = from_bed.artificial.begin(room.bed.store, "Hinge pin")
    from_bed.artificial.feed(room.bed.store, run, range(2), clean=True)
    raw = page.goto(room.server.url + "night").text()
    assert markup.badly_formed(raw) == []
    assert [one.inner_text() for one in page.locator(".one .head").all()] == [
        "Stop: the right corner lifts.",
        "Carry on.",
    ]
    assert barriers(page) == []
    page.get_by_role("link", name="Carry on.").click()
    page.get_by_role("heading", name="Hinge pin").wait_for()
    # Lost, without the thirty seconds that it takes.
    page.evaluate("document.querySelector('#night').dataset.mood = 'lost'")
    assert barriers(page) == []
    page.goto("about:blank")
    empty.close()
    room.close()


def test_with_a_share_link_one_may_look_and_silence(room, watched, barriers):
    from_bed.stop(room.bed)
    app = create_app(room.bed.data, hands=room.hands)
    app.context_processor(lambda: {"may_act": False})
    server = listen(app, "127.0.0.1", 0)
    threading.Thread(target=server.run, daemon=True).start()
    page = watched.page
    opened(page, f"{server.url}run/1/night")
    assert page.get_by_role("button", name="I’m looking").count() == 0
    assert page.get_by_role("button", name="Stop the print").count() == 0
    assert barriers(page) == []
    page.get_by_role("button", name="Silence this page").click()
    page.get_by_role("button", name="Silence this page").wait_for(state="hidden")
    page.goto("about:blank")
    server.close()


# Fresh without a touch


def test_it_follows_the_night_by_itself(page, room):
    from_bed.carry_on(room.bed)
    opened(page, room.address)
    assert head(page) == "Carry on."
    first = page.locator("#picture").get_attribute("href")
    age = page.locator("#age").inner_text()
    page.clock.run_for(3000)
    assert page.locator("#age").inner_text() != age
    room.bed.feed(range(24, 40))
    later(page, 10)
    page.wait_for_function(
        "old => document.querySelector('#picture').getAttribute('href') !== old", arg=first
    )
    assert head(page) == "Stop: the right corner lifts."
    assert page.title().startswith("Stop: the right corner lifts.")
    assert page.locator("#ring").get_attribute("visibility") == "visible"
    ring = page.locator("#ring").bounding_box()
    view = page.locator("#view").bounding_box()
    assert ring["x"] > view["x"] + view["width"] / 3, "the right corner is on the right"
    assert "Between" in page.locator("#end-note").inner_text()


def test_the_ring_lies_over_the_corner_itself(page, room):
    """Picture pixels on the screen, by the drawing's own matrix, against the measured edge."""
    from_bed.stop(room.bed)
    opened(page, room.address)
    centre = page.evaluate(
        """() => { const ring = document.querySelector('#ring');
            const m = ring.getScreenCTM(); const at = (x, y) => [m.a * x + m.e, m.d * y + m.f];
            return [ring.cx.baseVal.value, ring.cy.baseVal.value,
                    ...at(0, 0), ...at(480, 270)]; }"""
    )
    edge = from_bed.artificial.top_edge(39)[10:]
    middle = (edge.min(axis=0) + edge.max(axis=0)) / 2
    assert centre[:2] == pytest.approx(middle, abs=0.2)
    box = page.locator("#picture").bounding_box()
    scale = box["width"] / 480
    assert centre[2] == pytest.approx(box["x"] + scale / 2, abs=1)


def test_a_picture_that_is_gone_leaves_the_one_before(page, room):
    from_bed.carry_on(room.bed)
    opened(page, room.address)
    first = page.locator("#picture").get_attribute("href")
    room.bed.feed(range(24, 25), clean=True)
    (room.bed.data / "runs" / "1" / "frames" / "00025.jpg").unlink()
    later(page, 10)
    page.get_by_text("The newest picture can’t be had").wait_for()
    assert page.locator("#picture").get_attribute("href") == first


def test_while_nothing_is_watched_it_waits_and_then_goes_there(browser, tmp_path):
    context = browser.new_context()
    page = context.new_page()
    page.clock.install()
    server = listen(create_app(tmp_path), "127.0.0.1", 0)
    threading.Thread(target=server.run, daemon=True).start()
    page.goto(server.url + "night")
    page.get_by_text("Nothing is being watched.").wait_for()
    bed = from_bed.Bed.begin(tmp_path)
    from_bed.carry_on(bed)
    page.clock.run_for(6000)
    page.get_by_role("heading", name="Carry on.").wait_for()
    # And on to the next print, whose address is the same.
    bed.store.end_run(bed.run, from_bed.artificial.STARTED_UTC_S + 1500.0)
    run = from_bed.artificial.begin(bed.store, "Hinge pin")
    bed.store._db.execute("UPDATE runs SET watch = ? WHERE id = ?", (from_bed.WATCH, run))
    later(page, 10)
    page.get_by_role("heading", name="Hinge pin").wait_for()
    assert head(page) == "No picture yet."
    context.close()
    server.close()
    bed.store.close()


def test_it_opens_dark_and_loud_though_the_watcher_is_gone(browser, room, barriers):
    """From the home screen, with nothing that answers; and goes on once something does."""
    from_bed.carry_on(room.bed)
    context = browser.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.add_init_script(f"({FAKE_SOUND})()")
    address = room.server.url + "night"
    opened(page, address)
    page.evaluate("navigator.serviceWorker.ready.then(r => r.active.scriptURL)")
    page.wait_for_function("() => navigator.serviceWorker.controller")
    port = int(address.split(":")[2].split("/")[0])
    room.server.close()
    page.goto(address)
    page.get_by_role("heading", name="No contact with the watcher.").wait_for()
    assert markup.badly_formed((files("watcher.web") / "static" / "lost.html").read_text()) == []
    assert barriers(page) == []
    dark = np.asarray(Image.open(io.BytesIO(page.screenshot())).convert("RGB"))
    assert brightest([dark])[0] < 0.06
    assert page.get_by_text("Carry on").count() == 0, "an old advice is no advice"
    page.get_by_role("button", name="Let this page sound").click()
    page.wait_for_function("() => window.tones.length > 0")
    page.get_by_role("button", name="I’m looking").click()
    room.server = listen(create_app(room.bed.data), "127.0.0.1", port)
    threading.Thread(target=room.server.run, daemon=True).start()
    page.get_by_role("heading", name="Carry on.").wait_for()
    context.close()


# Sound


def rise(page, seconds):
    """Sound for so long; returns the loudness and the pauses of the calls."""
    page.evaluate("window.tones = []")
    for _ in range(int(seconds)):
        page.clock.run_for(1000)
    tones = page.evaluate("window.tones")
    calls = [t for i, t in enumerate(tones) if i == 0 or t["ms"] > tones[i - 1]["ms"]]
    times = [call["ms"] for call in calls]
    pauses = [after - before for before, after in pairwise(times)]
    return [call["level"] for call in calls], pauses


def test_a_stop_sounds_louder_and_quicker_until_somebody_looks(page, room):
    from_bed.stop(room.bed)
    opened(page, room.address)
    page.locator("html[data-alarm=loud]").wait_for(state="attached")
    page.clock.run_for(4000)
    assert page.evaluate("window.tones") == [], "browsers let an untouched page not sound"
    page.get_by_role("button", name="Let this page sound").click()
    page.get_by_role("button", name="Let this page sound").wait_for(state="hidden")
    levels, pauses = rise(page, 150)
    assert levels == sorted(levels)
    assert levels[0] < 0.1
    assert levels[-1] > 10 * levels[0] / 2
    assert pauses[0] > 2.5 * pauses[-1]
    assert page.evaluate("window.shaken.filter(p => p !== 0).length") > 5
    page.get_by_role("button", name="I’m looking").click()
    page.get_by_text("the alarm is not repeated, here or elsewhere").wait_for()
    assert room.bed.store.book.answered_at(1) is not None
    later(page, 10)
    assert mood(page) == "answered"
    assert page.evaluate("document.documentElement.dataset.alarm") == "quiet"
    assert rise(page, 20)[0] == []
    assert page.get_by_role("button", name="I’m looking").is_hidden()


def test_the_death_of_the_watch_is_noisier_than_a_print(page, room):
    from_bed.stop(room.bed)
    opened(page, room.address)
    page.get_by_role("button", name="Let this page sound").click()
    print_levels, print_pauses = rise(page, 130)
    room.bed.sign(patience_s=0.0)
    later(page, 10)
    assert mood(page) == "dead"
    levels, pauses = rise(page, 130)
    assert levels[0] > print_levels[0]
    assert levels[-1] > print_levels[-1]
    assert max(pauses) < max(print_pauses)
    # Once it has risen. The middle of some: the page's clock runs on by itself, too.
    assert median(pauses[-7:]) < median(print_pauses[-7:])


def test_pictures_that_stay_away_sound(page, room):
    from_bed.late(room.bed)
    opened(page, room.address)
    page.locator("html[data-alarm=loud]").wait_for(state="attached")
    assert head(page) == "No new picture for 6 min."
    assert "Before that: Carry on." in page.locator("#detail").inner_text()
    assert mood(page) == "hindered"
    room.bed.feed(range(24, 25), clean=True)
    room.bed.store._db.execute("UPDATE runs SET began_s = began_s + 4000")
    later(page, 10)
    assert head(page) == "Carry on."
    assert page.evaluate("document.documentElement.dataset.alarm") == "quiet"


def test_a_page_that_is_answered_no_more_of_the_run_sounds(page, room):
    """The watcher lives, but what this view asks for fails."""
    from_bed.carry_on(room.bed)
    opened(page, room.address)
    page.route("**/api/run/1/night", lambda route: route.abort())
    later(page, 150)
    assert page.evaluate("document.documentElement.dataset.alarm") == "quiet"
    later(page, 30)
    assert head(page).startswith("No new picture for 3 min")
    assert page.evaluate("document.documentElement.dataset.alarm") == "loud"


def test_lost_contact_is_loud_keeps_the_picture_and_comes_back(page, room):
    from_bed.carry_on(room.bed)
    opened(page, room.address)
    page.get_by_role("button", name="Let this page sound").click()
    picture = page.locator("#picture").get_attribute("href")
    page.context.set_offline(True)
    later(page, 20)
    assert head(page) == "Carry on.", "one answer that is late is no reason to wake somebody"
    later(page, 20)
    assert head(page).startswith("No contact since ")
    assert mood(page) == "lost"
    assert page.locator("#picture").get_attribute("href") == picture
    grey = page.evaluate("getComputedStyle(document.querySelector('#picture')).filter")
    assert "grayscale(1)" in grey
    assert re.fullmatch("5[2-5] s old", page.locator("#age").inner_text())
    levels, _ = rise(page, 10)
    assert levels
    page.get_by_role("button", name="I’m looking").click()
    page.get_by_text("The watcher could not be told. This page is silent until").wait_for()
    assert rise(page, 30)[0] == []
    assert mood(page) == "lost", "silent, but no quiet night"
    page.clock.fast_forward(9.6 * 60 * 1000)
    later(page, 10)
    assert rise(page, 10)[0], "after ten minutes it sounds again"
    page.context.set_offline(False)
    later(page, 10)
    assert head(page) == "Carry on."
    assert rise(page, 10)[0] == []


def test_a_page_that_slept_does_not_cry_lost(page, room):
    from_bed.carry_on(room.bed)
    opened(page, room.address)
    page.get_by_role("button", name="Let this page sound").click()
    page.clock.fast_forward(600_000)
    page.wait_for_timeout(100)
    assert page.evaluate("window.tones") == []
    assert page.evaluate("document.documentElement.dataset.alarm") == "quiet"


def test_the_sound_can_be_tried(page, room):
    from_bed.carry_on(room.bed)
    opened(page, room.address)
    page.get_by_role("button", name="Try the sound").click()
    page.wait_for_function("() => window.tones.length >= 11")
    levels = [tone["level"] for tone in page.evaluate("window.tones")]
    assert levels[0] < 0.1
    assert levels[-1] == 1


def test_another_printers_worry_is_told_here_too(page, room):
    from_bed.stop(room.bed)
    room.bed.store.book.sign("right", None, 0.0, "")
    opened(page, room.address)
    page.locator("html[data-alarm=loud]").wait_for(state="attached")
    words = page.locator("#life-words")
    assert "right: no sign of life" in words.inner_text()
    assert words.bounding_box()["width"] > 100
    assert head(page) == "Stop: the right corner lifts."


# Stop


def centre(page):
    box = page.locator("#stop").bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def test_a_short_press_stops_nothing_and_a_held_one_does(page, room):
    from_bed.stop(room.bed)
    opened(page, room.address)
    page.mouse.move(*centre(page))
    page.mouse.down()
    page.get_by_text("Keep holding").wait_for()
    page.clock.run_for(700)
    page.mouse.up()
    page.get_by_text("Not stopped: hold the button").wait_for()
    page.clock.run_for(5000)
    page.wait_for_timeout(100)
    assert room.hands.stopped == []
    assert page.url == room.address
    page.mouse.move(*centre(page))
    page.mouse.down()
    page.clock.run_for(1600)
    page.mouse.up()
    page.wait_for_function("() => document.querySelector('#night').dataset.mood === 'stopped'")
    assert room.hands.stopped == [1]
    assert "Nozzle and bed stay hot" in page.locator("#detail").inner_text()
    assert room.bed.store.book.answered_at(1) is not None
    assert page.url == room.address


def test_sliding_off_the_button_stops_nothing(page, room):
    from_bed.stop(room.bed)
    opened(page, room.address)
    page.mouse.move(*centre(page))
    page.mouse.down()
    page.clock.run_for(1000)
    page.mouse.move(10, 200)
    page.clock.run_for(3000)
    page.mouse.up()
    page.wait_for_timeout(100)
    assert room.hands.stopped == []


@pytest.mark.parametrize("key", ["Enter", "Space"])
def test_it_is_held_by_keys_too(page, room, key):
    from_bed.stop(room.bed)
    opened(page, room.address)
    page.get_by_role("button", name="Stop the print").focus()
    page.keyboard.press(key)
    page.wait_for_timeout(100)
    assert page.url == room.address
    assert room.hands.stopped == []
    page.keyboard.down(key)
    page.clock.run_for(1000)
    page.keyboard.down(key)  # as a key repeats itself
    page.clock.run_for(600)
    page.wait_for_function("() => document.querySelector('#night').dataset.mood === 'stopped'")
    page.clock.run_for(3000)
    page.keyboard.down(key)  # Held much too long: neither a second stop nor another page.
    page.keyboard.up(key)
    page.wait_for_timeout(100)
    assert room.hands.stopped == [1]
    assert page.url == room.address


def test_assistive_technology_is_asked_in_two_steps(room, watched):
    """A press without hand or key reaches the form, which asks first."""
    from_bed.stop(room.bed)
    page = watched.page
    opened(page, room.address)
    page.evaluate("document.querySelector('#stop').click()")
    page.get_by_role("heading", name="Stop Vent bracket, left").wait_for()
    assert room.hands.stopped == []
    page.get_by_role("button", name="Yes, stop it now").click()
    page.wait_for_url(room.address)
    assert room.hands.stopped == [1]
    page.get_by_text("The stop was sent").wait_for()


def test_a_stop_that_fails_is_loud(page, room):
    from_bed.answered(room.bed)
    room.hands.works = False
    opened(page, room.address)
    assert page.evaluate("document.documentElement.dataset.alarm") == "quiet"
    page.mouse.move(*centre(page))
    page.mouse.down()
    page.clock.run_for(1600)
    page.mouse.up()
    page.wait_for_function("() => document.querySelector('#night').dataset.mood === 'stop-failed'")
    page.locator("html[data-alarm=loud]").wait_for(state="attached")
    assert head(page) == "Stopping failed: go to the printer."
    levels, _ = rise(page, 5)
    assert levels[0] >= 0.2


def test_a_stop_that_can_not_be_sent_says_so(page, room):
    from_bed.stop(room.bed)
    opened(page, room.address)
    page.context.set_offline(True)
    page.mouse.move(*centre(page))
    page.mouse.down()
    page.clock.run_for(1600)
    page.mouse.up()
    page.get_by_text("The stop was NOT sent").wait_for()
    assert room.hands.stopped == []


def test_a_finger_holds_it_without_pointer_events(browser, room):
    """As on a tablet whose browser knows touches alone."""
    from_bed.stop(room.bed)
    context = browser.new_context(viewport={"width": 768, "height": 1024}, has_touch=True)
    page = context.new_page()
    page.clock.install()
    page.add_init_script(
        "delete window.PointerEvent; delete AbortSignal.timeout; delete navigator.vibrate;"
        "delete Navigator.prototype.wakeLock; window.webkitAudioContext = window.AudioContext;"
        "delete window.AudioContext;"
    )
    opened(page, room.address)
    x, y = centre(page)
    fingers = context.new_cdp_session(page)

    def touch(kind, *points):
        fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": list(points)})

    touch("touchStart", {"x": x, "y": y})
    page.clock.run_for(700)
    touch("touchEnd")
    page.wait_for_timeout(100)
    assert room.hands.stopped == []
    assert page.url == room.address
    x, y = centre(page)
    touch("touchStart", {"x": x, "y": y})
    page.get_by_text("Keep holding").wait_for()
    page.clock.run_for(1600)
    touch("touchEnd")
    page.wait_for_function("() => document.querySelector('#night').dataset.mood === 'stopped'")
    assert room.hands.stopped == [1]
    context.close()


# The screen


def test_it_keeps_the_screen_on_and_takes_it_up_again(room, watched):
    from_bed.carry_on(room.bed)
    page = watched.page
    page.add_init_script(f"({FAKE_LOCK})()")
    opened(page, room.address)
    page.get_by_text("The screen stays on while this page is in front.").wait_for()
    assert page.evaluate("window.locks.map(l => l.kind)") == ["screen"]
    page.evaluate(LET_GO)
    assert page.evaluate("window.locks.length") == 1
    page.evaluate(COME_BACK)
    page.wait_for_function("() => window.locks.length === 2")
    page.evaluate(COME_BACK)
    page.wait_for_timeout(50)
    assert page.evaluate("window.locks.length") == 2, "it is held already"


@pytest.mark.parametrize(
    ("secure", "words"), [("true", "set the screen’s time-out to never"), ("false", "plain http")]
)
def test_it_says_where_the_screen_may_go_dark(room, watched, secure, words):
    from_bed.carry_on(room.bed)
    page = watched.page
    page.add_init_script(
        "delete Navigator.prototype.wakeLock;"
        f"Object.defineProperty(window, 'isSecureContext', {{ value: {secure} }});"
    )
    opened(page, room.address)
    assert words in page.locator("#awake").inner_text()


def test_a_browser_that_refuses_is_told(room, watched):
    from_bed.carry_on(room.bed)
    page = watched.page
    page.add_init_script(
        "Object.defineProperty(navigator, 'wakeLock', { value: { request: () =>"
        " Promise.reject(new DOMException('no', 'NotAllowedError')) } });"
    )
    opened(page, room.address)
    page.get_by_text("does not keep the screen on now").wait_for()


# Darkness


def frames_of(page, act) -> list[np.ndarray]:
    """Every frame that the browser puts on the screen during ``act``, (H, W, 3) RGB."""
    session = page.context.new_cdp_session(page)
    shown: list[np.ndarray] = []

    def take(event):
        data = io.BytesIO(base64.b64decode(event["data"]))
        shown.append(np.asarray(Image.open(data).convert("RGB")))
        session.send("Page.screencastFrameAck", {"sessionId": event["sessionId"]})

    session.on("Page.screencastFrame", take)
    session.send("Page.startScreencast", {"format": "png", "everyNthFrame": 1})
    act()
    page.wait_for_timeout(300)
    session.send("Page.stopScreencast")
    return shown


def brightest(shown) -> tuple[float, int]:
    """Greatest mean relative luminance of a frame (WCAG 2.2), and the bluest blue of all."""

    def luminance(frame):
        c = frame / 255.0
        linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
        return float((linear @ [0.2126, 0.7152, 0.0722]).mean())

    return max(map(luminance, shown)), max(int(frame[..., 2].max()) for frame in shown)


def white(room, number) -> None:
    """A picture that is all white, as when somebody switches the light on."""
    bgr = np.full((270, 480, 3), 255, np.uint8)
    name = from_bed.artificial.name(number)
    jpeg = cv2.imencode(".jpg", bgr)[1].tobytes()
    frame = Frame(number, name, 60.0 * number, bgr, from_bed.artificial.STARTED_UTC_S)
    room.bed.store.keep_frame(1, frame, jpeg)


def test_nothing_flashes_while_it_loads_and_when_the_picture_changes(room, watched):
    from_bed.carry_on(room.bed)
    page = watched.page
    opened(page, room.address)  # From a dark page: before it the window is the browser's own.

    def slowly(route):
        page.wait_for_timeout(250)
        route.continue_()

    page.route("**/*.css", slowly)
    page.route("**/*.js", slowly)
    shown = frames_of(page, lambda: opened(page, room.address))
    assert len(shown) >= 2
    mean, blue = brightest(shown)
    assert mean < 0.04
    assert blue < 140, "no blue-white: letters are warm"
    white(room, 24)

    def change():
        page.wait_for_function(
            "() => document.querySelector('#picture').getAttribute('href').includes('00025')",
            timeout=15000,
        )

    mean, blue = brightest(frames_of(page, change))
    assert mean < 0.07, "white in the picture is no lamp"
    assert blue < 140
    page.get_by_role("button", name="Brighten").click()
    assert page.get_by_role("button", name="Brighten").get_attribute("aria-pressed") == "true"
    page.wait_for_timeout(100)
    bright = np.asarray(Image.open(io.BytesIO(page.screenshot())).convert("RGB"))
    assert (bright.min(axis=2) > 250).any(), "and a person who looks sees it as it is"


def test_brightness_goes_down_again_by_itself(page, room):
    from_bed.carry_on(room.bed)
    opened(page, room.address)
    button = page.get_by_role("button", name="Brighten")
    button.click()
    page.clock.run_for(61_000)
    assert button.get_attribute("aria-pressed") == "false"


# Keys and motion


def test_everything_is_reached_by_tab_and_not_hidden_below_the_buttons(room, watched):
    from_bed.stop(room.bed)
    page = watched.page
    page.set_viewport_size({"width": page.viewport_size["width"], "height": 420})
    opened(page, room.address)
    seen = []
    for _ in range(20):
        page.keyboard.press("Tab")
        told = page.evaluate(
            """() => { const e = document.activeElement;
                const b = e.getBoundingClientRect();
                const top = document.elementFromPoint(b.x + b.width / 2, b.y + b.height / 2);
                return [e.id || e.textContent.trim(), getComputedStyle(e).outlineStyle,
                        e === top || e.contains(top) || (top && top.contains(e)), b.height,
                        e.tagName]; }"""
        )
        if told[4] == "BODY":
            break
        assert told[1] != "none", told
        assert told[2], f"{told[0]} is covered"
        seen.append(told[0])
    assert {"brighten", "looking", "stop", "try", "stop in two steps"} <= set(seen)


def test_reduced_motion_sweeps_nothing(browser, room):
    from_bed.stop(room.bed)
    timing = []
    for motion in ("no-preference", "reduce"):
        context = browser.new_context(reduced_motion=motion)
        page = context.new_page()
        opened(page, room.address)
        page.evaluate("document.querySelector('#stop').classList.add('holding')")
        timing.append(
            page.evaluate(
                "getComputedStyle(document.querySelector('#fill')).transitionTimingFunction"
            )
        )
        context.close()
    assert timing[0] == "linear"
    assert timing[1].startswith("steps(3")


def test_without_scripts_it_tells_and_acts(browser, room):
    from_bed.stop(room.bed)
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(room.address)
    assert head(page) == "Stop: the right corner lifts."
    assert "loads itself anew every 30 seconds" in page.locator(".care noscript").inner_html()
    # Screenshots and boxes know what is shown, queries for text leave noscript out.
    assert page.locator(".care noscript p").bounding_box()["height"] > 10
    assert page.locator("#ring").get_attribute("r") is not None
    page.get_by_role("button", name="Stop the print").click()
    page.get_by_role("button", name="Yes, stop it now").click()
    assert room.hands.stopped == [1]
    assert head(page) == "The stop was sent: see that it stands still."
    context.close()


# On the home screen


def test_the_browser_takes_its_manifest(room, watched):
    page = watched.page
    opened(page, room.address)
    told = page.context.new_cdp_session(page).send("Page.getAppManifest")
    assert told["errors"] == []
    assert told["url"].endswith("/static/watcher.webmanifest")
    parsed = told["manifest"]
    assert parsed["startUrl"] == room.server.url + "night"
    assert parsed["display"] == "kStandalone"

"""The page in a real browser, at a phone's and at a desk's size."""

from __future__ import annotations

import re
import threading

import artificial
import pytest

from watcher.store import Store


def shown(page) -> str:
    """Where the time-lapse stands, by what the slider says aloud."""
    text: str = page.get_by_role("slider").get_attribute("aria-valuetext") or ""
    return text


def wait_for_picture(page, number: int) -> None:
    """Wait until picture ``number`` (from 1) is told and its pixels have come."""
    page.wait_for_function(
        "n => document.querySelector('#slider').getAttribute('aria-valuenow') === String(n)"
        " && document.querySelector('#waiting').hidden"
        " && !document.querySelector('#stage').classList.contains('late')",
        arg=number,
    )


def brightness_of(page, selector: str) -> list[int]:
    """Red, green and blue of a canvas, summed over a coarse grid: changes with what is drawn."""
    sums: list[int] = page.evaluate(
        """s => { const c = document.querySelector(s);
            const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
            const sum = [0, 0, 0];
            for (let i = 0; i < d.length; i += 4)
                for (let k = 0; k < 3; k++) sum[k] += d[i + k] * (d[i + 3] > 0);
            return sum; }""",
        selector,
    )
    return sums


def test_a_closed_run_opens_at_the_stop_with_its_reason(watched, serve, folder):
    page = watched.page
    page.goto(serve(folder) + "run/1")
    wait_for_picture(page, artificial.STOP + 1)
    verdict = page.get_by_role("region", name="Advice")
    assert verdict.get_by_text("stop", exact=True).is_visible()
    assert verdict.get_by_text("The right corner has lifted 1.0 ± 0.1 mm").is_visible()
    assert verdict.get_by_text("Began 20 min into the print").is_visible()
    # Without scrolling: advice, picture, both marks and the cursor.
    for selector in ("#verdict", "#picture", "#marks button >> nth=0", "#marks button >> nth=1"):
        box = page.locator(selector).bounding_box()
        assert box["y"] + box["height"] <= page.viewport_size["height"], selector
    # Nothing sticks out sideways.
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_scrubbing_by_keys_reaches_the_flagged_moment(watched, serve, folder):
    page = watched.page
    page.goto(serve(folder) + "run/1")
    wait_for_picture(page, artificial.STOP + 1)
    page.keyboard.press("Home")
    wait_for_picture(page, 1)
    assert "Advice then: carry on" in page.locator("#here").inner_text()
    first = brightness_of(page, "#picture")
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("Shift+ArrowRight")
    wait_for_picture(page, 21)
    assert page.locator("#moments a[aria-current]").inner_text().startswith("1")
    for _ in range(10):
        page.keyboard.press("ArrowRight")
    wait_for_picture(page, artificial.STOP + 1)
    assert "Advice then: stop" in page.locator("#here").inner_text()
    assert re.search(r"right corner 1\.\d\d ± 0\.09 mm", shown(page))
    assert page.locator("#moments a[aria-current]").inner_text().startswith("2")
    assert brightness_of(page, "#picture") != first
    page.keyboard.press("End")
    wait_for_picture(page, 60)
    page.keyboard.press("ArrowRight")
    wait_for_picture(page, 60)


def test_scrubbing_by_pointer_on_strip_and_picture(watched, serve, folder):
    page = watched.page
    page.goto(serve(folder) + "run/1")
    wait_for_picture(page, artificial.STOP + 1)
    box = page.get_by_role("slider").bounding_box()
    middle = box["y"] + box["height"] * 0.6
    page.mouse.move(box["x"] + box["width"] * 0.5, middle)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] - 1, middle, steps=5)
    wait_for_picture(page, 60)
    page.mouse.move(box["x"] + 1, middle, steps=5)
    wait_for_picture(page, 1)
    page.mouse.up()
    stage = page.locator("#stage").bounding_box()
    page.mouse.move(stage["x"] + 20, stage["y"] + 50)
    page.mouse.down()
    page.mouse.move(stage["x"] + 20 + stage["width"] / 4, stage["y"] + 50, steps=4)
    page.mouse.up()
    wait_for_picture(page, 16)
    page.get_by_role("button", name=re.compile("Flagged moment 2")).click()
    wait_for_picture(page, artificial.STOP + 1)
    assert page.url.endswith("#moment=2")


def test_a_finger_drags_along_the_strip(browser, serve, folder):
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True)
    page = context.new_page()
    page.goto(serve(folder) + "run/1")
    wait_for_picture(page, artificial.STOP + 1)
    box = page.get_by_role("slider").bounding_box()
    fingers = context.new_cdp_session(page)

    def touch(kind: str, x: float) -> None:
        points = [] if kind == "touchEnd" else [{"x": x, "y": box["y"] + box["height"] * 0.6}]
        fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    touch("touchStart", box["x"] + box["width"] / 2)
    for share in (0.6, 0.8, 0.99):
        touch("touchMove", box["x"] + box["width"] * share)
    touch("touchEnd", 0)
    wait_for_picture(page, 60)
    context.close()


def test_a_link_leads_to_its_picture_or_moment(watched, serve, folder):
    page = watched.page
    address = serve(folder)
    page.goto(address + "run/1#frame=00013.jpg")
    wait_for_picture(page, 13)
    assert "back right corner not seen: hidden by the head" in shown(page)
    assert "back right corner in 2 of 60 pictures" in page.locator("#unseen").inner_text()
    page.goto("about:blank")
    page.goto(address + "run/1#moment=1")
    wait_for_picture(page, artificial.ONSET + 1)
    page.keyboard.press("ArrowLeft")
    wait_for_picture(page, artificial.ONSET)
    page.wait_for_function("() => location.hash === '#frame=00020.jpg'")
    page.goto("about:blank")
    page.goto(address + "run/1#frame=00008.jpg")
    wait_for_picture(page, 8)
    assert "could not be placed: too dark" in page.locator("#caption").inner_text()


def test_lines_over_the_picture_can_be_switched_off(watched, serve, folder):
    page = watched.page
    page.goto(serve(folder) + "run/1")
    wait_for_picture(page, artificial.STOP + 1)
    page.wait_for_function(
        "() => { const c = document.querySelector('#lines');"
        "return c.getContext('2d').getImageData(0, 0, c.width, c.height).data.some(v => v > 0); }"
    )
    both = brightness_of(page, "#lines")
    page.get_by_label("the part where the toolpath puts it").uncheck()
    measured = brightness_of(page, "#lines")
    assert 0 < sum(measured) < sum(both)
    page.get_by_label("edges as measured").uncheck()
    assert brightness_of(page, "#lines") == [0, 0, 0]


def test_measured_lines_stand_where_they_were_measured(watched, serve, folder):
    page = watched.page
    page.goto(serve(folder) + "run/1#frame=00060.jpg")
    wait_for_picture(page, 60)
    page.get_by_label("the part where the toolpath puts it").uncheck()
    page.wait_for_function(
        "() => { const c = document.querySelector('#lines');"
        "return c.getContext('2d').getImageData(0, 0, c.width, c.height).data.some(v => v > 0); }"
    )
    tip = artificial.top_edge(59)[-1]
    there = page.evaluate(
        """([x, y]) => { const c = document.querySelector('#lines');
            const px = (x + 0.5) * c.width / 480, py = (y + 0.5) * c.height / 270;
            const drawn = (x, y) => c.getContext('2d').getImageData(x, y, 1, 1).data[3] > 0;
            return [drawn(px - 1, py), drawn(px, py - 12), drawn(px, py + 12)]; }""",
        tip.tolist(),
    )
    assert there == [True, False, False]


def test_the_suspected_corner_comes_closer(watched, serve, folder):
    page = watched.page
    page.goto(serve(folder) + "run/1#frame=00050.jpg")
    wait_for_picture(page, 50)
    page.get_by_role("button", name="Closer").click()
    whole = page.get_by_role("button", name="Whole picture")
    whole.wait_for()
    stage = page.locator("#stage").bounding_box()
    lens = page.locator("#lens").bounding_box()
    assert lens["width"] == pytest.approx(4 * stage["width"], rel=0.01)
    # The middle of the measured edge stands near the middle of the stage.
    x, y = artificial.top_edge(49)[10:].mean(axis=0)
    assert lens["x"] + x / 480 * lens["width"] == pytest.approx(
        stage["x"] + stage["width"] / 2, abs=stage["width"] / 8
    )
    assert lens["y"] + y / 270 * lens["height"] == pytest.approx(
        stage["y"] + stage["height"] / 2, abs=stage["height"] / 8
    )
    page.keyboard.press("ArrowLeft")
    wait_for_picture(page, 49)
    whole.click()
    assert page.locator("#lens").bounding_box()["width"] == pytest.approx(stage["width"], abs=1)


def test_it_plays_at_the_chosen_pace_and_stops_at_the_end(watched, serve, folder):
    page = watched.page
    page.goto(serve(folder) + "run/1")
    wait_for_picture(page, artificial.STOP + 1)
    page.keyboard.press("Home")
    wait_for_picture(page, 1)
    page.get_by_label("Pictures a second").select_option("50")
    page.get_by_role("button", name="Play").click()
    page.get_by_role("button", name="Pause").wait_for()
    wait_for_picture(page, 60)
    page.get_by_role("button", name="Play").wait_for()
    page.get_by_role("button", name="Play").focus()
    page.keyboard.press("Space")
    page.get_by_role("button", name="Pause").wait_for()
    page.keyboard.press("Space")
    page.get_by_role("button", name="Play").wait_for()


def test_the_list_leads_to_each_print(watched, serve, folder):
    page = watched.page
    page.goto(serve(folder))
    cards = page.get_by_role("listitem")
    assert cards.count() == 4
    left = cards.filter(has_text="Vent bracket, left")
    assert "The right corner has lifted 1.0 ± 0.1 mm" in left.inner_text()
    assert "60 pictures, 1 left out as unusable" in left.inner_text()
    assert re.search(r"biggest lift: [34]\.\d ± 0\.1 mm, right corner", left.inner_text())
    assert "interrupted" in cards.filter(has_text="Handle").inner_text()
    assert left.locator("img").evaluate("i => i.decode().then(() => i.naturalWidth)") > 0
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    left.get_by_role("link").click()
    wait_for_picture(page, artificial.STOP + 1)
    page.get_by_role("link", name="All watched prints").click()
    page.get_by_role("heading", name="Watched prints").wait_for()


def test_empty_states_say_what_to_do(watched, serve, folder, tmp_path):
    page = watched.page
    page.goto(serve(tmp_path))
    page.get_by_text("Nothing has been watched yet").wait_for()
    page.goto(serve(folder) + "run/3")
    page.get_by_text("This run holds no picture").wait_for()
    assert not page.get_by_role("button", name="Play").is_visible()


def test_everything_is_reached_by_tab_and_shows_focus(watched, serve, folder):
    page = watched.page
    page.goto(serve(folder) + "run/1")
    wait_for_picture(page, artificial.STOP + 1)
    seen = []
    for _ in range(50):
        page.keyboard.press("Tab")
        name, outline = page.evaluate(
            "() => { const e = document.activeElement;"
            "return [e.id || e.className || e.tagName, getComputedStyle(e).outlineStyle]; }"
        )
        if name == "BODY":
            break
        assert outline != "none", name
        seen.append(name)
    assert {"slider", "back", "play", "on", "pace", "show-measured", "SUMMARY"} <= set(seen)
    assert seen.count("moment have-a-look") == 1
    assert len([n for n in seen if n.startswith("mark ")]) == 2


class Feeder:
    """Writes a run from a thread of its own, a few frames each time it is told to."""

    def __init__(self, folder) -> None:
        self._folder = folder
        self._go = threading.Semaphore(0)
        self._done = threading.Semaphore(0)
        self._next: range | None = None
        self._thread = threading.Thread(target=self._work)
        self._thread.start()
        self._done.acquire()

    def _work(self) -> None:
        with Store.open(self._folder, write=True) as store:
            run = artificial.begin(store, "Vent bracket, live")
            self._done.release()
            while True:
                self._go.acquire()
                if self._next is None:
                    break
                artificial.feed(store, run, self._next)
                self._done.release()
            store.end_run(run, 2e9)
        self._done.release()

    def feed(self, numbers: range | None) -> None:
        self._next = numbers
        self._go.release()
        self._done.acquire()


@pytest.fixture
def feeder(tmp_path):
    one = Feeder(tmp_path)
    yield one
    if one._thread.is_alive():
        one.feed(None)
    one._thread.join()


def test_a_live_run_is_followed_until_the_viewer_scrubs_back(watched, serve, tmp_path, feeder):
    page = watched.page
    page.goto(serve(tmp_path) + "run/1")
    page.get_by_text("Waiting for the first picture").wait_for()
    feeder.feed(range(2))
    wait_for_picture(page, 2)
    assert "being watched now" in page.locator("#state").inner_text()
    feeder.feed(range(2, 8))
    wait_for_picture(page, 8)
    newest = page.get_by_role("button", name="To the newest picture")
    assert not newest.is_visible()
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("ArrowLeft")
    wait_for_picture(page, 6)
    assert newest.is_visible()
    feeder.feed(range(8, 40))
    page.wait_for_function(
        "() => document.querySelector('#slider').getAttribute('aria-valuemax') === '40'"
    )
    wait_for_picture(page, 6)
    # The stop comes up by itself, wherever the viewer stands.
    page.locator("#verdict.stop").wait_for()
    assert page.get_by_role("button", name=re.compile("Flagged moment 2")).is_visible()
    newest.click()
    wait_for_picture(page, 40)
    feeder.feed(range(40, 42))
    wait_for_picture(page, 42)
    feeder.feed(None)
    page.get_by_text("watched to the last picture").wait_for()


def test_a_lost_server_is_told(browser, serve, tmp_path, feeder):
    context = browser.new_context()
    page = context.new_page()
    feeder.feed(range(3))
    page.goto(serve(tmp_path) + "run/1")
    wait_for_picture(page, 3)
    context.set_offline(True)
    page.get_by_role("alert").get_by_text("No answer from watcher since").wait_for()
    context.set_offline(False)
    page.get_by_role("alert").wait_for(state="hidden")
    context.close()
